"""What is wrong with single photographs or with the set, each with what to do: records and their sentences."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lightdome.session.compare import Comparison
from lightdome.session.records import Frame
from lightdome.session.room_light import RoomLight
from lightdome.session.sharp import Sharpness
from lightdome.session.tone import CURVED, UNMOVED

BLURRED_CONTRAST, BLURRED_PX, BLURRED_SURE_AT = 0.45, 0.5, 7.0
"""Fine detail over that of the others, blur, and times the usual scatter of the logarithm, from which a photograph
is called blurred: motion over three pixels leaves 0.2 to 0.35 and looks like 0.75, motion over two 0.75 and 0.4;
clean computed photographs of 24 lamps stay above 0.6 (matt, metal; bright metal 0.47)."""
FEWEST_FOR_BLUR = 8
NO_LIGHT = 0.1
"""Light over what the others predict, under which a lamp did not fire."""
WORST_BLUR_PX = 1.4
"""More cannot be told apart: nothing fine is left to measure it by."""
WIDEST_AZIMUTH_DEG, WIDEST_CAP_DEG = 120.0, 60.0
"""Holes of the layout from which they are said. No source: the slope across such a hole rests on single lamps."""


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong."""

    kind: str
    files: tuple[str, ...]
    """Photographs, as frames.csv names them; empty where it is the set as a whole."""
    lamps: tuple[str, ...]
    says: str
    do: str
    retake: bool
    """False where the session can be used as it is."""
    row: int | None = None
    """Of frames.csv, where one photograph is meant."""

    @property
    def sentence(self) -> str:
        """Files, what is wrong, what to do."""
        head = f"{' and '.join(self.files)}: " if self.files else ""
        return f"{head}{self.says}; {self.do}"


class Names:
    """Files and lamps of the lit photographs, by their place in the series."""

    def __init__(self, lit: Sequence[Frame], files: Sequence[str]) -> None:
        self.lit, self.files = lit, files

    def finding(self, kind: str, places: Sequence[int], says: str, do: str, retake: bool = True) -> Finding:
        """A finding about some photographs."""
        files, lamps = tuple(self.files[k] for k in places), tuple(self.lit[k].lamp for k in places)
        return Finding(kind, files, lamps, says, do, retake, self.lit[places[0]].row if len(places) == 1 else None)


def compared(names: Names, comparison: Comparison, copies: Sequence[int]) -> list[Finding]:
    """Exchanged lamps, wrong lamps, odd levels, shadows; `copies` are known to be so already."""
    lamp = [frame.lamp for frame in names.lit]
    found: list[Finding] = []
    for ring in comparison.exchanges:
        pairs = ", ".join(f"{names.files[k]} lit by {lamp[j]}" for k, j in zip(ring.frames, ring.lamps, strict=True))
        found.append(
            names.finding(
                "exchanged",
                ring.frames,
                f"look exchanged: {pairs} fits {ring.gain:.1f} times better",
                "exchange their lamps in frames.csv, or photograph them again",
            )
        )
    for k, j in comparison.other_lamps.items():
        if k in copies:
            continue
        says = f"looks lit by lamp {lamp[j]}, not by {lamp[k]}"
        found.append(names.finding("other lamp", [k], says, f"photograph it again under lamp {lamp[k]}"))
    for k in comparison.odd_levels:
        ratio = float(comparison.level[k])
        if ratio < NO_LIGHT:
            says, do = (
                f"holds {100 * ratio:.0f} % of the light that the others predict",
                "did lamp {} fire? photograph it again",
            )
            found.append(names.finding("no light", [k], says, do.format(lamp[k])))
            continue
        says = f"{'brighter' if ratio > 1 else 'darker'} than the others predict, {ratio:.2f} times"
        do = "photograph it again with exposure, aperture and ISO fixed by hand, or give its own exposure_s"
        found.append(names.finding("level", [k], says, do))
    for shadow in comparison.shadows:
        says = (
            f"{100 * shadow.share:.1f} % of the plate lies in a shadow that only lamp {lamp[shadow.frame]} has "
            f"(light there {shadow.ratio:.2f} of what the others predict); an arm, a cable, a hand?"
        )
        do = f"clear the way of lamp {lamp[shadow.frame]} and photograph it again"
        found.append(names.finding("shadow", [shadow.frame], says, do))
    for k in comparison.unclear:
        percent = 100 * float(comparison.misfit[k])
        says = f"differs from what the others predict by {percent:.0f} % of the light, and why is not clear"
        found.append(names.finding("does not fit", [k], says, "look at it; is its lamp the one that is named?", False))
    return found


