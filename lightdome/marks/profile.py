"""One section as a curve: where the surface beside lies, how wide and deep the groove is, what its ridges hold."""

from dataclasses import dataclass

import numpy as np

MOUTH_LEVEL = 0.05
"""Share of the depth at which a wall counts as having reached the surface beside."""
A1_FLOOR_PX = 9.0
LEAST_KNOWN = 0.7
CLIP_SIGMA = 4.0
BESIDE_SHARE = 0.1
"""Of the depth: heights beside that lie farther off belong to other marks."""
LEAST_SIDE_PX = 2.0
SEEN_SIGMA = 2.0
"""A ridge stands out when it is higher than this many standard deviations of the section beside."""
FARTHEST_EDGE = 1.25
LONGEST_RIDGE = 1.6
"""Of the width at half depth: a ridge that holds all the metal of a V groove is 1.4 widths long."""


@dataclass(frozen=True)
class Shape:
    """What one section shows; pixels across, um in height."""

    centre_px: float
    level_um: np.ndarray
    """The surface beside, at every offset."""
    beside_um: float
    """Standard deviation of the section beside the groove."""
    width_px: float
    mouth_px: float
    reach_px: float
    depth_um: float
    rule: str
    burr_left_um: float
    burr_right_um: float
    wall_um_per_px: float
    removed_fraction: float
    removed_area_um_px: float
    """Of the groove below the surface beside."""
    floor_ratio: float


def measure(section_um: np.ndarray, offsets_px: np.ndarray, guess_px: float, rough_um: float) -> Shape | None:
    """Shape of a groove whose bottom lies within `guess_px` of offset 0; None where there is none to be seen.

    section_um : (n,), um, above the surface that counts as beside, NaN where unknown. offsets_px : (n,), evenly spaced,
    pixels, ascending. rough_um : standard deviation of that surface.
    """
    known = np.isfinite(section_um)
    if known.mean() < LEAST_KNOWN:
        return None
    x = offsets_px
    z = np.interp(x, x[known], section_um[known])
    foot = 0.85 * guess_px + 1.0
    found = None
    for _ in range(3):
        level, spread = _surface_beside(x, z, foot, rough_um)
        found = _walls(x, z - level, guess_px, SEEN_SIGMA * spread)
        if found is None:
            return None
        foot = min(max(found["reach"] + 0.5, 0.6 * found["width"]), 0.75 * float(x[-1]))
    assert found is not None
    depth, rule = found["depth"], "bottom"
    if found["floor"] >= A1_FLOOR_PX:
        d = groove_depth_a1(x - found["centre"], z, found["width"])
        if np.isfinite(d) and d > 0:
            depth, rule = d, "A1"
    return Shape(
        centre_px=found["centre"],
        level_um=level,
        beside_um=spread,
        width_px=found["width"],
        mouth_px=found["mouth"],
        reach_px=2 * found["reach"],
        depth_um=depth,
        rule=rule,
        burr_left_um=found["burr_left"],
        burr_right_um=found["burr_right"],
        wall_um_per_px=found["wall"],
        removed_fraction=found["removed"],
        removed_area_um_px=found["cut_out"],
        floor_ratio=found["floor"] / max(found["brim"], 1e-9),
    )


def groove_depth_a1(x_px: np.ndarray, z_um: np.ndarray, width_px: float) -> float:
    """Depth d = 2h of a groove centred on x = 0, um, by ISO 5436-1 type A1; NaN where a stretch has no samples.

    Least squares of z = alpha x + beta + h delta over a stretch of three widths: delta = +1 on the surface beside, a
    third of a width away from the edges, and -1 on the central third of the groove.
    """
    away = np.abs(x_px)
    beside = (away >= width_px * (1 / 2 + 1 / 3)) & (away <= 1.5 * width_px)
    floor = away <= width_px / 6
    if min((beside & (x_px < 0)).sum(), (beside & (x_px > 0)).sum(), floor.sum()) < 3:
        return float("nan")
    used = beside | floor
    delta = np.where(beside, 1.0, -1.0)[used]
    A = np.stack([x_px[used], np.ones(used.sum()), delta], axis=1)
    return float(2 * np.linalg.lstsq(A, z_um[used], rcond=None)[0][2])


def _surface_beside(x: np.ndarray, z: np.ndarray, foot: float, rough_um: float) -> tuple[np.ndarray, float]:
    """What is left of slope and offset beside the groove, beyond `foot`, and the standard deviation about it.

    Only heights near zero count: what lies off belongs to other marks. Where they crowd on one side or on both, the
    offset alone is taken, or nothing.
    """
    limit = max(CLIP_SIGMA * rough_um, BESIDE_SHARE * -float(z[np.abs(x) <= foot].min()))
    used = (np.abs(x) >= foot) & (np.abs(z) <= limit)
    step = x[1] - x[0]
    sides = [used & (x < 0), used & (x > 0)]
    if min(side.sum() for side in sides) * step < LEAST_SIDE_PX:
        offset = float(np.median(z[used])) if used.sum() * step >= LEAST_SIDE_PX else 0.0
        return np.full(len(x), offset), rough_um
    slope, start = np.polyfit(x[used], z[used], 1)
    level = start + slope * x
    return level, float(np.std((z - level)[used]))


