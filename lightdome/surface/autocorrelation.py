"""Areal autocorrelation of a surface with unknown pixels, in bounded memory: blocks, each against its surroundings."""

import numpy as np
from scipy import fft

BLOCK_PX = 896
"""With a lag of 128 pixels the transforms are 1024 by 1152."""


def autocorrelation(height: np.ndarray, most_lag_px: int) -> np.ndarray:
    """Autocorrelation for lags up to `most_lag_px` both ways, (2 most + 1, 2 most + 1) float64, 1 in the middle.

    height : (rows, columns), NaN where unknown. Every pair of known pixels counts once: products of heights about the
    mean, divided by the number of pairs at that lag and by the mean square. NaN where a lag has no pair; all NaN where
    nothing is known or the surface is level.
    """
    known = np.isfinite(height)
    most, (rows, cols) = most_lag_px, height.shape
    mean = height[known].mean(dtype=np.float64) if known.any() else np.nan
    whole = bool(known.all())
    side = max(BLOCK_PX, 2 * most)
    shape = (fft.next_fast_len(min(side, rows) + most, real=True), fft.next_fast_len(min(side, cols) + 2 * most, True))
    products = np.zeros((shape[0], shape[1] // 2 + 1), np.complex128)
    pairs = np.zeros_like(products) if not whole else None
    for row in range(0, rows, side):
        for col in range(0, cols, side):
            left = min(col, most)
            around = (slice(row, row + side + most), slice(col - left, col + side + most))
            seen = known[around]
            heights = np.where(seen, height[around] - mean, 0).astype(np.float32)
            own = (slice(0, side), slice(left, left + side))
            products += _correlate(heights, own, shape)
            if pairs is not None:
                pairs += _correlate(seen.astype(np.float32), own, shape)
    sums = _half_plane(products, shape, most)
    down, across = np.arange(most + 1), np.abs(np.arange(-most, most + 1))
    if pairs is None:
        counts = np.outer(np.maximum(rows - down, 0), np.maximum(cols - across, 0)).astype(float)
    else:
        counts = np.rint(_half_plane(pairs, shape, most))
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.where(counts > 0, sums / counts, np.nan)
        half /= half[0, most] if half[0, most] > 0 else np.nan
    # the same pair is seen from both its ends: the upper half mirrors the lower
    return np.concatenate([half[:0:-1, ::-1], half])


def _correlate(around: np.ndarray, own: tuple[slice, slice], shape: tuple[int, int]) -> np.ndarray:
    """Transform of the correlation of a block with its surroundings below and to both sides."""
    block = np.zeros_like(around)
    block[own] = around[own]
    # so the lag (0, 0) stays at the origin: both keep their place in the padded window
    return np.conj(fft.rfft2(block, shape)) * fft.rfft2(around, shape)


def _half_plane(spectrum: np.ndarray, shape: tuple[int, int], most: int) -> np.ndarray:
    """Lags 0 to `most` down and -`most` to `most` across, (most + 1, 2 most + 1)."""
    sums = fft.irfft2(spectrum, shape)
    return np.concatenate([sums[: most + 1, -most:] if most else sums[:1, :0], sums[: most + 1, : most + 1]], axis=1)
