"""Does what the cameras wrote beside the pictures of a field fit together? Facts in, sentences out."""

import datetime
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Any

from lightdome.errors import SessionError
from lightdome.session.exif import Exif
from lightdome.session.records import Frame
from lightdome.session.tables import FRAMES_FILE

SAME_ROLES = ("lit", "flat", "ambient", "colour")
"""Photographs of a field that one lens looks through, unmoved. A dark one is taken with the lens capped."""
LARGEST_RATIO = 1.1
"""Between an exposure time of the table and of Exif, above which it is said. Exif holds nominal times: 1/60 stands for
1/64, 7 % off."""
SAME = 0.01
"""Relative difference of Exif numbers that are the same setting, rounded."""
MOST_NAMED = 3
SWAPPED_SHARE = 0.25
"""Of rows out of the order of time, up to which they look swapped and not ordered by something else. No source."""
FULL_BITS = 16
SLOW_S = 2.0
"""Between photographs, from which two of the same whole second are one photograph twice. Exif counts whole seconds."""


@dataclass(frozen=True)
class Shown:
    """One photograph, and what its camera says."""

    frame: Frame
    name: str
    """Path in the session folder."""
    exif: Exif
    raw: bool


@dataclass(frozen=True)
class Remarks:
    """What is to be said of a field, as sentences."""

    reasons: list[str]
    """To take it again."""
    warnings: list[str]


def evened_out(
    facts: dict[int, dict[str, Any]], shown: Sequence[Shown], linear: bool
) -> tuple[list[Remarks], tuple[Frame, ...]]:
    """All remarks on a field, and its frames with the exposure time and gain to be evened out; both go into `facts`.

    facts : of each photograph, by row of frames.csv, with its bit_depth; gets exposure_s, gain and exif.
    linear : as `exposed`.
    """
    frames, exposures = exposed(shown, linear)
    for one in shown:
        frame = frames[one.frame.row]
        facts[frame.row] |= {"exposure_s": frame.exposure_s, "gain": frame.gain, "exif": one.exif.as_dict()}
    bits = [facts[one.frame.row]["bit_depth"] for one in shown if one.frame.role == "lit"]
    remarks = [exposures, contradictions(shown), Remarks([], lower_grade(bits))]
    return remarks, tuple(frames[one.frame.row] for one in shown)


def exposed(shown: Sequence[Shown], linear: bool) -> tuple[dict[int, Frame], Remarks]:
    """Frames by row with the exposure and gain to be evened out, and what that rests on.

    exposure_s is the table's, else Exif's. gain is ISO over that of most lit photographs. linear : numbers are in
    proportion to the light, so that both can be evened out. Fails with SessionError where the time of some lit
    photographs is known and of others not.
    """
    reasons: list[str] = []
    warnings: list[str] = []
    usual_iso = _usual(shown, lambda exif: exif.iso)
    frames = {}
    for one in shown:
        table, said = one.frame.exposure_s, one.exif.exposure_s
        if table and said and not 1 / LARGEST_RATIO <= table / said <= LARGEST_RATIO:
            warnings.append(
                f"{FRAMES_FILE}, row {one.frame.row}, column exposure_s: says {table:g} s where {one.name} itself says "
                f"{said:g} s; the table is used, so correct it if it is wrong"
            )
        gain = one.exif.iso / usual_iso if one.exif.iso and usual_iso and linear else 1.0
        frames[one.frame.row] = replace(one.frame, exposure_s=table or said, gain=gain)
    lit = [one for one in shown if one.frame.role == "lit"]
    bare = [one for one in lit if not frames[one.frame.row].exposure_s]
    if bare and len(bare) < len(lit):
        raise SessionError(
            f"{FRAMES_FILE}, row {bare[0].frame.row}, column exposure_s: is empty, and {bare[0].name} does not say it "
            f"either while other lit photographs have it; add it"
        )
    times = [one.exif.exposure_s for one in lit if one.exif.exposure_s and not one.frame.exposure_s]
    usual_s = _most_common(times)
    others = [one for one in lit if not one.frame.exposure_s and not _same(one.exif.exposure_s, usual_s)]
    warnings += _said(
        others,
        lambda one: f"was exposed for {one.exif.exposure_s:g} s, most for {usual_s:g} s; its light is evened out",
    )
    for one in shown:
        if one.frame.role not in ("mask", "sphere-mask", "sphere", "checkerboard") and not _same(
            one.exif.iso, usual_iso
        ):
            text = f"{one.name}: was taken at ISO {one.exif.iso:g} where others are at ISO {usual_iso:g}"
            if linear:
                warnings.append(f"{text}; its light is evened out, as far as the camera's ISO is true")
            else:
                reasons.append(f"{text}, and pictures of its kind cannot be evened out; photograph it again")
    return frames, Remarks(reasons, warnings)


