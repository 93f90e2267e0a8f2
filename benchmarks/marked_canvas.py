"""A plate under the tool: a height map far finer than a pixel, changed by one operation after the other.

Places are (row, column) in um from the field's top left corner, rows down; heights um. Each operation works on what the
ones before it left, so that the surface at a crossing is that of the true order. Nothing here is shared with the
package's own synthetic plates.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numba import njit
from scipy.ndimage import gaussian_filter, gaussian_filter1d

CLASSES = ("land", "etched", "tooled", "scratch", "deposit", "friction-ridge print", "pit")
CODE = {name: code for code, name in enumerate(CLASSES)}
STEEPEST_LAND = 0.012
FLOOR_ROUGHER = 1.4
"""Alpha of bitten metal over that of the land."""
INK_ALBEDO = 0.03


@dataclass
class Band:
    """The corners within reach of a curve; arrays (rows, columns) of a window, NaN (offset) beyond reach."""

    where: tuple[slice, slice]
    offset: np.ndarray
    """Signed distance, um, positive to the right of who walks along the curve."""
    along: np.ndarray
    """Place of the nearest point along the curve, um."""


@njit(cache=False)
def _fill_band(
    points: np.ndarray,
    along: np.ndarray,
    cell: float,
    origin: tuple[int, int],
    reach: float,
    near: np.ndarray,
    side: np.ndarray,
    place: np.ndarray,
) -> None:
    rows, cols = near.shape
    for k in range(len(points) - 1):
        ay, ax = points[k]
        dy, dx = points[k + 1, 0] - ay, points[k + 1, 1] - ax
        length2 = dy * dy + dx * dx
        if length2 == 0:
            continue
        low_i = max(0, int(np.floor((min(ay, ay + dy) - reach) / cell)) - origin[0])
        high_i = min(rows - 1, int(np.ceil((max(ay, ay + dy) + reach) / cell)) - origin[0])
        low_j = max(0, int(np.floor((min(ax, ax + dx) - reach) / cell)) - origin[1])
        high_j = min(cols - 1, int(np.ceil((max(ax, ax + dx) + reach) / cell)) - origin[1])
        for i in range(low_i, high_i + 1):
            y = (i + origin[0]) * cell - ay
            for j in range(low_j, high_j + 1):
                x = (j + origin[1]) * cell - ax
                t = min(1.0, max(0.0, (y * dy + x * dx) / length2))
                ey, ex = y - t * dy, x - t * dx
                distance2 = ey * ey + ex * ex
                if distance2 < near[i, j]:
                    near[i, j] = distance2
                    # the right of (rows, columns) = (dy, dx), rows down, is (dx, -dy)
                    side[i, j] = 1.0 if ey * dx - ex * dy >= 0 else -1.0
                    place[i, j] = along[k] + t * np.sqrt(length2)


def lengths_along(points: np.ndarray) -> np.ndarray:
    """(n,): way from the first point of a polyline (n, 2)."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])


