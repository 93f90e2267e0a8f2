"""Height = form + etched relief + later marks: a low-pass takes out the form, a fill takes out the scratches."""

import numpy as np
from scipy.ndimage import find_objects, label
from scipy.signal import fftconvolve
from scipy.sparse import coo_array
from scipy.sparse.linalg import spsolve

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


def fill_across(height_um: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """Height with the pixels of a mask replaced by a smooth continuation of what lies beside them; float32.

    height_um : (rows, columns), um. taken : (rows, columns) bool. NaN stays NaN; a piece of the mask with no known
    pixel beside it stays as it is, since nothing tells what was there. Method: the harmonic function that takes the
    heights beside (Laplace's equation on the five-point star), solved piece by piece.
    """
    filled = height_um.astype(np.float32, copy=True)
    unknown = taken & np.isfinite(height_um)
    pieces, _ = label(unknown)
    for number, window in enumerate(find_objects(pieces), 1):
        rows = slice(max(window[0].start - 1, 0), window[0].stop + 1)
        cols = slice(max(window[1].start - 1, 0), window[1].stop + 1)
        inside = pieces[rows, cols] == number
        values = _harmonic(height_um[rows, cols].astype(float), inside, taken[rows, cols])
        if values is not None:
            filled[rows, cols][inside] = values
    return filled


def _harmonic(height_um: np.ndarray, inside: np.ndarray, taken: np.ndarray) -> np.ndarray | None:
    """Values of the inside pixels, in reading order; None where no known pixel outside the mask touches them."""
    count = int(inside.sum())
    number = np.full((inside.shape[0] + 2, inside.shape[1] + 2), -1)
    number[1:-1, 1:-1][inside] = np.arange(count)
    around = np.pad(np.where(taken, np.nan, height_um), 1, constant_values=np.nan)
    row, col = (axis + 1 for axis in np.nonzero(inside))
    diagonal, right = np.zeros(count), np.zeros(count)
    first, second = [], []
    for r, c in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        other, value = number[row + r, col + c], around[row + r, col + c]
        linked, known = other >= 0, np.isfinite(value)
        diagonal += linked | known
        right[known] += value[known]
        first.append(np.flatnonzero(linked))
        second.append(other[linked])
    i, j = np.concatenate(first), np.concatenate(second)
    if (diagonal == np.bincount(i, minlength=count)).all():
        return None
    matrix = coo_array(
        (
            np.concatenate([diagonal, -np.ones(len(i))]),
            (np.concatenate([np.arange(count), i]), np.concatenate([np.arange(count), j])),
        ),
        shape=(count, count),
    )
    return np.atleast_1d(spsolve(matrix.tocsc(), right))
