"""Which cause is the most likely, and the sentences that say why.

A line's cause has a probability (`model.py`); areas, spots and raisings are told by plain rules, whose confidence grows
with the depth over its uncertainty. The limits below stand in sentences only. Sources of the rules: common practice of
describing intaglio plates (burin lines are V-shaped with the burr scraped off; etched lines have rounded or flat floors
and no ridges; a scratch pushes metal aside), and the terms of ISO 8785.
"""

import math
from dataclasses import dataclass

import numpy as np

from lightdome.marks.line_facts import FACTS
from lightdome.marks.measured import Line
from lightdome.marks.model import LAND, LineModel, line_models, ranked
from lightdome.marks.records import Section
from lightdome.marks.sections import LEAST_WIDTH_PX, steepness_doubt
from lightdome.units import UM_PER_MM

PUSHED, REMOVED = 0.45, 0.8
"""Removed fractions at which a groove is surely pushed aside, and surely taken out (ridge/depth 0.52 and 0.32)."""
V_FLOOR, FLAT_FLOOR = 0.35, 0.65
"""Floor ratios (width at 80 % over width at 20 % of the depth): a V has 0.25, a rounded groove 0.5, a rectangle 1."""
LEAST_CHANCE, LEAST_MARGIN = 0.5, 0.1
"""Probability of the likeliest cause, and its lead over the next, from which a cause counts as decided."""
REASONS = 4
TAPERED, BLUNT = 0.5, 0.75
"""Section area near the ends over that in the middle: a burin swells and tapers, a bitten line is even."""


@dataclass(frozen=True)
class Verdict:
    """The most likely class, its confidence, and the evidence."""

    class_name: str
    confidence: float
    evidence: tuple[str, ...]
    decided: bool = True


def ramp(value: float, low: float, high: float, u: float = 0.0) -> float:
    """0 below `low`, 1 above `high`, straight between; widened on both sides by the standard uncertainty."""
    return float(np.clip((value - low + u) / (high - low + 2 * u), 0, 1))


def judge_line(line: Line, pitch_mm: float) -> Verdict | None:
    """Most likely cause of a long recession; None where it is most likely no line at all."""
    model = line_models()[0 if line.resolved else 1]
    chances = model.probabilities(line.facts)
    best = max(chances, key=lambda name: chances[name])
    if best == LAND:
        return None
    # a line that is there has a cause
    there = {name: chance / (1 - chances[LAND]) for name, chance in chances.items() if name != LAND}
    (best, chance), (other, next_chance) = ranked(there)[:2]
    decided = chance >= LEAST_CHANCE and chance - next_chance >= LEAST_MARGIN
    evidence = [*_section_sentences(line, pitch_mm), *_path_sentences(line)]
    evidence.append(_odds_sentence(line, model, best, other))
    shares = ", ".join(f"{name} {value:.2f}" for name, value in ranked(there))
    evidence.append(f"Probabilities: {shares}." if decided else f"Not decided. Probabilities: {shares}.")
    return Verdict(best, round(chance, 3), tuple(evidence), decided)


def _section_sentences(line: Line, pitch_mm: float) -> list[str]:
    section = line.section
    if section is None:
        return [
            f"Along {100 * line.trace.glint_share:.0f} % of it the light of a pixel needs more than one slope, as at"
            " the walls of a line narrower than a pixel; only its presence and length are measured, and no width or"
            " depth is given."
        ]
    found = [_size_sentence(section, pitch_mm, line.resolved)]
    if line.resolved and steepness_doubt(section.wall_angle_deg) > 0:
        found.append(
            "Its walls are nearly as steep as the lamps can show: it may be deeper and narrower than measured, and the"
            f" uncertainties hold {100 * steepness_doubt(section.wall_angle_deg):.0f} % of the depth for that."
        )
    if line.resolved:
        found += [_ridge_sentence(section), _floor_sentence(section)]
        if np.isfinite(section.edge_variation):
            found.append(
                f"Its edges wander by {100 * section.edge_variation:.1f} % of its width, its depth varies by"
                f" {100 * section.depth_variation:.0f} % (robust standard deviations along it)."
            )
    if np.isfinite(section.end_share):
        found.append(_end_sentence(section))
    return found


def _path_sentences(line: Line) -> list[str]:
    found = []
    if line.facts["both"]:
        found.append("It runs over etched areas and land alike, ignoring the picture.")
    bend = line.facts["bend"]
    if np.isfinite(bend):
        found.append(f"It leaves a straight line or slow arc by {100 * np.exp(bend):.1f} % of its length.")
    if line.facts["parallel"]:
        found.append(f"{round(np.expm1(line.facts['parallel']))} lines run beside it in its direction.")
    if np.isfinite(line.facts["gloss"]):
        ratio = np.exp(line.facts["gloss"])
        found.append(f"The lobe of its floor is {ratio:.2f} times as wide as that of the land beside.")
    return found


def _odds_sentence(line: Line, model: LineModel, best: str, other: str) -> str:
    """The numbers that weigh most between the two likeliest causes."""
    reasons = model.reasons(line.facts, best, other)[:REASONS]
    said = "; ".join(
        f"{FACTS[name]} ({line.facts[name]:.2f}) times {np.exp(np.clip(added, -9, 9)):.2g}" for name, added in reasons
    )
    return f"Odds of {best} over {other}: {said}."


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


def _ridge_sentence(section: Section) -> str:
    share = max(section.burr_left_um, section.burr_right_um) / section.depth_um
    f = section.removed_fraction
    if f < PUSHED:
        what = f"under {PUSHED}: metal was pushed aside"
    elif f > REMOVED:
        what = f"over {REMOVED}: metal was taken out"
    else:
        what = f"between {PUSHED} (pushed aside) and {REMOVED} (taken out): undecided"
    return (
        f"The higher ridge beside it is {share:.2f} of its depth and the removed fraction is {f:.2f}"
        f" (u = {section.u_removed_fraction:.2f}), {what}."
    )


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
