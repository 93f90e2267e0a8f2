"""The nine regions of a field and the whole, named as in `surface/texture.json`, and lines within them."""

from dataclasses import dataclass

import numpy as np

from lightdome.raster import Grid, Window

SMALLEST_PX = 9
"""A smaller field is not divided."""


@dataclass(frozen=True)
class Region:
    """A rectangle of a field."""

    name: str
    """whole, or row i column j, from the upper left."""
    window: Window
    x_mm: tuple[float, float]
    """Left and right edge, plate mm."""
    y_mm: tuple[float, float]
    """Lower and upper edge."""

    def holds(self, x_mm: float, y_mm: float) -> bool:
        """Whether a place lies in it; an inner border belongs to the region to the right or above."""
        return self.x_mm[0] <= x_mm < self.x_mm[1] and self.y_mm[0] <= y_mm < self.y_mm[1]


def regions_of(grid: Grid) -> list[Region]:
    """The whole field and, where it is large enough, its nine regions, three by three."""
    rows, cols = grid.shape
    found = [_region("whole", grid.window, grid)]
    if min(rows, cols) >= SMALLEST_PX:
        row_edges, col_edges = (np.linspace(0, side, 4).astype(int).tolist() for side in (rows, cols))
        found += [
            _region(
                f"row {i + 1} column {j + 1}",
                Window(row_edges[i], row_edges[i + 1], col_edges[j], col_edges[j + 1]),
                grid,
            )
            for i in range(3)
            for j in range(3)
        ]
    return found


def _region(name: str, window: Window, grid: Grid) -> Region:
    half = grid.pitch_mm / 2
    x_mm, y_mm = grid.x_mm(window), grid.y_mm(window)
    return Region(
        name,
        window,
        (float(x_mm[0]) - half, float(x_mm[-1]) + half),
        (float(y_mm[-1]) - half, float(y_mm[0]) + half),
    )


def middle(line_mm: np.ndarray) -> tuple[float, float]:
    """Half-way along a polyline (n, 2) of x and y."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))])
    x, y = (float(np.interp(along[-1] / 2, along, axis)) for axis in line_mm.T)
    return x, y


def length_inside(line_mm: np.ndarray, region: Region) -> float:
    """Length of the part of a polyline (n, 2) of x and y within a region, mm.

    Method: each segment clipped to the rectangle by the range of its parameter (Liang and Barsky 1984, from memory).
    """
    start, way = line_mm[:-1], np.diff(line_mm, axis=0)
    enter, leave = np.zeros(len(way)), np.ones(len(way))
    for axis, (low, high) in enumerate((region.x_mm, region.y_mm)):
        step = way[:, axis]
        moving = step != 0
        with np.errstate(divide="ignore", invalid="ignore"):
            first, second = (low - start[:, axis]) / step, (high - start[:, axis]) / step
        enter = np.where(moving, np.maximum(enter, np.minimum(first, second)), enter)
        leave = np.where(moving, np.minimum(leave, np.maximum(first, second)), leave)
        outside = ~moving & ((start[:, axis] < low) | (start[:, axis] >= high))
        leave = np.where(outside, enter, leave)
    return float((np.linalg.norm(way, axis=1) * np.clip(leave - enter, 0, None)).sum())
