"""Ready, usable with warnings, or to be retaken: what the facts of each photograph say. Facts in, sentences out."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from lightdome.session.consistency import Remarks

if TYPE_CHECKING:  # its libraries take long to load
    from lightdome.session.findings import Finding

READY, WARNED, RETAKE = "ready", "usable with warnings", "retake"
MANY_CLIPPED = 0.01
"""Share of a photograph's pixels at white from which it is said. No source: one pixel in a hundred is seen at once."""
HARDLY_LIT = 0.002
"""Share of white under which a lamp is taken not to have fired. No source: 8 bits hold half a step of it."""
BLURRED = 8.0
"""Times less sharp than the middle of all lamps. No source: defocus by three pixels costs more, a low lamp less."""
TOO_FEW_LAMPS_SHARE = 0.01
"""Share of the plate with fewer usable lamps than three unknowns need, from which it should be retaken. No source."""
WIDE_CONDITION = 10.0


def judge(
    frames: Sequence[Mapping[str, Any]],
    shifts_known: bool,
    too_few_share: float,
    condition: float | None,
    idle: Sequence[str],
    findings: Sequence["Finding"],
    remarks: Sequence[Remarks] = (),
) -> tuple[str, list[str], list[str]]:
    """Verdict (ready, usable with warnings, retake), its reasons, and the warnings, from facts of each photograph.

    frames : as in `frames/quality.json`, with the `digest` of each one's pixels.  too_few_share : share of the plate's
    pixels that fewer than three lamps show below white.  idle : lamps of the table without a photograph here.
    findings : what was found by comparing the photographs.  remarks : what the photographs' own records say.
    """
    lit = [frame for frame in frames if frame["role"] == "lit"]
    reasons = []
    telling = [frame for frame in lit if frame["mean"] >= HARDLY_LIT and frame["clipped_fraction"] < 1]
    same = Counter(frame["digest"] for frame in telling)
    for digest, count in same.items():
        if count > 1:
            twins = [frame for frame in lit if frame["digest"] == digest][:2]
            reasons.append(
                f"{twins[0]['file']} and {twins[1]['file']} hold the same picture under lamps {twins[0]['lamp']} and "
                f"{twins[1]['lamp']}; photograph one of them again"
            )
    if too_few_share > TOO_FEW_LAMPS_SHARE:
        reasons.append(
            f"{100 * too_few_share:.1f} % of the plate is at white under all but two lamps; expose for a shorter time"
        )
    dark = [frame for frame in lit if frame["mean"] < HARDLY_LIT]
    if len(dark) > len(lit) / 4:
        reasons.append(f"{len(dark)} of {len(lit)} photographs hold hardly any light; expose for a longer time")
    reasons += [one.sentence for one in findings if one.retake]
    reasons += [text for one in remarks for text in one.reasons]
    warnings = [one.sentence for one in findings if not one.retake]
    warnings += [text for one in remarks for text in one.warnings]
    warnings += [f"{frame['file']}: {text}" for frame in frames for text in frame["warnings"]]
    if idle:
        warnings.append(f"lamps without a photograph of this field: {', '.join(idle)}")
    if condition is not None and condition > WIDE_CONDITION:
        warnings.append(f"the lamps stand close to one plane or one direction (condition number {condition:.0f})")
    if not shifts_known:
        warnings.append("no detail common to the photographs was found, so whether they moved is not known")
    verdict = RETAKE if reasons else WARNED if warnings else READY
    return verdict, reasons, warnings


def frame_warnings(frame: Mapping[str, Any], usual_sharpness: float) -> list[str]:
    """What is doubtful about one lit photograph."""
    found = []
    if frame["clipped_fraction"] > MANY_CLIPPED:
        found.append(f"{100 * frame['clipped_fraction']:.1f} % of the pixels are at white")
    if frame["mean"] < HARDLY_LIT:
        found.append("hardly any light; did the lamp fire?")
    elif frame["sharpness"] * BLURRED**2 < usual_sharpness:
        found.append("much less sharp than the others; was the table touched?")
    return found
