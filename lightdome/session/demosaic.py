"""From the mosaic of a sensor with 2 x 2 colour filters to three channels in register. Arrays in, arrays out.

The colour of a plate under one lamp hardly changes from pixel to pixel, so the difference between green and the other
channel is smooth once the channels are of equal strength. It is estimated along rows and along columns, each smoothed
along its own direction, and the two are mixed by how steady each is (I. Pekkucuksen and Y. Altunbasak 2010, Gradient
based threshold free color filter array interpolation, ICIP). All kernels are even about the pixel, so no channel moves
against another, and there is no hard choice between directions that noise could flip.
"""

from collections.abc import Iterator

import cv2
import numpy as np

GREEN = 1
BAND_ROWS = 64
"""Rows at a time: a band of a wide picture stays near the processor."""
HALO_ROWS = 8
"""Rows beyond a band that its result looks at; even, so that the pattern keeps its phase."""
STEADY_SHARE = 1e-6
"""Of white: keeps the weight of a perfectly steady direction finite. Far below the step of any converter."""
WEAKEST, STRONGEST = 1 / 4, 8.0
"""Limits of a channel's strength against green. No source: daylight and LED lie within 1 and 3."""
STRIDE = 8
"""Of the 2 x 2 blocks that the strengths are taken from."""

ACROSS = np.array([[-1, 2, 2, 2, -1]], np.float32) / 4
SMOOTH = np.array([[1, 2, 1]], np.float32) / 4
STEP = np.array([[-1, 0, 1]], np.float32)
SPREAD = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32) / 4
WINDOW = (5, 5)


Pattern = tuple[tuple[int, int], tuple[int, int]]
"""Channel (0 red, 1 green, 2 blue) of the four places of the first 2 x 2 block, green on one diagonal."""


def demosaic(mosaic: np.ndarray, pattern: Pattern, black: np.ndarray, span: float) -> Iterator[tuple[int, np.ndarray]]:
    """Bands of linear light (rows, columns, 3), float32, each with its first row, of a mosaic (rows, columns).

    black : number without light at the four places (2, 2).  span : numbers from there to white, which is light 1.
    Strengths of the channels are not changed, and each photosite keeps its own light in its own channel. The bands
    change no answer.
    """
    strength = _strengths(mosaic, pattern, black)
    rows = mosaic.shape[0]
    for row in range(0, rows, BAND_ROWS):
        first, last = max(0, row - HALO_ROWS), min(rows, row + BAND_ROWS + HALO_ROWS)
        light = mosaic[first:last].astype(np.float32)
        for r, c, _ in _sites(pattern):
            light[r::2, c::2] = (light[r::2, c::2] - np.float32(black[r, c])) / np.float32(span)
        yield row, _band(light, pattern, strength)[row - first :][: min(BAND_ROWS, rows - row)]


def _sites(pattern: Pattern) -> list[tuple[int, int, int]]:
    """Row, column and channel of the four places."""
    return [(r, c, pattern[r][c]) for r in (0, 1) for c in (0, 1)]


def _strengths(mosaic: np.ndarray, pattern: Pattern, black: np.ndarray) -> np.ndarray:
    """What each channel (3,) is multiplied by to be as strong as green; least squares through no light."""
    rows, cols = mosaic.shape[0] // 2 * 2, mosaic.shape[1] // 2 * 2
    step = 2 * (STRIDE if min(rows, cols) > 64 * STRIDE else 1)
    planes: dict[int, np.ndarray] = {}
    for r, c, channel in _sites(pattern):
        plane = mosaic[r:rows:step, c:cols:step] - float(black[r, c])
        planes[channel] = (planes[channel] + plane) / 2 if channel in planes else plane
    strength = np.ones(3)
    for channel in (0, 2):
        power = float((planes[channel] ** 2).sum())
        if power > 0:
            ratio = float((planes[GREEN] * planes[channel]).sum()) / power
            strength[channel] = np.clip(ratio, WEAKEST, STRONGEST)
    return strength.astype(np.float32)


def _filtered(image: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """Reflected at the border without repeating the last pixel, which keeps the pattern's phase."""
    return cv2.filter2D(image, -1, kernel, borderType=cv2.BORDER_REFLECT_101)


def _band(mosaic: np.ndarray, pattern: Pattern, strength: np.ndarray) -> np.ndarray:
    sites = [(slice(r, None, 2), slice(c, None, 2), channel) for r, c, channel in _sites(pattern)]
    even = mosaic.astype(np.float32)
    for rows, cols, channel in sites:
        even[rows, cols] *= strength[channel]
    along_row = _filtered(even, ACROSS) - even
    along_col = _filtered(even, ACROSS.T) - even
    for rows, cols, channel in sites:
        if channel == GREEN:  # green less the other, at every place
            along_row[rows, cols] *= -1
            along_col[rows, cols] *= -1
    row_weight = _steadiness(along_row, STEP)
    col_weight = _steadiness(along_col, STEP.T)
    difference = row_weight * _filtered(along_row, SMOOTH) + col_weight * _filtered(along_col, SMOOTH.T)
    difference /= row_weight + col_weight
    out = np.empty((*mosaic.shape, 3), np.float32)
    green = even + difference
    for rows, cols, channel in sites:
        if channel == GREEN:
            green[rows, cols] = even[rows, cols]
    out[..., GREEN] = green
    for rows, cols, channel in sites:
        if channel != GREEN:
            less = np.zeros_like(even)
            less[rows, cols] = even[rows, cols] - green[rows, cols]
            out[..., channel] = (green + _filtered(less, SPREAD)) / strength[channel]
            out[rows, cols, channel] = mosaic[rows, cols]
    return out


def _steadiness(difference: np.ndarray, step: np.ndarray) -> np.ndarray:
    change = cv2.boxFilter(np.abs(_filtered(difference, step)), -1, WINDOW, borderType=cv2.BORDER_REFLECT_101)
    return 1 / np.square(change + np.float32(STEADY_SHARE))
