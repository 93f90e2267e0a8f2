"""The surface next to an imperfection, from which its depth counts (ISO 8785: the reference surface).

The land is taken to be the upper level of the plate: etching, cutting and pitting lower it, and what is piled on it
covers little. Started from the upper side, the fit settles on the land even where most of a field is etched.
"""

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

CUTOFF_TO_SIGMA = 0.18739  # ISO 16610-61: sigma of the Gaussian weight over its cut-off wavelength (standards.md 4.16)
MAD_TO_SIGMA = 1.4826
START_EXPECTILE = 0.95
"""Share of the upper side in the start: the first fit lies within 5 % of the depth of an etched half of a plate."""
KEEP_SIGMA = 3.0
ROUNDS = 12


def upper_scale(residual: np.ndarray) -> float:
    """Standard deviation of what lies on the land, from the residuals above it only (recessions lie below)."""
    above = residual[residual > 0]
    return MAD_TO_SIGMA * float(np.median(above)) if above.size else 0.0


def reference_surface(blocks_um: np.ndarray, cutoff_blocks: float) -> np.ndarray:
    """Reference surface of a field, on the grid of its block means.

    blocks_um : (rows, columns), um, NaN where unknown. cutoff_blocks : cut-off of the Gaussian filter, in blocks.
    Returns (rows, columns), um, finite everywhere; all zero where nothing is known. Method: a quadratic surface by
    asymmetric least squares, then the land residuals low-passed by the ISO 16610-61 weight, normalised by the share of
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


def _quadratic(blocks_um: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Quadratic surface through the land, at every block."""
    rows, cols = blocks_um.shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    A, z = terms[known], blocks_um[known]
    fit = np.full(len(z), z.mean())
    for _ in range(ROUNDS):
        weight = np.where(z > fit, START_EXPECTILE, 1 - START_EXPECTILE)
        fit = A @ _solve(A, z, weight)
    for _ in range(ROUNDS):
        weight = (np.abs(z - fit) <= KEEP_SIGMA * upper_scale(z - fit) + 1e-9).astype(float)
        if weight.sum() < 2 * A.shape[1]:
            break
        coefficients = _solve(A, z, weight)
        fit = A @ coefficients
    return terms @ _solve(A, fit, np.ones(len(z)))


def _solve(A: np.ndarray, z: np.ndarray, weight: np.ndarray) -> np.ndarray:
    # the least-norm answer of lstsq also serves images of a few blocks
    root = np.sqrt(weight)[:, None]
    return np.linalg.lstsq(A * root, z * root[:, 0], rcond=None)[0]


def at_pixels(blocks: np.ndarray, block_px: int, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Values of a block grid between block centres, bilinear, at pixel rows and columns; (rows, columns) float32."""
    at = np.meshgrid((rows + 0.5) / block_px - 0.5, (cols + 0.5) / block_px - 0.5, indexing="ij")
    return map_coordinates(blocks, at, order=1, mode="nearest").astype(np.float32)


def block_means(values: np.ndarray, block_px: int) -> np.ndarray:
    """Mean of the known values of each block (the last ones may be smaller); NaN where none is known."""
    rows = np.arange(0, values.shape[0], block_px)
    cols = np.arange(0, values.shape[1], block_px)
    known = np.isfinite(values)
    total = _sums(np.where(known, values, 0), rows, cols, np.float64)
    count = _sums(known, rows, cols, np.int64)
    return np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)


def _sums(values: np.ndarray, rows: np.ndarray, cols: np.ndarray, dtype: type) -> np.ndarray:
    return np.add.reduceat(np.add.reduceat(values, rows, axis=0, dtype=dtype), cols, axis=1)
