"""Which cause is the most likely, by plain rules, and the sentences that say why.

Every rule turns one measured number into a degree between 0 and 1 on a ramp; the ramps widen with the standard
uncertainty of the number. Confidence is the winner's share of the degrees: a margin, not a calibrated probability.
Sources of the rules: common practice of describing intaglio plates (burin lines are V-shaped with the burr scraped off;
etched lines have rounded or flat floors and no ridges; a scratch pushes metal aside), and the terms of ISO 8785.
"""

import math
from dataclasses import dataclass

import numpy as np

from lightdome.marks.records import Section
from lightdome.marks.sections import LEAST_WIDTH_PX
from lightdome.units import UM_PER_MM

PUSHED, REMOVED = 0.45, 0.8
"""Removed fractions at which a groove is surely pushed aside, and surely taken out (ridge/depth 0.52 and 0.32)."""
V_FLOOR, FLAT_FLOOR = 0.35, 0.65
"""Floor ratios (width at 80 % over width at 20 % of the depth): a V has 0.25, a rounded groove 0.5, a rectangle 1."""
BOTH_SHARE = 0.1
"""A line runs over picture and land alike when at least this share of it lies in each."""
CONTEXT_WEIGHT = 0.8
SIGNIFICANT = 3.0
"""A depth, or a ridge, counts in full when it exceeds this many standard deviations."""
FLOOR_BLURRED_PX, FLOOR_SHARP_PX = 6.0, 12.0
"""Full widths under which the pixel hides the floor's shape, and over which it counts in full."""
TAPERED, BLUNT = 0.5, 0.75
"""Section area near the ends over that in the middle: a burin swells and tapers, a bitten line is even."""


@dataclass(frozen=True)
class Verdict:
    """The most likely class, its confidence, and the evidence."""

    class_name: str
    confidence: float
    evidence: tuple[str, ...]


def ramp(value: float, low: float, high: float, u: float = 0.0) -> float:
    """0 below `low`, 1 above `high`, straight between; widened on both sides by the standard uncertainty."""
    return float(np.clip((value - low + u) / (high - low + 2 * u), 0, 1))


def judge_line(section: Section, pitch_mm: float, in_area: float, straightness: float) -> Verdict:
    """Most likely cause of a long recession.

    in_area : share of the line that lies inside etched areas. straightness : largest distance from the chord over the
    chord's length. Each in 0-1.
    """
    resolved = section.full_width_px >= LEAST_WIDTH_PX
    f = section.removed_fraction
    seen = max(section.burr_left_um, section.burr_right_um) / max(section.u_burr_um, 1e-9)
    pushed = (1 - ramp(f, PUSHED, REMOVED, section.u_removed_fraction)) * ramp(seen, 1.0, SIGNIFICANT)
    both = BOTH_SHARE <= in_area <= 1 - BOTH_SHARE
    scratched = max(pushed, CONTEXT_WEIGHT * (1 - ramp(f, REMOVED, 1.0)) if both else 0.0)
    tooled = _tool_degree(section)
    degrees = {
        "scratch": scratched,
        "etched": (1 - scratched) * (1 - tooled),
        "tooled": (1 - scratched) * tooled,
    }
    best = max(degrees, key=lambda name: degrees[name])
    confidence = degrees[best] / sum(degrees.values()) * (1.0 if resolved else 0.7)
    evidence = [_size_sentence(section, pitch_mm, resolved), _ridge_sentence(section, resolved)]
    if resolved:
        evidence.append(_floor_sentence(section))
    if np.isfinite(section.end_share):
        evidence.append(_end_sentence(section))
    if both:
        evidence.append(
            f"It runs over etched areas ({100 * in_area:.0f} % of its length) and land alike, ignoring the picture."
        )
    if best == "scratch" and straightness < 0.05:
        evidence.append(
            f"It keeps its direction: it leaves its chord by {100 * straightness:.1f} % of the chord at most."
        )
    if best == "etched" and resolved:
        evidence.append(
            f"Its width varies by {100 * section.width_variation:.0f} % along it (robust standard deviation)."
        )
    return Verdict(best, round(confidence, 3), tuple(evidence))


def _size_sentence(section: Section, pitch_mm: float, resolved: bool) -> str:
    um = pitch_mm * UM_PER_MM
    if not resolved:
        return (
            f"It is narrower than 3 pixels ({LEAST_WIDTH_PX * um:.0f} µm), so only its presence and length are measured"
            " and no width or depth is given."
        )
    if section.depth_rule == "A1":
        how = "ISO 5436-1 type A1: central third of the floor against the surface beside"
    else:
        how = "from the surface beside to the lowest point of the mean section"
    return (
        f"Depth {section.depth_um:.1f} µm (u = {section.u_depth_um:.1f} µm; {how}),"
        f" width {section.width_px * um:.0f} µm at half depth (u = {section.u_width_px * um:.0f} µm),"
        f" walls {section.wall_angle_deg:.0f} degrees,"
        f" over {section.stations} sections."
    )


