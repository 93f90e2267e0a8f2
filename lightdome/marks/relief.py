"""The form of a height map: what an areal Gaussian low-pass keeps."""

import numpy as np
from scipy.signal import fftconvolve

from lightdome.marks.reference import CUTOFF_TO_SIGMA

LINES_AT_ONCE = 128
LEAST_WEIGHT = 1e-6
"""Of the filter's weight: farther from any known pixel the form is unknown (and so is the height)."""


def form_of(height_um: np.ndarray, cutoff_px: float) -> np.ndarray:
    """Form of a height map: areal Gaussian low-pass, normalised by the weight of the known pixels; float32.

    height_um : (rows, columns), um, NaN where unknown; the form is NaN there too. cutoff_px : wavelength kept to 50 %.
    Method: ISO 16610-61, cut off at +-1 cut-off, where the weight is below 1e-7.
    """
    reach = max(1, int(np.ceil(cutoff_px)))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (CUTOFF_TO_SIGMA * cutoff_px)) ** 2)
    kernel /= kernel.sum()
    known = np.isfinite(height_um)
    if not known.any():
        return np.full(height_um.shape, np.nan, np.float32)
    # about the mean height, so that float32 keeps its digits for the relief
    level = float(np.mean(height_um, where=known, dtype=np.float64))
    form = _along_both(np.where(known, height_um - np.float32(level), 0).astype(np.float32), kernel)
    weight = _along_both(known.astype(np.float32), kernel)
    known &= weight > LEAST_WEIGHT
    np.divide(form, weight, out=form, where=known)
    form += np.float32(level)
    form[~known] = np.nan
    return form


def _along_both(values: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """Convolve (rows, columns) with the kernel along both axes, in place, a band of lines at a time."""
    for axis in (1, 0):
        for start in range(0, values.shape[1 - axis], LINES_AT_ONCE):
            lines = slice(start, start + LINES_AT_ONCE)
            part = (lines, slice(None)) if axis == 1 else (slice(None), lines)
            shaped = kernel[None, :] if axis == 1 else kernel[:, None]
            values[part] = _same(values[part].astype(float), shaped, axis)
    return values


def _same(part: np.ndarray, kernel: np.ndarray, axis: int) -> np.ndarray:
    reach = kernel.size // 2
    full = fftconvolve(part, kernel, mode="full", axes=axis)
    return np.take(full, np.arange(reach, reach + part.shape[axis]), axis=axis)
