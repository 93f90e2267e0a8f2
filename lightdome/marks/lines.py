"""Where a point lies lower (valley) or higher (ridge) than both of its sides, at several widths and directions.

The response of one width and direction is the smaller of the two rises from the line to its sides, of the height
smoothed along the line. It is a second difference across the line that does not answer to a step: the foot of an
etched wall rises on one side only. (Line detection by second derivatives at several scales: Lindeberg 1998, Steger
1998; the smaller of two sides: common practice, no source.)
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter, maximum_filter

DIRECTIONS = 12
NARROWEST_PX = 2.0
WIDEST_PX = 24.0
"""Wider lines are found as areas: a detector of w pixels must see about 4 w around."""
ACROSS_SIGMA = 0.25  # of the width: a groove of that width keeps 95 % of its depth
LEAST_SIGMA_PX = 0.7
SIDE = 0.8  # of the width: from the centre to the side, just beyond the wall
ALONG_SIGMA = 0.7  # of the width; tests/marks/test_lines.py: bends of a radius of two widths are still followed
LEAST_ALONG_PX = 2.0
HALF_SHARE = 0.25
"""Ahead and behind, the line must rise by this share of the whole, or a pit would grow into a line."""
REACH_SIGMAS = 2.5
CREST_PX = 4
CREST_SHARE = 0.3
"""Of the highest rise within CREST_PX: what rises less is an echo of that line, and would break it into branches."""


@dataclass(frozen=True)
class LineMaps:
    """Best answer at each pixel; `strength` is zero off the line's crest."""

    strength: np.ndarray
    """Rise over its noise."""
    scale: np.ndarray
    """Index of the width that answered."""


def line_widths_px(pitch_mm: float, widest_line_um: float) -> tuple[float, ...]:
    """Widths to look for, pixels: from two pixels up to the widest line, each twice the one before or less."""
    widest = min(max(widest_line_um / (pitch_mm * 1000.0), NARROWEST_PX), WIDEST_PX)
    count = max(1, math.ceil(math.log2(widest / NARROWEST_PX) - 1e-9) + 1)
    return tuple(float(width) for width in np.geomspace(NARROWEST_PX, widest, count))


def halo_px(widths_px: Sequence[float]) -> int:
    """How far the widest detector looks, with what the crest test looks at."""
    return max(_margin(width) for width in widths_px) + 1 + CREST_PX


def _margin(width_px: float) -> int:
    return math.ceil(4 * _across(width_px)) + _along_reach(width_px) + _side_px(width_px) + 3


def _across(width_px: float) -> float:
    return max(ACROSS_SIGMA * width_px, LEAST_SIGMA_PX)


def _along(width_px: float) -> float:
    return max(ALONG_SIGMA * width_px, LEAST_ALONG_PX)


def _along_reach(width_px: float) -> int:
    return math.ceil(REACH_SIGMAS * _along(width_px)) + 1


def _side_px(width_px: float) -> int:
    return math.ceil(SIDE * width_px) + 1