def _ridge_sentence(section: Section, resolved: bool) -> str:
    share = max(section.burr_left_um, section.burr_right_um) / section.depth_um
    f = section.removed_fraction
    if f < PUSHED:
        what = f"under {PUSHED}: metal was pushed aside"
    elif f > REMOVED:
        what = f"over {REMOVED}: metal was taken out"
    else:
        what = f"between {PUSHED} (pushed aside) and {REMOVED} (taken out): undecided"
    blurred = "" if resolved else ", both as blurred by the pixel"
    return (
        f"The higher ridge beside it is {share:.2f} of its depth and the removed fraction is {f:.2f}"
        f" (u = {section.u_removed_fraction:.2f}), {what}{blurred}."
    )


def _tool_degree(section: Section) -> float:
    """How much a groove without ridges looks cut (1) rather than bitten (0), from its floor and its ends.

    A line too short to tell its ends counts them as even evidence.
    """
    floor = 1 - ramp(section.floor_ratio, V_FLOOR, FLAT_FLOOR)
    ends = 0.5 if np.isnan(section.end_share) else 1 - ramp(section.end_share, TAPERED, BLUNT)
    sharp = ramp(section.full_width_px, FLOOR_BLURRED_PX, FLOOR_SHARP_PX)
    return sharp * (floor + ends) / 2 + (1 - sharp) * ends


def _end_sentence(section: Section) -> str:
    share = section.end_share
    if share < TAPERED:
        what = f"under {TAPERED}: it tapers as a burin line does"
    elif share > BLUNT:
        what = f"over {BLUNT}: its ends are blunt"
    else:
        what = f"between tapering ({TAPERED}) and blunt ({BLUNT})"
    return f"Its section near the ends has {share:.2f} of the area of the middle, {what}."


def _floor_sentence(section: Section) -> str:
    ratio = section.floor_ratio
    if ratio < V_FLOOR:
        what = f"under {V_FLOOR}: a V section"
    elif ratio > FLAT_FLOOR:
        what = f"over {FLAT_FLOOR}: a flat floor"
    else:
        what = f"between a V ({V_FLOOR}) and a flat floor ({FLAT_FLOOR})"
    return f"The width at 80 % of the depth is {ratio:.2f} of that at 20 %, {what}."


def judge_raised_line(section: Section, pitch_mm: float) -> Verdict:
    """A long raising: metal or matter that stands above the land."""
    if section.full_width_px < LEAST_WIDTH_PX:
        return Verdict(
            "deposit", 0.4, (_size_sentence(section, pitch_mm, False), "It stands above the surface beside.")
        )
    um = pitch_mm * UM_PER_MM
    sentence = (
        f"It stands {section.depth_um:.1f} µm above the surface beside (u = {section.u_depth_um:.1f} µm),"
        f" {section.width_px * um:.0f} µm wide at half height."
    )
    return Verdict("deposit", _significance(section.depth_um, section.u_depth_um), (sentence,))


def judge_area(depth_um: float, u_depth_um: float, grain_ratio: float, area_mm2: float) -> Verdict:
    """An area wider than any line, below the surface beside."""
    sentence = (
        f"An area of {area_mm2:.2f} mm² lies {depth_um:.1f} µm (u = {u_depth_um:.1f} µm) below the surface beside its"
        " wall (ISO 8785)."
    )
    grain = f"Its floor is {grain_ratio:.1f} times as rough as the land beside"
    grain += ": bitten." if grain_ratio >= 1.5 else ", so its roughness does not tell how it was lowered."
    confidence = _significance(depth_um, u_depth_um) * (0.6 + 0.4 * ramp(grain_ratio, 1.0, 3.0))
    return Verdict("etched", round(confidence, 3), (sentence, grain))


def judge_spot(depth_um: float, u_depth_um: float, across_um: float, axes_ratio: float) -> Verdict:
    """A compact recession (pit) or raising (deposit: negative depth)."""
    name, where = ("pit", "below") if depth_um >= 0 else ("deposit", "above")
    sentence = (
        f"A spot {across_um:.0f} µm across, {axes_ratio:.1f} times as long as wide, lies {abs(depth_um):.1f} µm"
        f" (u = {u_depth_um:.1f} µm) {where} the surface beside."
    )
    compact = 1 - 0.5 * ramp(axes_ratio, 1.5, 2.5)
    return Verdict(name, round(_significance(abs(depth_um), u_depth_um) * compact, 3), (sentence,))


def _significance(depth_um: float, u_depth_um: float) -> float:
    """0 at no depth, 0.95 at three standard deviations (the error function: a normal error)."""
    return round(min(0.99, math.erf(depth_um / max(u_depth_um, 1e-9) / 2.2)), 3)
