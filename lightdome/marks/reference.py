"""The surface next to an imperfection, from which its depth counts (ISO 8785: the reference surface).

The land is taken to be the upper level of the plate: etching, cutting and pitting lower it, and what is piled on it
covers little. Started from the upper side, the fit settles on the land even where most of a field is etched.
"""

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

CUTOFF_TO_SIGMA = 0.18739  # ISO 16610-61: sigma of the Gaussian weight over its cut-off wavelength, sqrt(ln 2 / 2) / pi
MAD_TO_SIGMA = 1.4826
START_EXPECTILE = 0.95
"""Share of the upper side in the start: the first fit lies within 5 % of the depth of an etched half of a plate."""
KEEP_SIGMA = 3.0
ROUNDS = 12
UPPER_PERCENT = 75.0
DRIFT_SHARE = 0.25
"""Of the cut-off: photometric heights drift, and near land the reference follows the land this closely."""
DRIFT_WEIGHT = 0.05
LEAST_SHARE = 0.1
"""Of a block's pixels that must be land for the block to say where the land is."""


def upper_scale(residual: np.ndarray) -> float:
    """Standard deviation of what lies on the land, from the residuals above it only (recessions lie below)."""
    above = residual[residual > 0]
    return MAD_TO_SIGMA * float(np.median(above)) if above.size else 0.0


def reference_surface(blocks_um: np.ndarray, cutoff_blocks: float) -> np.ndarray:
    """Reference surface of a field, on the grid of its block means.

    blocks_um : (rows, columns), um, NaN where unknown. cutoff_blocks : cut-off of the Gaussian filter, in blocks.
    Returns (rows, columns), um, finite everywhere; all zero where nothing is known. Method: a quadratic surface
    by least absolute values, then the land residuals low-passed by the ISO 16610-61 weight, normalised by the share of
    land, both repeated on what lies within three standard deviations of the surface.
    """
    known = np.isfinite(blocks_um)
    if not known.any():
        return np.zeros(blocks_um.shape)
    form = _quadratic(blocks_um, known)
    residual = np.where(known, blocks_um - form, 0.0)
    sigma = CUTOFF_TO_SIGMA * cutoff_blocks
    smooth = np.zeros(blocks_um.shape)
    for _ in range(ROUNDS):
        offset = residual - smooth
        land = known & (np.abs(offset) <= KEEP_SIGMA * upper_scale(offset[known]) + 1e-9)
        share = gaussian_filter(land.astype(float), sigma, mode="constant")
        # far from any land the weight underflows: the quadratic surface alone then stands
        smooth = gaussian_filter(np.where(land, residual, 0.0), sigma, mode="constant") / (share + 1e-4)
    return form + smooth


def local_drift(residual_um: np.ndarray, cutoff_blocks: float) -> np.ndarray:
    """What the land leaves over a reference surface at a shorter cut-off; it fades to zero where there is no land.

    residual_um : (rows, columns) of the land's blocks, um, NaN where there is none.
    """
    land = np.isfinite(residual_um)
    sigma = CUTOFF_TO_SIGMA * cutoff_blocks
    share = gaussian_filter(land.astype(float), sigma, mode="constant")
    return gaussian_filter(np.where(land, residual_um, 0.0), sigma, mode="constant") / (share + DRIFT_WEIGHT)


def _quadratic(blocks_um: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Quadratic surface through the land, at every block.

    Its bend comes from the steps between neighbouring blocks, by least absolute values: walls are few and large, and
    land and floors bend alike. A fit to the heights themselves would lean over an etched side of a plate. Its level
    comes from the heights, from the upper side.
    """
    rows, cols = blocks_um.shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    terms = np.stack([x, y, x * x, x * y, y * y], axis=-1)
    steps, rises = [], []
    for axis in (0, 1):
        rise = np.diff(blocks_um, axis=axis)
        both = np.isfinite(rise)
        rises.append(rise[both])
        steps.append(np.diff(terms, axis=axis)[both])
    A, rise = np.concatenate(steps), np.concatenate(rises)
    bend = np.zeros(A.shape[1])
    if len(rise) > 2 * A.shape[1]:
        weight = np.ones(len(rise))
        for _ in range(ROUNDS):
            bend = _solve(A, rise, weight)
            off = np.abs(rise - A @ bend)
            weight = 1 / np.maximum(off, np.median(off) / 10 + 1e-9)
    form = terms @ bend
    return form + _upper_level((blocks_um - form)[known])


def _upper_level(heights_um: np.ndarray) -> float:
    """Level of the land among heights of land and of what lies below it."""
    level = float(heights_um.mean())
    for _ in range(ROUNDS):
        weight = np.where(heights_um > level, START_EXPECTILE, 1 - START_EXPECTILE)
        level = float((weight * heights_um).sum() / weight.sum())
    for _ in range(ROUNDS):
        land = np.abs(heights_um - level) <= KEEP_SIGMA * upper_scale(heights_um - level) + 1e-9
        if not land.any():
            break
        level = float(heights_um[land].mean())
    return level


def _solve(A: np.ndarray, z: np.ndarray, weight: np.ndarray) -> np.ndarray:
    # the least-norm answer of lstsq also serves images of a few blocks
    root = np.sqrt(weight)[:, None]
    return np.linalg.lstsq(A * root, z * root[:, 0], rcond=None)[0]


def at_pixels(blocks: np.ndarray, block_px: int, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Values of a block grid between block centres, bilinear, at pixel rows and columns; (rows, columns) float32."""
    at = np.meshgrid((rows + 0.5) / block_px - 0.5, (cols + 0.5) / block_px - 0.5, indexing="ij")
    return map_coordinates(blocks, at, order=1, mode="nearest").astype(np.float32)


def block_uppers(values: np.ndarray, block_px: int) -> np.ndarray:
    """Upper quartile of the known values of each block; NaN where none is known. Lines in a block hardly move it."""
    shape = tuple(-(-side // block_px) for side in values.shape)
    found = np.full(shape, np.nan)
    for row in range(shape[0]):  # a row of blocks at a time keeps the copy small
        strip = values[row * block_px : (row + 1) * block_px]
        padded = np.pad(strip, ((0, 0), (0, shape[1] * block_px - values.shape[1])), constant_values=np.nan)
        blocks = padded.reshape(len(strip), shape[1], block_px).swapaxes(0, 1).reshape(shape[1], -1)
        some = np.isfinite(blocks).any(axis=1)
        found[row, some] = np.nanpercentile(blocks[some], UPPER_PERCENT, axis=1)
    return found


def block_means(values: np.ndarray, block_px: int, least_share: float = 0.0) -> np.ndarray:
    """Mean of the known values of each block (the last ones may be smaller); NaN where too few are known."""
    rows = np.arange(0, values.shape[0], block_px)
    cols = np.arange(0, values.shape[1], block_px)
    known = np.isfinite(values)
    total = _sums(np.where(known, values, 0), rows, cols, np.float64)
    count = _sums(known, rows, cols, np.int64)
    return np.divide(total, count, out=np.full(total.shape, np.nan), where=count > least_share * block_px**2)


def _sums(values: np.ndarray, rows: np.ndarray, cols: np.ndarray, dtype: type) -> np.ndarray:
    return np.add.reduceat(np.add.reduceat(values, rows, axis=0, dtype=dtype), cols, axis=1)
