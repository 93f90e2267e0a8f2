"""What a mark did to the heights along its trace: a section of one shape, stronger here and weaker there.

A ridge lies on what was there before, a groove's floor follows it. So the heights beside and under a scratch still tell
of the picture once the scratch's own section is taken off. The section is found against the straight line between its
two feet, by medians along the trace: the walls of lines that the scratch crosses do not count.
"""

from dataclasses import dataclass

import numba
import numpy as np
from scipy.ndimage import gaussian_filter1d

from lightdome.marks.crossings import dense

STEP_PX = 0.5
"""Between the offsets of a section."""
ALONG_PX = 2
"""Between sections along the trace."""
WAY_PX = 3.0
"""Standard deviation of the filter that smooths the way of a trace."""
FEET_PX = 2.0
"""How far beyond the reach the surface beside is read."""
STRETCH = 3
"""Sections in a stretch, which has a strength of its own."""
RUNNING = 41
"""Stretches whose running median counts: about 250 pixels, twenty letters or a field of grains (swept on made plates:
5 to 61 stretches, flat from 31 on)."""
ROUNDS = 2
STRONG = 0.5
"""Stretches at least this strong give the shape."""
STRONGEST = 1.3
"""More is a wall that runs along the trace (swept: 1.2 to 2)."""
HEAVY = 0.5
"""Of the part's largest height: where the strength is read."""
LEFT, GROOVE, RIGHT = range(3)


@dataclass(frozen=True)
class Lift:
    """Height that a mark added along its trace, um (negative in its groove)."""

    offsets_px: np.ndarray
    """(offsets,), evenly spaced, from left to right."""
    shape_um: np.ndarray
    """(offsets,) the section where the strength is 1."""
    part: np.ndarray
    """(offsets,) LEFT, GROOVE or RIGHT."""
    at_px: np.ndarray
    """(stretches,) their middles, along the trace."""
    strength: np.ndarray
    """(3, stretches), one row a part."""

    def at(self, along_px: np.ndarray, offset_px: np.ndarray) -> np.ndarray:
        """Height added at places along and across the trace, um."""
        shape = np.interp(offset_px, self.offsets_px, self.shape_um, 0.0, 0.0)
        nearest = np.rint((offset_px - self.offsets_px[0]) / STEP_PX).astype(int)
        part = self.part[np.clip(nearest, 0, len(self.part) - 1)]
        strength = np.stack([np.interp(along_px, self.at_px, one) for one in self.strength])
        return shape * np.take_along_axis(strength, part[None], axis=0)[0]

    @property
    def groove_px(self) -> tuple[float, float]:
        """Offsets of the groove's edges, half a pixel's blur included."""
        groove = self.offsets_px[self.part == GROOVE]
        return float(groove[0]) - STEP_PX, float(groove[-1]) + STEP_PX


def lift_of(height_um: np.ndarray, points_px: np.ndarray, reach_px: float) -> Lift | None:
    """What a mark added along its trace (n, 2), row and column; None where too little beside it is known.

    height_um : (rows, columns), um, NaN where unknown. reach_px : of the mark's outer feet, on either side.
    """
    half, feet = max(round(reach_px / STEP_PX), 2), round(FEET_PX / STEP_PX)
    offsets = np.arange(-half - feet, half + feet + 1) * STEP_PX
    added = _above_feet(_sections(height_um, points_px, offsets), offsets, feet)[:, feet:-feet]
    offsets = offsets[feet:-feet]
    if not np.isfinite(added).any(axis=0).all():
        return None
    stretches = max(1, len(added) // STRETCH)
    edges = np.arange(stretches + 1) * STRETCH
    edges[-1] = len(added)
    shape = _closed(_median(added, axis=0))
    part = _parts(shape, offsets)
    strength = np.ones((3, stretches))
    for _ in range(ROUNDS):
        strength = np.stack([_strengths(added, shape, part == number, edges) for number in (LEFT, GROOVE, RIGHT)])
        each = np.repeat(strength, np.diff(edges), axis=1)[part].T
        strong = each >= STRONG
        better = _median(np.where(strong, added / np.where(strong, each, 1), np.nan), axis=0)
        shape = _closed(np.where(np.isfinite(better), better, shape))
        part = _parts(shape, offsets)
    return Lift(offsets, shape, part, (edges[:-1] + edges[1:] - 1) / 2 * ALONG_PX, strength)


def _sections(height_um: np.ndarray, points_px: np.ndarray, offsets_px: np.ndarray) -> np.ndarray:
    """Heights (sections, offsets) across a trace; NaN outside the field."""
    points = dense(points_px)
    way = gaussian_filter1d(np.gradient(points, axis=0), WAY_PX, axis=0, mode="nearest")[::ALONG_PX]
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]
    points = points[::ALONG_PX]
    return _read(height_um, points[:, :1] - offsets_px * way[:, 1:], points[:, 1:] + offsets_px * way[:, :1])


