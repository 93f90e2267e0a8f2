"""One section as a curve: where the surface beside lies, how wide and deep the groove is, what its ridges hold."""

from dataclasses import dataclass

import numba
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

LEVELS = (MOUTH_LEVEL, 0.2, 0.5, 0.8)
"""Shares of the depth at which the walls are crossed."""
DEPTH, CENTRE, WIDTH, MOUTH, REACH, FLOOR, BRIM, BURR_LEFT, BURR_RIGHT, WALL, REMOVED, CUT_OUT, LEVEL, TILT, SPREAD = (
    range(15)
)
NUMBERS = 15
"""Places of what is measured of a section in the arrays of the kernels."""


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
    seen = _shape(x, z, float(guess_px), float(rough_um))
    if np.isnan(seen[DEPTH]):
        return None
    depth, rule = float(seen[DEPTH]), "bottom"
    if seen[FLOOR] >= A1_FLOOR_PX:
        d = groove_depth_a1(x - seen[CENTRE], z, float(seen[WIDTH]))
        if np.isfinite(d) and d > 0:
            depth, rule = d, "A1"
    return Shape(
        centre_px=float(seen[CENTRE]),
        level_um=seen[LEVEL] + seen[TILT] * x,
        beside_um=float(seen[SPREAD]),
        width_px=float(seen[WIDTH]),
        mouth_px=float(seen[MOUTH]),
        reach_px=2 * float(seen[REACH]),
        depth_um=depth,
        rule=rule,
        burr_left_um=float(seen[BURR_LEFT]),
        burr_right_um=float(seen[BURR_RIGHT]),
        wall_um_per_px=float(seen[WALL]),
        removed_fraction=float(seen[REMOVED]),
        removed_area_um_px=float(seen[CUT_OUT]),
        floor_ratio=float(seen[FLOOR] / max(seen[BRIM], 1e-9)),
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


@numba.njit(cache=True)
def _shape(x: np.ndarray, z: np.ndarray, guess_px: float, rough_um: float) -> np.ndarray:
    """Numbers of one section by the places above; NaN where there is no groove."""
    seen = np.full(NUMBERS, np.nan)
    foot = 0.85 * guess_px + 1.0
    for _ in range(3):
        level, tilt, spread = _surface_beside(x, z, foot, rough_um)
        p = z - level - tilt * x
        seen[DEPTH] = np.nan
        _walls(x, p, guess_px, SEEN_SIGMA * spread, seen)
        if np.isnan(seen[DEPTH]):
            return seen
        seen[LEVEL], seen[TILT], seen[SPREAD] = level, tilt, spread
        foot = min(max(seen[REACH] + 0.5, 0.6 * seen[WIDTH]), 0.75 * x[-1])
    return seen


@numba.njit(cache=True)
def _surface_beside(x: np.ndarray, z: np.ndarray, foot: float, rough_um: float) -> tuple[float, float, float]:
    """Offset and slope of what lies beside the groove, beyond `foot`, and the standard deviation about it.

    Only heights near zero count: what lies off belongs to other marks. Where they crowd on one side or on both, the
    offset alone is taken, or nothing.
    """
    lowest = np.inf
    for i in range(len(x)):
        if abs(x[i]) <= foot:
            lowest = min(lowest, z[i])
    limit = max(CLIP_SIGMA * rough_um, BESIDE_SHARE * -lowest)
    used = (np.abs(x) >= foot) & (np.abs(z) <= limit)
    left, right = 0, 0
    for i in range(len(x)):
        if used[i]:
            if x[i] < 0:
                left += 1
            elif x[i] > 0:
                right += 1
    step = x[1] - x[0]
    if min(left, right) * step < LEAST_SIDE_PX:
        offset = np.median(z[used]) if (left + right) * step >= LEAST_SIDE_PX else 0.0
        return offset, 0.0, rough_um
    tilt, level = _straight_line(x[used], z[used])
    return level, tilt, np.std(z[used] - level - tilt * x[used])


@numba.njit(cache=True)
def _straight_line(x: np.ndarray, z: np.ndarray) -> tuple[float, float]:
    """Slope and value at 0 of the least-squares line."""
    x_mean, z_mean = x.mean(), z.mean()
    spread = ((x - x_mean) ** 2).sum()
    slope = ((x - x_mean) * (z - z_mean)).sum() / spread if spread > 0 else 0.0
    return slope, z_mean - slope * x_mean


@numba.njit(cache=True)
def _crossing(x: np.ndarray, p: np.ndarray, start: int, step: int, level: float) -> float:
    """Offset where the section first rises to `level`, walking from `start`; NaN where it never does."""
    index = start
    while 0 <= index + step < len(p):
        if p[index + step] >= level:
            share = (level - p[index]) / (p[index + step] - p[index])
            return x[index] + share * (x[index + step] - x[index])
        index += step
    return np.nan


@numba.njit(cache=True)
def _highest(x: np.ndarray, p: np.ndarray, start: int, side: int) -> float:
    """Offset of the highest place on one side."""
    best = start
    index = start
    while 0 <= index < len(p):
        if p[index] > p[best]:
            best = index
        index += side
    return x[best]


@numba.njit(cache=True)
def _walls(x: np.ndarray, p: np.ndarray, guess_px: float, least_um: float, seen: np.ndarray) -> None:
    """Levels crossed by both walls of a groove in heights `p` above the surface beside; ridges above `least_um`."""
    bottom = -1
    for i in range(len(x)):
        if abs(x[i]) <= max(guess_px, 2.0) * 0.75 and (bottom < 0 or p[i] < p[bottom]):
            bottom = i
    depth = -p[bottom]
    if depth <= 0:
        return
    at = np.empty((4, 2))
    for k in range(4):
        for side in range(2):
            at[k, side] = _crossing(x, p, bottom, 2 * side - 1, -LEVELS[k] * depth)
            if np.isnan(at[k, side]):
                if k > 0:
                    return
                # where another mark lies close, the wall ends below the surface
                at[k, side] = _highest(x, p, bottom, 2 * side - 1)
    seen[DEPTH] = depth
    seen[CENTRE] = (at[2, 0] + at[2, 1]) / 2
    width = at[2, 1] - at[2, 0]
    seen[WIDTH] = width
    seen[FLOOR] = at[3, 1] - at[3, 0]
    seen[BRIM] = at[1, 1] - at[1, 0]
    mouth = np.empty(2)
    piled, reach = 0.0, 0.0
    for side in range(2):
        sign = 2 * side - 1
        # where another mark takes over, a wall never reaches the surface: a V reaches it one width from its centre
        mouth[side] = seen[CENTRE] + sign * min(abs(at[0, side] - seen[CENTRE]), FARTHEST_EDGE * width)
        height, area, foot = _ridge(x, p, mouth[side], sign, width, max(least_um, MOUTH_LEVEL * depth))
        seen[BURR_LEFT + side] = height
        piled += area
        reach = max(reach, abs(foot - seen[CENTRE]))
    step = x[1] - x[0]
    cut_out = 0.0
    for i in range(len(x)):
        if mouth[0] - step <= x[i] <= mouth[1] + step:
            cut_out += max(-p[i], 0.0) * step
    seen[MOUTH] = mouth[1] - mouth[0]
    seen[REACH] = reach
    seen[WALL] = (_wall_slope(x, p, at, 0, depth) + _wall_slope(x, p, at, 1, depth)) / 2
    seen[REMOVED] = 1 - piled / cut_out if cut_out > 0 else np.nan
    seen[CUT_OUT] = cut_out


@numba.njit(cache=True)
def _ridge(
    x: np.ndarray, p: np.ndarray, edge: float, side: int, width: float, least_um: float
) -> tuple[float, float, float]:
    """Height, area and outer foot of the ridge that begins at the groove's edge and peaks within a width of it."""
    peak = -1
    for i in range(len(x)):
        beyond = (x[i] - edge) * side
        if 0 <= beyond <= max(width, 2.0) and (peak < 0 or p[i] > p[peak]):
            peak = i
    if peak < 0:
        return 0.0, 0.0, edge
    height = p[peak]
    if height <= least_um:
        return max(height, 0.0), 0.0, edge
    foot = _crossing(x, -p, peak, side, -least_um)
    farthest = edge + side * max(LONGEST_RIDGE * width, 2.0)
    if np.isnan(foot) or (foot - farthest) * side > 0:
        foot = farthest
    area = 0.0
    for i in range(len(x)):
        if (x[i] - edge) * side >= 0 and (foot - x[i]) * side >= 0:
            area += max(p[i], 0.0)
    return height, area * (x[1] - x[0]), foot


@numba.njit(cache=True)
def _wall_slope(x: np.ndarray, p: np.ndarray, at: np.ndarray, side: int, depth: float) -> float:
    """Steepness of one wall between 20 and 80 % of the depth, um per pixel, by a straight line."""
    low, high = min(at[3, side], at[1, side]), max(at[3, side], at[1, side])
    wall = (x >= low) & (x <= high)
    if wall.sum() < 3:
        return 0.6 * depth / max(high - low, 1e-9)
    return abs(_straight_line(x[wall], p[wall])[0])
