"""Areas below their reference surface (etched fields, pits) and above it (deposits); ISO 8785 recessions and raisings.

Lines are traced, not outlined: an area is wider than the widest line, a pit or a deposit is compact.
"""

import numpy as np
from scipy.ndimage import binary_dilation, label

HOLE_SHARE = 0.3
"""Grains of an etched floor that reach the land, up to this share of the widest line across, belong to the floor."""
COMPACT_AXES_RATIO = 2.5
LEAST_FILL = 0.75
"""Of the ellipse of equal moments: a letter's stroke or a ring is no spot."""
LEAST_SPOT_PX = 6
LEAST_DEPOSIT_PX = 25
LEAST_GRAINS = 12
LEAST_GRAIN_SHARE = 0.14
ROWS_AT_ONCE = 256
NEIGHBOURS = np.ones((3, 3), bool)


def wide_areas(below: np.ndarray, widest_line_px: float) -> np.ndarray:
    """Where a mask is wider than the widest line; (rows, columns) bool.

    below : (rows, columns) bool. Method: small holes filled, opened with a disc of that width, then regrown by half the
    disc inside the mask, so that bitten edges come back and lines that run into the area stay outside.
    """
    import cv2

    filled = _fill_holes(below, (HOLE_SHARE * widest_line_px) ** 2).astype(np.uint8)
    opened = cv2.morphologyEx(filled, cv2.MORPH_OPEN, _disc(widest_line_px / 2))
    return (cv2.dilate(opened, _disc(widest_line_px / 4 + 1)) & filled).astype(bool)


def _disc(radius_px: float) -> np.ndarray:
    reach = int(np.ceil(radius_px))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return (x * x + y * y <= radius_px * radius_px + 1e-9).astype(np.uint8)


def _fill_holes(mask: np.ndarray, largest_px: float) -> np.ndarray:
    holes, count = label(~mask)
    if count == 0:
        return mask
    sizes = _sizes(holes, count)
    small = sizes <= largest_px
    small[0] = False
    return mask | small[holes]


def number_areas(area: np.ndarray, least_px: float) -> np.ndarray:
    """Connected areas of at least `least_px` pixels, numbered from 1 in reading order; (rows, columns) int32."""
    numbers = np.empty(area.shape, np.int32)
    count = label(area, output=numbers)  # by edges, so that each outline is one polygon
    sizes = _sizes(numbers, count)
    return _renumber(numbers, sizes >= least_px)


def number_spots(mask: np.ndarray, least_px: int = LEAST_SPOT_PX, *, compact: bool = False) -> np.ndarray:
    """Connected spots of at least `least_px` pixels, numbered from 1; (rows, columns) int32.

    mask : (rows, columns) bool. compact : leave out what is long or hollow, see `is_compact`.
    """
    numbers = np.empty(mask.shape, np.int32)
    count = label(mask, output=numbers)
    if count == 0:
        return numbers
    sizes, axes = spot_axes(numbers, count)
    kept = sizes >= least_px
    return _renumber(numbers, kept & is_compact(sizes, axes) if compact else kept)


def is_compact(sizes: np.ndarray, axes_px: np.ndarray) -> np.ndarray:
    """True for spots (...) whose axes (..., 2) of equal second moments are alike and that fill their ellipse."""
    full = sizes >= LEAST_FILL * np.pi / 4 * axes_px[..., 0] * axes_px[..., 1]
    return full & (axes_px[..., 0] <= COMPACT_AXES_RATIO * axes_px[..., 1])


def grain_fields(spots: np.ndarray, compact: np.ndarray, reach_px: float) -> np.ndarray:
    """Fields of grains, numbered from 1; (rows, columns) int32: where pits crowd, the field they make is one mark.

    spots : numbered spots (rows, columns). compact : (count + 1,), which of them are pits. reach_px : pits nearer than
    this belong together. A field has a dozen pits at least, which cover a seventh of it.
    """
    import cv2

    pits = compact[spots]
    if int(compact.sum()) < LEAST_GRAINS:
        return np.zeros(spots.shape, np.int32)
    # the disc must not be stopped by the edge of the picture
    reach = int(np.ceil(reach_px))
    padded = np.pad(pits, reach).astype(np.uint8)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, _disc(reach_px))[reach:-reach, reach:-reach] > 0
    numbers = np.empty(closed.shape, np.int32)
    count = label(closed, output=numbers)
    first = np.unique(np.stack([numbers[pits], spots[pits]]), axis=1)
    grains = np.bincount(first[0], minlength=count + 1)
    share = np.bincount(numbers[pits], minlength=count + 1) / np.maximum(_sizes(numbers, count), 1)
    return _renumber(numbers, (grains >= LEAST_GRAINS) & (share >= LEAST_GRAIN_SHARE))


def spot_axes(numbers: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Size (count + 1,), pixels, and full axes (count + 1, 2), pixels, of the ellipse of equal second moments."""
    rows, cols = np.nonzero(numbers)
    which = numbers[rows, cols]

    def mean_of(values: np.ndarray) -> np.ndarray:
        return np.bincount(which, values, minlength=count + 1) / np.maximum(sizes, 1)

    sizes = np.bincount(which, minlength=count + 1)
    row, col = rows - mean_of(rows)[which], cols - mean_of(cols)[which]
    # 1/12 is a pixel's own second moment, so that a single pixel has an extent
    yy, xx, xy = mean_of(row * row) + 1 / 12, mean_of(col * col) + 1 / 12, mean_of(row * col)
    mean, spread = (yy + xx) / 2, np.hypot((yy - xx) / 2, xy)
    axes = 4 * np.sqrt(np.stack([mean + spread, np.maximum(mean - spread, 0)], axis=1))
    return sizes, axes


def _sizes(numbers: np.ndarray, count: int) -> np.ndarray:
    """Pixels of each number (count + 1,); a band of rows at a time, since counting widens the numbers to 64 bits."""
    sizes = np.zeros(count + 1, np.int64)
    for row in range(0, len(numbers), ROWS_AT_ONCE):
        sizes += np.bincount(numbers[row : row + ROWS_AT_ONCE].ravel(), minlength=count + 1)
    return sizes


def _renumber(numbers: np.ndarray, kept: np.ndarray) -> np.ndarray:
    kept = kept.copy()
    kept[0] = False
    new = np.where(kept, np.cumsum(kept), 0).astype(np.int32)
    return new[numbers]


def without(mask: np.ndarray, taken: np.ndarray, reach_px: int) -> np.ndarray:
    """A mask less what lies within `reach_px` of another."""
    return mask & ~binary_dilation(taken, NEIGHBOURS, iterations=reach_px)
