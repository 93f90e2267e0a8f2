"""A height field with the surface its marks count from, and how rough that surface is."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import find_objects, gaussian_filter, label

from lightdome.marks.reference import (
    DRIFT_SHARE,
    KEEP_SIGMA,
    LEAST_SHARE,
    at_pixels,
    block_means,
    block_uppers,
    local_drift,
    reference_surface,
    upper_scale,
)

BLOCKS_PER_CUTOFF = 24
SAMPLE_LINES = 200
ROWS_AT_ONCE = 256
QUARTER_OF_NORMAL = 0.3186
"""A quarter of normal noise lies within so many standard deviations."""
LEAST_VALUES = 50
FLAT_UM = 1e-4
"""Nothing shallower is a mark: a tenth of a nanometre, the rounding of float32 at a millimetre of height."""


@dataclass(frozen=True)
class Field:
    """What the detectors look at."""

    height_um: np.ndarray
    """(rows, columns), NaN where unknown."""
    u_height_um: np.ndarray
    reference_um: np.ndarray
    """On blocks of `block_px`."""
    block_px: int
    u_tilt_deg: np.ndarray | None = None
    """(rows, columns): uncertainty of the tilt, which rises where a pixel holds a line finer than itself."""

    def residual(self, rows: slice, cols: slice) -> np.ndarray:
        """Height above the reference surface in a window, NaN where unknown."""
        reference = at_pixels(
            self.reference_um, self.block_px, np.arange(rows.start, rows.stop), np.arange(cols.start, cols.stop)
        )
        return self.height_um[rows, cols] - reference

    def flattened(self) -> np.ndarray:
        """Height above the reference surface, all of it; (rows, columns) float32."""
        flat = np.empty_like(self.height_um)
        for row in range(0, flat.shape[0], ROWS_AT_ONCE):
            rows = slice(row, min(row + ROWS_AT_ONCE, flat.shape[0]))
            flat[rows] = self.residual(rows, slice(0, flat.shape[1]))
        return flat

    def uncertainty(self, rows: slice, cols: slice) -> np.ndarray:
        """Standard uncertainty of the height, zero where unknown."""
        return np.nan_to_num(self.u_height_um[rows, cols], nan=0.0)


def field_of(height_um: np.ndarray, u_height_um: np.ndarray, cutoff_px: float) -> Field:
    """A field with its reference surface at a cut-off given in pixels."""
    block_px = max(1, round(cutoff_px / BLOCKS_PER_CUTOFF))
    cutoff_blocks = cutoff_px / block_px
    first = reference_surface(block_uppers(height_um, block_px), cutoff_blocks)
    field = Field(height_um, u_height_um, first, block_px)
    # once more from the land's own pixels, without the lines and grains that share their blocks
    limit = KEEP_SIGMA * land_scale(field) + FLAT_UM
    land = height_um.copy()
    for row in range(0, height_um.shape[0], ROWS_AT_ONCE):
        rows = slice(row, min(row + ROWS_AT_ONCE, height_um.shape[0]))
        residual = field.residual(rows, slice(0, height_um.shape[1]))
        land[rows][~(np.abs(residual) <= limit)] = np.nan
    blocks = block_means(land, block_px, LEAST_SHARE)
    second = reference_surface(blocks, cutoff_blocks)
    return replace(field, reference_um=second + local_drift(blocks - second, cutoff_blocks * DRIFT_SHARE))


def land_scale(field: Field) -> float:
    """Standard deviation of the land about its reference surface, from every few pixels of the field."""
    rows, cols = field.height_um.shape
    step = max(1, int((rows * cols / 1e6) ** 0.5))
    scattered = [
        field.residual(slice(row, row + 1), slice(0, cols))[0, :: max(1, step)] for row in range(0, rows, step)
    ]
    residual = np.concatenate(scattered)
    return upper_scale(residual[np.isfinite(residual)])


def roughness(field: Field, lag_px: int, limit_um: float) -> float:
    """Standard deviation of the land at the scale of a line `lag_px` wide, um (the larger of rows and columns counts).

    From second differences over the lag, which neither tilt nor slow waves reach; their quietest quarter tells the
    scale, so that marks do not. limit_um : heights farther from the reference surface than this are no land.
    """
    found = [0.0]
    shape = field.height_um.shape
    for axis in (0, 1):
        bends = []
        for start in range(0, shape[axis], max(1, shape[axis] // SAMPLE_LINES)):
            one = slice(start, start + 1)
            line = field.residual(*((one, slice(0, shape[1])) if axis == 0 else (slice(0, shape[0]), one))).ravel()
            line = np.where(np.abs(line) <= limit_um, line, np.nan)
            bends.append(line[2 * lag_px :] - 2 * line[lag_px:-lag_px] + line[: -2 * lag_px])
        bend = np.abs(np.concatenate(bends))
        found.append(quiet_scale(bend) / 6**0.5)
    return max(found)


def quiet_scale(values: np.ndarray) -> float:
    """Standard deviation of normal noise whose quietest quarter is that of some values' sizes; 0 for too few."""
    values = values[np.isfinite(values)]
    return float(np.percentile(values, 25)) / QUARTER_OF_NORMAL if values.size >= LEAST_VALUES else 0.0


def above_floors(above_um: np.ndarray, area: np.ndarray, widest_line_px: float) -> np.ndarray:
    """Heights with the floors of areas brought to zero, so that a line inside an area counts from the floor beside it.

    above_um : (rows, columns), um, above the reference surface. area : bool. Method: inside each area, less the local
    mean of its floor (Gaussian weight of a standard deviation of the widest line, normalised by the area).
    """
    flat = above_um.copy()
    numbers, _ = label(area)
    reach = math.ceil(4 * widest_line_px)
    for number, window in enumerate(find_objects(numbers), 1):
        cut = tuple(slice(max(side.start - reach, 0), side.stop + reach) for side in window)
        inside = (numbers[cut] == number) & np.isfinite(above_um[cut])
        floor = gaussian_filter(np.where(inside, above_um[cut], 0), widest_line_px, mode="constant")
        share = gaussian_filter(inside.astype(np.float32), widest_line_px, mode="constant")
        flat[cut][inside] -= floor[inside] / share[inside]
    return flat