def rises(height_um: np.ndarray, width_px: float, keep_px: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Valley and ridge response of one width, um, one direction after the other.

    height_um : (rows, columns), um, finite. keep_px : how much of the halo the answers leave out on each side, so that
    they have shape (rows - 2 keep_px, columns - 2 keep_px); at least `halo_px` less five.
    Direction i runs at i x 180/12 degrees counter-clockwise from +x. Negative where a place is no valley (ridge), and
    -inf where it would be one only by its neighbours on one side along the line.
    """
    smooth = gaussian_filter(height_um, _across(width_px), mode="nearest").astype(np.float32)
    side = _side_px(width_px)
    offset = SIDE * width_px
    for index in range(DIRECTIONS):
        angle = math.pi * index / DIRECTIONS
        along = (-math.sin(angle), math.cos(angle))
        step = (round(-along[1] * offset), round(along[0] * offset))
        ahead, behind = _smooth_along(smooth, along, width_px, keep_px - side)
        both = _both_rises((ahead + behind) / 2, side, step)
        for half in (ahead, behind):
            for rise, part in zip(both, _both_rises(half, side, step), strict=True):
                rise[part < HALF_SHARE * rise] = -np.inf
        yield both


def _both_rises(values: np.ndarray, margin: int, step: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Smaller rise, and smaller fall, from each point to its two sides."""
    centre = _cut(values, margin, (0, 0))
    left = _cut(values, margin, step) - centre
    right = _cut(values, margin, (-step[0], -step[1])) - centre
    return np.minimum(left, right), -np.maximum(left, right)


def _smooth_along(
    values: np.ndarray, along: tuple[float, float], width_px: float, margin: int
) -> tuple[np.ndarray, np.ndarray]:
    """Gaussian mean over the half line ahead, and over the one behind; `margin` is cut off on each side."""
    sigma = _along(width_px)
    step = max(1.0, width_px / 4)  # the smoothing across has closed gaps of this size
    places = step * np.arange(math.floor(REACH_SIGMAS * sigma / step) + 1)
    weights = np.exp(-0.5 * (places / sigma) ** 2)
    weights[0] /= 2  # shared by both halves
    weights = (weights / weights.sum()).astype(np.float32)
    halves = np.zeros((2, values.shape[0] - 2 * margin, values.shape[1] - 2 * margin), np.float32)
    for half, sign in zip(halves, (1, -1), strict=True):
        for place, weight in zip(sign * places, weights, strict=True):
            half += weight * _cut(values, margin, (round(along[0] * place), round(along[1] * place)))
    return halves[0], halves[1]


def _cut(values: np.ndarray, margin: int, shift: tuple[int, int]) -> np.ndarray:
    """The middle of an array, seen from a shifted place."""
    rows, cols = values.shape
    return values[
        margin + shift[0] : rows - margin + shift[0],
        margin + shift[1] : cols - margin + shift[1],
    ]


def uncertainty_share(width_px: float) -> float:
    """What is left of the pixels' height uncertainty after the mean along the line, if it is white along it."""
    return 1 / math.sqrt(2 * math.sqrt(math.pi) * _along(width_px))


def line_maps(
    height_um: np.ndarray,
    u_height_um: np.ndarray,
    area: np.ndarray,
    known: np.ndarray,
    widths_px: Sequence[float],
    noise_um: np.ndarray,
    least_strength: float,
    keep_px: int,
) -> tuple[LineMaps, LineMaps]:
    """Crests of valleys and of ridges in one tile.

    height_um, u_height_um : (rows, columns), um, halo included, finite (zero where unknown). area, known : bool, same
    shape: inside an etched area; measured. noise_um : (2, widths, directions): of the response on land and in areas.
    least_strength : rise over noise below which nothing answers. keep_px : `halo_px(widths_px)`; answers have the shape
    without it. Lines are not looked for within a line's width of unknown pixels, nor inside an area so near its wall
    that the wall is the line's side.
    """
    margin = keep_px - CREST_PX  # more than asked, for the crest test
    inner = (slice(margin, -margin), slice(margin, -margin))
    in_area = area[inner]
    from_wall = distance_transform_edt(area)[inner] if area.any() else None
    from_unknown = None if known.all() else distance_transform_edt(known)[inner]
    best = [_Best(in_area.shape) for _ in range(2)]
    for scale, width in enumerate(widths_px):
        allowed = np.ones(in_area.shape, bool)
        if from_wall is not None:
            allowed &= ~in_area | (from_wall > _side_px(width))
        if from_unknown is not None:
            allowed &= from_unknown > width
        least = uncertainty_share(width) * u_height_um[inner]
        for index, both in enumerate(rises(height_um, width, margin)):
            noise = np.maximum(np.where(in_area, *noise_um[::-1, scale, index]), least)
            for rise, line in zip(both, best, strict=True):
                line.take(rise, rise / noise, allowed, least_strength, (scale, index))
    valley, ridge = best
    is_valley = valley.rise > ridge.rise  # a wide valley does not run along the ridge between two narrow ones
    return _crest(valley, is_valley), _crest(ridge, ~is_valley)


class _Best:
    """The detector that rises most at each pixel, of those that stand out of their noise.

    The rise tells the width: too narrow a detector stays inside the line, too wide a one dilutes it. The strength does
    not: the widest detector has the least noise and would win among crowded lines.
    """

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.rise = np.zeros(shape, np.float32)
        self.strength = np.zeros(shape, np.float32)
        self.scale, self.direction = np.zeros((2, *shape), np.uint8)

    def take(
        self, rise: np.ndarray, strength: np.ndarray, allowed: np.ndarray, least: float, which: tuple[int, int]
    ) -> None:
        better = allowed & (strength > least) & (rise > self.rise)
        self.rise[better] = rise[better]
        self.strength[better] = strength[better]
        self.scale[better], self.direction[better] = which


def _crest(best: _Best, wanted: np.ndarray) -> LineMaps:
    """Keep what rises most across its line (of the pixel and its two neighbours along the normal); drops CREST_PX."""
    core = _cut(best.rise, CREST_PX, (0, 0))
    direction = _cut(best.direction, CREST_PX, (0, 0))
    crest = np.zeros(core.shape, bool)
    for index in range(DIRECTIONS):
        angle = math.pi * index / DIRECTIONS
        step = (round(-math.cos(angle) * 1.2), round(-math.sin(angle) * 1.2))
        higher = (core > _cut(best.rise, CREST_PX, step)) & (core >= _cut(best.rise, CREST_PX, (-step[0], -step[1])))
        crest |= (direction == index) & higher
    around = maximum_filter(best.rise, 2 * CREST_PX + 1, mode="nearest")
    crest &= _cut(wanted, CREST_PX, (0, 0)) & (core >= CREST_SHARE * _cut(around, CREST_PX, (0, 0)))
    strength = _cut(best.strength, CREST_PX, (0, 0))
    return LineMaps(np.where(crest, strength, np.float32(0)), _cut(best.scale, CREST_PX, (0, 0)))