@dataclass
class Canvas:
    """What is being worked on; maps stand on the corners of the cells, (size sub + 1) squared, float32."""

    size: int
    sub: int
    pitch_um: float
    rng: np.random.Generator
    height: np.ndarray = field(init=False)
    clean: np.ndarray = field(init=False)
    """The height as if no scratch had been made."""
    form: np.ndarray = field(init=False)
    """The land before any mark."""
    label: np.ndarray = field(init=False)
    rougher: np.ndarray = field(init=False)
    gloss: np.ndarray = field(init=False)
    matte: np.ndarray = field(init=False)
    albedo: np.ndarray = field(init=False)
    bitten: np.ndarray = field(init=False)
    """bool: footprint of anything bitten."""
    marks: list[dict[str, Any]] = field(default_factory=list)

    def __post_init__(self) -> None:
        shape = (self.size * self.sub + 1,) * 2
        self.height, self.matte = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self.rougher, self.gloss, self.albedo = (np.ones(shape, np.float32) for _ in range(3))
        self.label, self.bitten = np.zeros(shape, np.uint8), np.zeros(shape, bool)
        waves = self.noise(min(20.0, self.size / 8))
        steepest = max(np.abs(np.diff(waves, axis=axis)).max() for axis in (0, 1)) / self.cell_um
        self.height += waves * (STEEPEST_LAND / steepest)
        self.clean, self.form = self.height.copy(), self.height.copy()

    @property
    def cell_um(self) -> float:
        """Between corners."""
        return self.pitch_um / self.sub

    @property
    def side_um(self) -> float:
        """Of the field."""
        return self.size * self.pitch_um

    def noise(self, sigma_px: float | tuple[float, float]) -> np.ndarray:
        """Smooth noise of standard deviation 1 on all corners, float32; (rows, columns) of sigma may differ."""
        sigma = np.broadcast_to(sigma_px, 2) * self.sub
        # what is smooth is drawn on a coarser grid
        step = max(1, int(sigma.min() / 4))
        count = (self.height.shape[0] - 1) // step + 2
        values = self.rng.standard_normal((count, count), dtype=np.float32)
        values = gaussian_filter(values, sigma / step, mode="wrap")
        if step > 1:
            at = np.arange(self.height.shape[0]) / step
            low, share = at.astype(int), (at % 1).astype(np.float32)
            values = values[low] * (1 - share)[:, None] + values[low + 1] * share[:, None]
            values = values[:, low] * (1 - share) + values[:, low + 1] * share
        values = values[: self.height.shape[0], : self.height.shape[1]]
        return values / values.std()

    def roll(self, rms_um: float) -> None:
        """Streaks of rolled metal along the columns or the rows."""
        sigma = (0.6, 25.0) if self.rng.random() < 0.5 else (25.0, 0.6)
        streaks = self.noise(sigma) * np.float32(rms_um)
        self.height += streaks
        self.clean += streaks

    def band(self, points: np.ndarray, reach_um: float) -> Band:
        """The corners around a polyline (n, 2)."""
        last = self.height.shape[0] - 1
        low = np.clip(np.floor((points.min(axis=0) - reach_um) / self.cell_um).astype(int), 0, last)
        high = np.clip(np.ceil((points.max(axis=0) + reach_um) / self.cell_um).astype(int), 0, last)
        shape = tuple(high - low + 1)
        near = np.full(shape, reach_um**2, np.float32)
        side, place = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        _fill_band(points, lengths_along(points), self.cell_um, (int(low[0]), int(low[1])), reach_um, near, side, place)
        offset = np.where(side != 0, side * np.sqrt(near), np.nan).astype(np.float32)
        return Band((slice(low[0], high[0] + 1), slice(low[1], high[1] + 1)), offset, place)

    def coat(self, where: Any, share: np.ndarray, albedo: float) -> None:
        """Lay a film of matte stuff over what is there; share 0-1."""
        old, seen = self.matte[where], 1 - share
        total = 1 - (1 - old) * seen
        weight = np.where(total > 0, old * seen / np.maximum(total, 1e-9), 0)
        self.albedo[where] = weight * self.albedo[where] + (1 - weight) * albedo
        self.matte[where] = total

    def bite(self, shapes: list[tuple[tuple[slice, slice], np.ndarray]], rough_um: float) -> np.ndarray:
        """Etch all shapes (window, depth in um) at once, where two overlap the deeper counts; the bitten depth.

        Metal goes all over a shape's width from whatever is there, which is smoothed a little; floors become rough.
        """
        depth = np.zeros_like(self.height)
        for where, each in shapes:
            depth[where] = np.maximum(depth[where], each)
        inside = depth > 0
        share = np.minimum(depth / max(float(depth.max()), 1e-9) * 3, 1)
        rough = (self.noise(0.5) + self.noise(1.5)) * np.float32(rough_um / 2**0.5) * share
        for surface in (self.height, self.clean):
            smooth = gaussian_filter(surface, 4.0 / self.cell_um)
            surface += np.where(inside, share * (smooth - surface) - depth + rough, 0)
        self.rougher = np.where(share > 0.5, FLOOR_ROUGHER, self.rougher).astype(np.float32)
        self.label[inside] = CODE["etched"]
        self.bitten |= inside
        return depth

    def plough(
        self,
        band: Band,
        cut: Callable[[np.ndarray, np.ndarray], np.ndarray],
        ridge: Callable[[np.ndarray, np.ndarray], np.ndarray],
        follow_um: float,
        class_name: str,
    ) -> None:
        """Drive a tool along a curve: it cuts to its own depth below the ground it rides on and throws up ridges.

        cut, ridge : (offset, along) to um, 0 outside. follow_um : over what length the tool follows the ground's mean
        across its width; inf: it follows the land's form, whatever is there. Ridges are piled on what is there, as high
        as metal was taken out.
        """
        known = np.isfinite(band.offset)
        offset, along = band.offset[known], band.along[known]
        depth, pile = cut(offset, along), ridge(offset, along)
        groove = depth > 0
        bins = (along / self.cell_um).astype(int)
        count = int(bins.max(initial=0)) + 1
        for surface in (self.height,) if class_name == "scratch" else (self.height, self.clean):
            ground = surface[band.where][known]
            ridden = ground if np.isfinite(follow_um) else self.form[band.where][known]
            level = self._level(ridden, groove, bins, count, follow_um if np.isfinite(follow_um) else 50.0)
            floor = level[bins] - depth
            removed = np.bincount(bins[groove], np.maximum(ground - floor, 0)[groove], count)
            wanted = np.bincount(bins[groove], depth[groove], count)
            sigma = max(1.0, 10.0 / self.cell_um)
            yielded = gaussian_filter1d(removed, sigma) / np.maximum(gaussian_filter1d(wanted, sigma), 1e-9)
            piled = ground + pile * np.clip(yielded, 0, 1.5)[bins]
            surface[band.where][known] = np.where(groove, np.minimum(ground, floor), piled)
        self._mark_cut(band, known, depth, pile, class_name)

    def _level(
        self, ground: np.ndarray, groove: np.ndarray, bins: np.ndarray, count: int, follow_um: float
    ) -> np.ndarray:
        """The ground the tool rides on, at every bin along its way: the mean across its width, smoothed along."""
        total = np.bincount(bins[groove], minlength=count).astype(float)
        summed = np.bincount(bins[groove], ground[groove], count)
        sigma = max(1.0, follow_um / self.cell_um)
        return gaussian_filter1d(summed, sigma) / np.maximum(gaussian_filter1d(total, sigma), 1e-9)

    def _mark_cut(self, band: Band, known: np.ndarray, depth: np.ndarray, pile: np.ndarray, class_name: str) -> None:
        where, touched = band.where, np.zeros(known.shape, bool)
        touched[known] = (depth > 0) | (pile > 0.05 * max(float(depth.max(initial=0)), 1e-9))
        self.label[where][touched] = CODE[class_name]
        fresh = np.zeros(known.shape, bool)
        fresh[known] = depth > 0
        self.matte[where][fresh] = 0  # a new cut is bare metal
        self.rougher[where][fresh] = 1

    def heap(self, where: tuple[slice, slice], rise: np.ndarray, label: int) -> None:
        """Raise (or, negative, lower) a window by so many um."""
        for surface in (self.height, self.clean):
            surface[where] += rise
        self.label[where][np.abs(rise) > 1e-6] = label

    def window(self, centre: np.ndarray, reach_um: float) -> tuple[tuple[slice, slice], np.ndarray, np.ndarray]:
        """Slices around a place, and row and column offsets from it, um."""
        last = self.height.shape[0]
        low = np.clip(np.floor((centre - reach_um) / self.cell_um).astype(int), 0, last - 1)
        high = np.clip(np.ceil((centre + reach_um) / self.cell_um).astype(int) + 1, low + 1, last)
        rows, cols = (np.arange(a, b) * self.cell_um - c for a, b, c in zip(low, high, centre, strict=True))
        return (slice(low[0], high[0]), slice(low[1], high[1])), rows[:, None], cols[None, :]

    def pixel_mean(self, corners: np.ndarray) -> np.ndarray:
        """(size, size): mean over each pixel of a map of corners, by the trapezium rule both ways."""
        cells = (corners[:-1] + corners[1:]) / 2
        cells = (cells[:, :-1] + cells[:, 1:]) / 2
        return cells.reshape(self.size, self.sub, self.size, self.sub).mean(axis=(1, 3))

    def class_map(self) -> np.ndarray:
        """(size, size) uint8: the class of most of each pixel."""
        shares = np.stack([self.pixel_mean((self.label == code).astype(np.float32)) for code in range(len(CLASSES))])
        return shares.argmax(axis=0).astype(np.uint8)