def repeated(
    names: Names, twins: Sequence[tuple[int, int]], known: Sequence[Finding], copies: Sequence[int]
) -> list[Finding]:
    """Photographs of one picture under two lamps, as far as nothing else is said of them."""
    said = {file for one in known for file in one.files} | {names.files[k] for k in copies}
    found = []
    for a, b in twins:
        if names.files[a] not in said and names.files[b] not in said:
            says = f"show the same picture under lamps {names.lit[a].lamp} and {names.lit[b].lamp}"
            found.append(names.finding("repeated", [a, b], says, "did both lamps fire? photograph both again"))
    return found


def blurred(names: Names, sharp: Sharpness) -> list[Finding]:
    """Photographs clearly less sharp than the others."""
    found: list[Finding] = []
    if len(names.lit) < FEWEST_FOR_BLUR:
        return found
    log = np.log(sharp.contrast)
    if not np.isfinite(log).any():
        return found
    scatter = 1.4826 * float(np.nanmedian(np.abs(log)))
    least = min(np.log(BLURRED_CONTRAST), -BLURRED_SURE_AT * scatter)
    for k in np.flatnonzero((log < least) & (sharp.blur_px > BLURRED_PX)):
        blur_px = float(sharp.blur_px[k])
        amount = f"about {blur_px:.1f} px" if blur_px < WORST_BLUR_PX else f"{WORST_BLUR_PX} px or more"
        says = (
            f"blurred by {amount} (standard deviation) more than the others; its fine detail has "
            f"{float(sharp.contrast[k]):.2f} of their contrast"
        )
        found.append(names.finding("blurred", [int(k)], says, "let the table come to rest and photograph it again"))
    return found


def boards(frames: Sequence[Frame], lit: Sequence[Frame]) -> list[Finding]:
    """Lamps without a flat board where others have one."""
    flat = {frame.lamp for frame in frames if frame.role == "flat"}
    bare = [frame.lamp for frame in lit if frame.lamp not in flat]
    if not flat or not bare:
        return []
    do = "photograph the board under it too, with everything as it stands, or delete all flat rows"
    return [
        Finding("board missing", (), (lamp,), f"the flat board was not photographed under lamp {lamp}", do, True)
        for lamp in bare
    ]


def room(light: RoomLight) -> list[Finding]:
    """The room's light, where no ambient photograph takes it off."""
    if not light.share:
        return []
    says = (
        f"about {100 * light.share:.0f} % of the light is there without any lamp (at most "
        f"{100 * light.at_most:.0f} %), and no ambient photograph takes it off"
    )
    do = "darken the room and photograph again, or take one photograph with all lamps off and give it the role ambient"
    return [Finding("ambient light", (), (), says, do, True)]


def tone(exponent: tuple[float, float] | None) -> list[Finding]:
    """Numbers that are not linear in the light."""
    if exponent is None or exponent[0] < UNMOVED or exponent[1] >= CURVED:
        return []
    says = (
        f"the light of the photographs rises as the power {exponent[0]:.2f} (at most {exponent[1]:.2f}, 97.5 %) of "
        f"what the lamps give, where linear numbers rise as the power 1 or more: they lie behind a tone curve"
    )
    do = (
        "develop the raw files again without one, or say response: srgb in session.yaml; if they are linear, the "
        "powers or places in lamps.csv are wrong"
    )
    return [Finding("tone curve", (), (), says, do, False)]