def contradictions(shown: Sequence[Shown]) -> Remarks:
    """What else differs: aperture, focal length, body, lens, automatic settings, order and repeats of time."""
    reasons: list[str] = []
    same = [one for one in shown if one.frame.role in SAME_ROLES]
    for value, say, consequence in (
        (lambda exif: exif.f_number, lambda value: f"at f/{value:g}", "its shading and sharpness are others"),
        (lambda exif: exif.focal_length_mm, lambda value: f"at {value:g} mm", "its scale is another"),
        (lambda exif: exif.body, lambda value: f"with camera {value}", "its pixels lie elsewhere"),
        (lambda exif: exif.lens, lambda value: f"with lens {value}", "its pixels lie elsewhere"),
    ):
        usual = _usual(shown, value)
        for one in same:
            mine = value(one.exif)
            if not _same(mine, usual):
                reasons.append(
                    f"{one.name}: was taken {say(mine)}, others {say(usual)}; {consequence}, so photograph it again"
                )
    warnings = _said(
        [one for one in same if one.exif.auto_exposure],
        lambda _: "was taken with automatic exposure; set exposure and ISO by hand",
    )
    warnings += _said(
        [one for one in same if one.exif.auto_white_balance and not one.raw],
        lambda _: "was taken with automatic white balance, so its colours may differ from frame to frame; fix it",
    )
    return Remarks(reasons, warnings + _times([one for one in shown if one.frame.role == "lit"]))


def _times(lit: Sequence[Shown]) -> list[str]:
    """Rows that stand against the order of time, and photographs of the same moment."""
    timed = [one for one in lit if one.exif.taken]
    if len(timed) < len(lit) or len(timed) < 2:
        return []
    times = [datetime.datetime.fromisoformat(one.exif.taken or "").timestamp() for one in timed]
    found = []
    exact = all("." in (one.exif.taken or "") for one in timed)
    if exact or median(later - earlier for earlier, later in pairwise(sorted(times))) >= SLOW_S:
        first: dict[float, Shown] = {}
        for time, one in zip(times, timed, strict=True):
            if time in first:
                found.append(f"{one.name} and {first[time].name} were taken at the same moment; is one a copy?")
            first.setdefault(time, one)
    late = _out_of_order(times)
    if 0 < len(late) <= max(2, SWAPPED_SHARE * len(timed)):
        names = ", ".join(f"row {timed[index].frame.row} ({timed[index].name})" for index in late[:MOST_NAMED])
        found.append(
            f"{FRAMES_FILE}: {len(late)} of {len(timed)} rows stand against the order of time, the first {names}; were "
            f"photographs or lamps swapped?"
        )
    return found


def _out_of_order(times: Sequence[float]) -> list[int]:
    """Places of those that must go for the others to be in order: all but a longest run that never falls."""
    length, before = [1] * len(times), [-1] * len(times)
    for here in range(len(times)):
        for there in range(here):
            if times[there] <= times[here] and length[there] + 1 > length[here]:
                length[here], before[here] = length[there] + 1, there
    kept = set()
    place = max(range(len(times)), key=length.__getitem__)
    while place >= 0:
        kept.add(place)
        place = before[place]
    return [place for place in range(len(times)) if place not in kept]


def _said(shown: Sequence[Shown], text: Callable[[Shown], str]) -> list[str]:
    """One sentence a photograph; where many are alike, the first speaks for all."""
    if len(shown) <= MOST_NAMED:
        return [f"{one.name}: {text(one)}" for one in shown]
    return [f"{shown[0].name} and {len(shown) - 1} others like it: {text(shown[0])}"]


def _usual(shown: Sequence[Shown], value: Callable[[Exif], Any]) -> Any:
    """What most lit photographs have; None where none says."""
    return _most_common([value(one.exif) for one in shown if one.frame.role == "lit" and value(one.exif) is not None])


def _most_common(values: Sequence[Any]) -> Any:
    return Counter(values).most_common(1)[0][0] if values else None


def _same(value: Any, usual: Any) -> bool:
    """Whether a setting is the usual one; what is not known contradicts nothing."""
    if value is None or usual is None:
        return True
    if isinstance(value, str):
        return bool(value == usual)
    return bool(abs(value / usual - 1) <= SAME)


def lower_grade(bit_depths: Sequence[int]) -> list[str]:
    """What is to be said of lit photographs of few bits, once."""
    few = sum(bits < FULL_BITS for bits in bit_depths)
    if not few:
        return []
    return [
        f"{few} of {len(bit_depths)} lit photographs hold 8 bits, a lower grade than raw or 16 bits: their steps and "
        f"their compression show in dark lines and smooth areas"
    ]
