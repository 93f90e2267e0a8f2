"""Lines drawn back onto the pixel grid with their widths."""

from collections.abc import Iterable
from itertools import pairwise

import numpy as np


def painted(shape: tuple[int, ...], lines: Iterable[tuple[np.ndarray, float]]) -> np.ndarray:
    """Pixels whose centre lies within half a width of a polyline; (rows, columns) bool.

    lines : polylines (n, 2), row and column, each with its width in pixels; the narrowest line is a pixel wide.
    """
    mask = np.zeros(shape, bool)
    for points, width in lines:
        paint_line(mask, points, width, 1)
    return mask


def paint_line(canvas: np.ndarray, points: np.ndarray, width_px: float, value: int) -> None:
    """Set the pixels of `canvas` (rows, columns) within half a width of a polyline to a value."""
    half = max(width_px / 2, 0.5)
    for start, end in pairwise(points):
        low = np.maximum(np.floor(np.minimum(start, end) - half).astype(int), 0)
        high = np.minimum(np.ceil(np.maximum(start, end) + half).astype(int) + 1, canvas.shape)
        if (low >= high).any():
            continue
        row = np.arange(low[0], high[0])[:, None] - start[0]
        col = np.arange(low[1], high[1])[None, :] - start[1]
        way = end - start
        share = np.clip((row * way[0] + col * way[1]) / max(float(way @ way), 1e-12), 0, 1)
        near = np.hypot(row - share * way[0], col - share * way[1]) <= half
        canvas[low[0] : high[0], low[1] : high[1]][near] = value