def _crossing(x: np.ndarray, p: np.ndarray, start: int, step: int, level: float) -> float | None:
    """Offset where the section first rises to `level`, walking from `start`; None where it never does."""
    index = start
    while 0 <= index + step < len(p):
        if p[index + step] >= level:
            share = (level - p[index]) / (p[index + step] - p[index])
            return float(x[index] + share * (x[index + step] - x[index]))
        index += step
    return None


def _highest(x: np.ndarray, p: np.ndarray, start: int, side: int) -> float:
    """Offset of the highest place on one side."""
    beyond = np.arange(start, len(x)) if side > 0 else np.arange(start, -1, -1)
    return float(x[beyond[np.argmax(p[beyond])]])


def _walls(x: np.ndarray, p: np.ndarray, guess_px: float, least_um: float) -> dict[str, float] | None:
    """Levels crossed by both walls of a groove in heights `p` above the surface beside; ridges above `least_um`."""
    inside = np.flatnonzero(np.abs(x) <= max(guess_px, 2.0) * 0.75)
    bottom = int(inside[np.argmin(p[inside])])
    depth = -float(p[bottom])
    if depth <= 0:
        return None
    at = {}
    for share in (MOUTH_LEVEL, 0.2, 0.5, 0.8):
        edges = [_crossing(x, p, bottom, side, -share * depth) for side in (-1, 1)]
        if share == MOUTH_LEVEL:  # where another mark lies close, the wall ends below the surface
            edges = [
                _highest(x, p, bottom, side) if edge is None else edge
                for edge, side in zip(edges, (-1, 1), strict=True)
            ]
        if edges[0] is None or edges[1] is None:
            return None
        at[share] = (edges[0], edges[1])
    centre = (at[0.5][0] + at[0.5][1]) / 2
    width = at[0.5][1] - at[0.5][0]
    # where another mark takes over, a wall never reaches the surface: a V reaches it one width from its centre
    mouth = [
        centre + side * min(abs(edge - centre), FARTHEST_EDGE * width)
        for edge, side in zip(at[MOUTH_LEVEL], (-1, 1), strict=True)
    ]
    ridges = [
        _ridge(x, p, edge, side, width, max(least_um, MOUTH_LEVEL * depth))
        for edge, side in zip(mouth, (-1, 1), strict=True)
    ]
    step = x[1] - x[0]
    groove = (x >= mouth[0] - step) & (x <= mouth[1] + step)
    cut_out = float(np.clip(-p[groove], 0, None).sum() * step)
    piled = sum(ridge[1] for ridge in ridges)
    return {
        "depth": depth,
        "centre": centre,
        "width": width,
        "floor": at[0.8][1] - at[0.8][0],
        "brim": at[0.2][1] - at[0.2][0],
        "mouth": mouth[1] - mouth[0],
        "reach": max(abs(ridge[2] - centre) for ridge in ridges),
        "burr_left": ridges[0][0],
        "burr_right": ridges[1][0],
        "wall": (_wall_slope(x, p, at, 0, depth) + _wall_slope(x, p, at, 1, depth)) / 2,
        "removed": 1 - piled / cut_out,
        "cut_out": cut_out,
    }


def _ridge(
    x: np.ndarray, p: np.ndarray, edge: float, side: int, width: float, least_um: float
) -> tuple[float, float, float]:
    """Height, area and outer foot of the ridge that begins at the groove's edge and peaks within a width of it."""
    beyond = (x - edge) * side
    near = np.flatnonzero((beyond >= 0) & (beyond <= max(width, 2.0)))
    if not len(near):
        return 0.0, 0.0, edge
    peak = int(near[np.argmax(p[near])])
    height = float(p[peak])
    if height <= least_um:
        return max(height, 0.0), 0.0, edge
    foot = _crossing(x, -p, peak, side, -least_um)
    farthest = edge + side * max(LONGEST_RIDGE * width, 2.0)
    foot = farthest if foot is None or (foot - farthest) * side > 0 else foot
    lobe = ((x - edge) * side >= 0) & ((foot - x) * side >= 0)
    return height, float(np.clip(p[lobe], 0, None).sum() * (x[1] - x[0])), foot


def _wall_slope(x: np.ndarray, p: np.ndarray, at: dict[float, tuple[float, float]], side: int, depth: float) -> float:
    """Steepness of one wall between 20 and 80 % of the depth, um per pixel, by a straight line."""
    low, high = sorted((at[0.8][side], at[0.2][side]))
    wall = (x >= low) & (x <= high)
    if wall.sum() < 3:
        return 0.6 * depth / max(high - low, 1e-9)
    return abs(float(np.polyfit(x[wall], p[wall], 1)[0]))
