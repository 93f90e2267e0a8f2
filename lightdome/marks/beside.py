"""Where the pixels of removed marks lie: which trace, how far along it, how far beside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

NONE = -1


@dataclass(frozen=True)
class Beside:
    """Pixels of a mask against the traces that run there; arrays (2, pixels): nearest trace, second nearest."""

    pixels: np.ndarray
    """(pixels,) flat index into the field, ascending."""
    trace: np.ndarray
    """Place in the sequence of traces, int32; -1 where no (second) trace runs."""
    along_px: np.ndarray
    """From the trace's first point, along it."""
    offset_px: np.ndarray
    """Across it; positive to the right of the way it runs (as columns lie to the right of rows that run down)."""


class _Found(NamedTuple):
    trace: np.ndarray
    along: np.ndarray
    offset: np.ndarray
    share: np.ndarray


def beside(mask: np.ndarray, traces: Sequence[np.ndarray], reach_px: Sequence[float]) -> Beside:
    """Of each pixel of a mask (rows, columns) bool: the traces within whose reach it lies, the nearer first.

    traces : polylines (n, 2), row and column. reach_px : of each, on either side; nearness is counted in reaches.
    """
    pixels = np.flatnonzero(mask)
    number = np.full(mask.shape, NONE, np.int32)
    number.ravel()[pixels] = np.arange(len(pixels), dtype=np.int32)
    two = (2, len(pixels))
    found = _Found(
        np.full(two, NONE, np.int32),
        np.zeros(two, np.float32),
        np.zeros(two, np.float32),
        np.full(two, np.inf, np.float32),
    )
    for place, (points, reach) in enumerate(zip(traces, reach_px, strict=True)):
        _claim(number, np.ascontiguousarray(points, float), float(reach), place, found)
    return Beside(pixels, found.trace, found.along, found.offset)


@numba.njit(cache=True)
def _claim(number: np.ndarray, points: np.ndarray, reach: float, place: int, found: _Found) -> None:
    """Enter one trace where it is nearer than what was entered before."""
    behind = 0.0
    for index in range(len(points) - 1):
        row0, col0 = points[index]
        way_row, way_col = points[index + 1, 0] - row0, points[index + 1, 1] - col0
        length = np.hypot(way_row, way_col)
        if length == 0:
            continue
        unit_row, unit_col = way_row / length, way_col / length
        low_row = max(int(np.floor(min(row0, row0 + way_row) - reach)), 0)
        low_col = max(int(np.floor(min(col0, col0 + way_col) - reach)), 0)
        high_row = min(int(np.ceil(max(row0, row0 + way_row) + reach)) + 1, number.shape[0])
        high_col = min(int(np.ceil(max(col0, col0 + way_col) + reach)) + 1, number.shape[1])
        for row in range(low_row, high_row):
            for col in range(low_col, high_col):
                pixel = number[row, col]
                if pixel < 0:
                    continue
                ahead = (row - row0) * unit_row + (col - col0) * unit_col
                across = (col - col0) * unit_row - (row - row0) * unit_col
                on = min(max(ahead, 0.0), length)
                share = np.hypot(ahead - on, across) / reach
                if share > 1:
                    continue
                rank = 0
                if found.trace[0, pixel] == place:
                    if share >= found.share[0, pixel]:
                        continue
                elif share < found.share[0, pixel]:
                    # the one that was nearest is now the second
                    found.trace[1, pixel] = found.trace[0, pixel]
                    found.along[1, pixel] = found.along[0, pixel]
                    found.offset[1, pixel] = found.offset[0, pixel]
                    found.share[1, pixel] = found.share[0, pixel]
                elif share < found.share[1, pixel]:
                    rank = 1
                else:
                    continue
                found.trace[rank, pixel] = place
                found.along[rank, pixel] = behind + on
                found.offset[rank, pixel] = across
                found.share[rank, pixel] = share
        behind += length
