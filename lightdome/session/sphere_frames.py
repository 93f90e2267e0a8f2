"""Which photographs show the mirror spheres, and whether every lamp has one."""

from collections.abc import Sequence

from lightdome.errors import LampError
from lightdome.session.records import FieldName, Frame
from lightdome.session.settings import first_of
from lightdome.session.tables import FRAMES_FILE


def sphere_frames(frames: Sequence[Frame], name: FieldName) -> dict[str, Frame]:
    """The photograph that shows the spheres under each lamp, by lamp: a series of their own, else the lit ones.

    Fails with LampError where a lit lamp has none, or a lamp has two.
    """
    lit = {frame.lamp: frame for frame in frames if frame.role == "lit"}
    own: dict[str, Frame] = {}
    problems = []
    for frame in frames:
        if frame.role == "sphere":
            if frame.lamp in own:
                problems.append(
                    f"{FRAMES_FILE}, row {frame.row}: lamp {frame.lamp!r} has a sphere photograph in row "
                    f"{own[frame.lamp].row} too; keep one"
                )
            own.setdefault(frame.lamp, frame)
    if not own:
        return lit
    problems += [
        f"{FRAMES_FILE}: lamp {lamp!r} of {name} has no sphere photograph while others have; photograph the spheres "
        f"under it, or delete the sphere rows where they stand beside the plate"
        for lamp in lit
        if lamp not in own
    ]
    if problems:
        raise LampError(first_of(problems))
    return {lamp: own[lamp] for lamp in lit}
