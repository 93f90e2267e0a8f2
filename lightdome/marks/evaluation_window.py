"""The part of a large area that is looked at instead of all of it."""

import numpy as np


def fullest_window(inside: np.ndarray, side_px: int) -> tuple[slice, slice]:
    """Rows and columns of a window of at most `side_px` a side that holds most of an area (rows, columns) bool.

    Windows start at every half of their side; the first of equally full ones is taken.
    """
    half = max(1, side_px // 2)
    starts = [np.arange(0, max(1, length - half), half) for length in inside.shape]
    blocks = inside
    for axis, length in enumerate(inside.shape):
        blocks = np.add.reduceat(blocks, np.arange(0, length, half), axis=axis, dtype=np.int64)
    padded = np.pad(blocks, ((0, 1), (0, 1)))
    sums = (padded[:-1, :-1] + padded[1:, :-1] + padded[:-1, 1:] + padded[1:, 1:])[: len(starts[0]), : len(starts[1])]
    row, col = (int(at) for at in np.unravel_index(sums.argmax(), sums.shape))
    return slice(row * half, row * half + 2 * half), slice(col * half, col * half + 2 * half)
