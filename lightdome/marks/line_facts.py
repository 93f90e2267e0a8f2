"""The numbers from which the cause of a line is told; each is one a practitioner would look at."""

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from lightdome.marks.crossings import dense
from lightdome.marks.records import Section, Trace
from lightdome.marks.sections import stations

FACTS = {
    "burr_lower": "height of the lower ridge over the depth",
    "wall": "steepness of the walls, degrees",
    "fullness": "depth over that of a V of the same width and walls",
    "taper": "area of the section near the ends over that of the middle",
    "width_variation": "logarithm of the spread of the width along the line over the width",
    "depth_variation": "logarithm of the spread of the depth along the line over the depth",
    "edge": "logarithm of how far the edges wander over the width",
    "bend": "logarithm of the distance from a straight line or slow arc, over the length",
    "both": "runs over etched areas and land alike",
    "inside": "lies in etched areas",
    "parallel": "logarithm of one and the number of lines that run beside it",
    "gloss": "logarithm of the roughness of its floor over that of the land beside",
    "keel": "logarithm of the doubt about the slope in its middle over that on its walls",
    "rim": "logarithm of the doubt about the slope just outside its mouth over that of the land",
    "ridged": "height of the higher ridge over itself and a sixteenth of the depth",
    "flat": "how flat its floor is, from 0 for a floor ratio of 0.35 to 1 for one of 0.65",
    "glint": "share of its length where one slope does not explain the light",
    "shine": "logarithm of how far it stands out of the noise there",
    "stands_out": "logarithm of its depth over the roughness of the land",
}
"""What each number is; the logarithms are natural."""
LEAST_RATIO = 0.003
"""Smallest ratio that a logarithm is taken of."""
BOTH_SHARE = 0.1
MOSTLY = 0.5
BESIDE_PX = 3.0
"""From the outer foot of the ridges to the middle of the land that is compared."""
RIM_PX = 1.0
LEAST_PLACES = 6
RIDGED = 0.06
CLOSED = 0.3
"""Of its length: a line whose ends lie nearer to each other runs round."""
PARALLEL_DEG = 6.0
PARALLEL_WIDTHS = 8.0
PARALLEL_PX = 24.0
PARALLEL_SHARE = 0.3
PARALLEL_STEP = 8
"""Every so many pixels a line looks for others beside it: a third of what they may be away."""


def facts_of(
    trace: Trace,
    section: Section | None,
    inside_share: float,
    roughness: np.ndarray,
    u_tilt_deg: np.ndarray,
    parallel: int,
    land_um: float,
) -> dict[str, float]:
    """The numbers of one line by the names in `FACTS`; NaN where they are not known.

    inside_share : share of the line inside etched areas. roughness : (rows, columns) of the lobe, NaN where unknown.
    u_tilt_deg : (rows, columns), uncertainty of the tilt, which rises where a pixel holds two slopes, as in a V.
    parallel : how many lines run beside it. land_um : standard deviation of the land at the scale of the line.
    """
    facts = dict.fromkeys(FACTS, float("nan"))
    facts["bend"] = _log(_departure(trace.points_px))
    facts["both"] = float(BOTH_SHARE <= inside_share <= 1 - BOTH_SHARE)
    facts["inside"] = float(inside_share > 1 - BOTH_SHARE)
    facts["parallel"] = float(np.log1p(parallel))
    facts["glint"] = trace.glint_share
    if trace.glint_strength > 0:
        facts["shine"] = float(np.log(trace.glint_strength))
    if section is None:
        return facts
    ridges = (section.burr_left_um, section.burr_right_um)
    higher, lower = (_seen(ridge, section.u_burr_um) / section.depth_um for ridge in (max(ridges), min(ridges)))
    facts["burr_lower"] = float(np.clip(lower, 0, 2))
    facts["stands_out"] = float(np.log(max(section.depth_um / max(land_um, 1e-6), 1e-3)))
    facts["wall"] = section.wall_angle_deg
    of_v_um = section.width_px * section.wall_um_per_px
    facts["fullness"] = float(np.clip(section.depth_um / max(of_v_um, 1e-9), 0, 2))
    facts["taper"] = float(np.clip(section.end_share, 0, 1.5))
    facts["width_variation"] = _log(section.width_variation)
    facts["depth_variation"] = _log(section.depth_variation)
    facts["edge"] = _log(section.edge_variation)
    facts["ridged"] = higher / (higher + RIDGED)
    facts["flat"] = _ramp(section.sharp_floor_ratio, 0.35, 0.65)
    facts["gloss"] = _gloss(trace, section, roughness)
    facts["keel"], facts["rim"] = _doubts(trace, section, u_tilt_deg)
    return facts


