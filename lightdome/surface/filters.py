"""Gaussian areal filtering of maps with unknown pixels (ISO 16610-61)."""

import numpy as np
from scipy.ndimage import correlate1d

SIGMA_PER_CUTOFF = np.sqrt(np.log(2) / 2) / np.pi
"""Standard deviation of the Gaussian whose transmission is 50 % at the cut-off wavelength: 0.18739."""


def reach_px(cutoff_px: float) -> int:
    """How far the filter looks: one cut-off, outside which its weight is 1e-7 on an axis."""
    return max(1, int(np.ceil(cutoff_px)))


def gaussian_weights(cutoff_px: float) -> np.ndarray:
    """Weights (2 reach + 1,), float64, of one axis; their sum is 1."""
    offset = np.arange(-reach_px(cutoff_px), reach_px(cutoff_px) + 1)
    weights = np.exp(-0.5 * (offset / (SIGMA_PER_CUTOFF * cutoff_px)) ** 2)
    return weights / weights.sum()


def along_axes(values: np.ndarray, row_weights: np.ndarray, col_weights: np.ndarray) -> np.ndarray:
    """Correlate (rows, columns) with weights of each axis; nothing lies outside the map (zero)."""
    return correlate1d(correlate1d(values, row_weights, axis=0, mode="constant"), col_weights, axis=1, mode="constant")


def smooth(values: np.ndarray, cutoff_px: float) -> np.ndarray:
    """Gaussian filter of (rows, columns), float32; weights renormalised over what is known; unknown stays NaN."""
    known = np.isfinite(values)
    weights = gaussian_weights(cutoff_px)
    held = along_axes(np.where(known, values, 0).astype(np.float32), weights, weights)
    share = along_axes(known.astype(np.float32), weights, weights)
    return np.where(known, held / np.where(known, share, 1), np.nan).astype(np.float32)