@numba.njit(cache=True)
def _read(height: np.ndarray, row_px: np.ndarray, col_px: np.ndarray) -> np.ndarray:
    """Heights between pixel centres by cubic convolution (Keys 1981, a = -1/2), which keeps tips and crests.

    NaN outside the field and where one of the sixteen pixels is unknown; the field's outermost pixels count twice.
    """
    rows, cols = height.shape
    found = np.empty(row_px.shape, np.float32)
    down, right = np.empty(4), np.empty(4)
    for i in range(row_px.shape[0]):
        for j in range(row_px.shape[1]):
            row, col = row_px[i, j], col_px[i, j]
            if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
                found[i, j] = np.nan
                continue
            top, left = int(np.floor(row)), int(np.floor(col))
            _keys(row - top, down)
            _keys(col - left, right)
            total = 0.0
            for m in range(4):
                r = min(max(top + m - 1, 0), rows - 1)
                for n in range(4):
                    total += down[m] * right[n] * height[r, min(max(left + n - 1, 0), cols - 1)]
            found[i, j] = total
    return found


@numba.njit(cache=True)
def _keys(t: float, weights: np.ndarray) -> None:
    """Weights of the pixels at -1, 0, 1, 2 for a place at t in 0-1."""
    weights[0] = ((-0.5 * t + 1.0) * t - 0.5) * t
    weights[1] = (1.5 * t - 2.5) * t * t + 1.0
    weights[2] = ((-1.5 * t + 2.0) * t + 0.5) * t
    weights[3] = (0.5 * t - 0.5) * t * t


def _above_feet(sections: np.ndarray, offsets: np.ndarray, feet: int) -> np.ndarray:
    """Sections above the straight line between the surfaces on both sides."""
    left, right = sections[:, :feet].mean(axis=1), sections[:, -feet:].mean(axis=1)
    start, stop = offsets[:feet].mean(), offsets[-feet:].mean()
    return sections - left[:, None] - (right - left)[:, None] * (offsets - start) / (stop - start)


def _closed(shape: np.ndarray) -> np.ndarray:
    """The shape brought to zero at both feet, so that taking it off leaves no step."""
    return shape - np.linspace(shape[0], shape[-1], len(shape))


def _parts(shape: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Which part each offset belongs to; the groove is what lies below the feet around the deepest place inside."""
    inside = np.abs(offsets) <= max(0.4 * offsets[-1], 1.0)
    bottom = int(np.argmin(np.where(inside, shape, np.inf)))
    above = np.flatnonzero(shape >= 0)
    left = int(above[above < bottom].max(initial=-1)) + 1
    right = int(above[above > bottom].min(initial=len(shape))) - 1
    index = np.arange(len(shape))
    return np.where(index < left, LEFT, np.where(index > right, RIGHT, GROOVE))


def _strengths(added: np.ndarray, shape: np.ndarray, part: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Strength of one part in each stretch: the median ratio of heights to shape, then a running median along."""
    stretches = len(edges) - 1
    highest = np.abs(shape[part]).max(initial=0)
    if not highest > 0:
        return np.ones(stretches)
    heavy = part & (np.abs(shape) >= HEAVY * highest)
    ratio = added[:, heavy] / shape[heavy]
    found = np.empty(stretches)
    if stretches > 1:  # all but the last are equally long
        found[:-1] = _median(ratio[: edges[-2]].reshape(stretches - 1, -1), axis=1)
    found[-1] = _median(ratio[edges[-2] :].ravel(), axis=0)
    known = np.flatnonzero(np.isfinite(found))
    if not len(known):
        return np.ones(stretches)
    return np.clip(_running(np.interp(np.arange(stretches), known, found[known])), 0, STRONGEST)


def _running(values: np.ndarray) -> np.ndarray:
    """Running median; its window narrows toward both ends, where scratches taper."""
    reach = RUNNING // 2
    padded = np.pad(values, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).copy()
    index = np.arange(len(values))
    narrow = np.minimum(np.minimum(index, index[::-1]), reach)
    windows[np.abs(np.arange(-reach, reach + 1)) > narrow[:, None]] = np.nan
    return _median(windows, axis=1)


def _median(values: np.ndarray, axis: int) -> np.ndarray:
    """Median of the known values along an axis, NaN where there is none: a sort, faster than numpy's own with NaN."""
    ordered = np.sort(values, axis=axis)  # NaN last
    count = np.isfinite(ordered).sum(axis=axis, keepdims=True)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, max(values.shape[axis] - 1, 0))
    middle = (np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, high, axis)) / 2
    return np.where(count > 0, middle, np.nan).squeeze(axis)