def _seen(ridge_um: float, u_um: float) -> float:
    """What counts of a ridge: nothing within its standard uncertainty, nearly all of it from three of them on."""
    return ridge_um * float(1 - np.exp(-0.5 * (max(ridge_um / max(u_um, 1e-9) - 1, 0)) ** 2))


def _ramp(value: float, low: float, high: float) -> float:
    return float(np.clip((value - low) / (high - low), 0, 1)) if np.isfinite(value) else float("nan")


def _log(ratio: float) -> float:
    return float(np.log(max(ratio, LEAST_RATIO))) if np.isfinite(ratio) else float("nan")


def _departure(points_px: np.ndarray) -> float:
    """Root mean square distance from the best parabola over the chord; 1 where it runs round, NaN if short."""
    points = dense(points_px)
    chord = points[-1] - points[0]
    length = max(float(np.linalg.norm(chord)), 1e-9)
    if length < CLOSED * len(points):  # a frame or a ring: it keeps to no line and no slow arc
        return 1.0
    along = (points - points[0]) @ chord / length
    across = ((points - points[0]) @ np.array([-chord[1], chord[0]])) / length
    if len(points) < 4 or np.ptp(along) < 3:
        return float("nan")
    # about the middle and to the size of 1, so that the fit keeps its digits
    t = (along - along.mean()) / length
    off = across - np.polyval(np.polyfit(t, across, 2), t)
    return float(np.sqrt((off**2).mean())) / length


def _gloss(trace: Trace, section: Section, roughness: np.ndarray) -> float:
    """Logarithm of the roughness of the floor over that of the land on both sides."""
    foot = section.reach_px / 2 + BESIDE_PX
    floor = [share * section.width_px for share in (-0.15, 0.0, 0.15)]
    beside = [side * (foot + away) for side in (-1, 1) for away in (0.0, 1.5)]
    middle, land = _medians(trace, section, roughness, (floor, beside))
    return float(np.log(middle / land))


def _doubts(trace: Trace, section: Section, u_tilt_deg: np.ndarray) -> tuple[float, float]:
    """Keel and rim, see `FACTS`."""
    wall, mouth, foot = section.width_px / 2, section.mouth_px / 2, section.reach_px / 2
    land = foot + 2 * BESIDE_PX
    places = ([0.0], [-wall, wall], [-mouth - RIM_PX, mouth + RIM_PX], [-land, -land - 1.5, land, land + 1.5])
    middle, walls, rim, beside = _medians(trace, section, u_tilt_deg, places)
    return float(np.log(middle / walls)), float(np.log(rim / beside))


def _medians(trace: Trace, section: Section, values: np.ndarray, offsets_px: Sequence[Sequence[float]]) -> list[float]:
    """Median of what is known and above zero along a line, at each set of offsets across it; NaN for too few."""
    places, right = stations(trace.points_px, section.width_px)

    def read(offset_px: float) -> np.ndarray:
        at = np.rint(places + offset_px * right).astype(int)
        inside = ((at >= 0) & (at < values.shape)).all(axis=1)
        seen = values[at[inside, 0], at[inside, 1]]
        return seen[np.isfinite(seen) & (seen > 0)]

    found = [np.concatenate([read(offset) for offset in some]) for some in offsets_px]
    return [float(np.median(seen)) if len(seen) >= LEAST_PLACES else float("nan") for seen in found]


def parallel_lines(traces: Sequence[Trace]) -> list[set[int]]:
    """For each line, the others that run beside it, within eight widths (24 pixels at least), in its direction."""
    beside: list[set[int]] = [set() for _ in traces]
    if len(traces) < 2:
        return beside
    points = [dense(trace.points_px)[::PARALLEL_STEP] for trace in traces]
    owner = np.repeat(np.arange(len(traces)), [len(part) for part in points])
    ahead = np.concatenate([directions(part) for part in points])
    where = np.concatenate(points)
    reach = np.array([max(PARALLEL_WIDTHS * trace.width_px, PARALLEL_PX) for trace in traces])
    tree = cKDTree(where)
    for index, part in enumerate(points):
        own = np.flatnonzero(owner == index)
        near = tree.query_ball_point(where[own], reach[index])
        met: dict[int, int] = {}
        for place, others in zip(own, near, strict=True):
            others = np.array(others)
            others = others[owner[others] != index]
            along = np.abs(ahead[others] @ ahead[place]) >= np.cos(np.radians(PARALLEL_DEG))
            for other in np.unique(owner[others[along]]):
                met[int(other)] = met.get(int(other), 0) + 1
        beside[index] = {other for other, count in met.items() if count >= PARALLEL_SHARE * len(part)}
    return beside


def directions(points: np.ndarray) -> np.ndarray:
    """Unit directions (n, 2) at the points of a path."""
    way = np.gradient(points, axis=0) if len(points) > 1 else np.ones((1, 2))
    return way / np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]
