"""Height from slopes: weighted least squares of height differences, by conjugate gradients on cosine transforms.

Heights stand at pixel centres, differences between neighbours. The difference between two neighbours is the integral of
the slope from one to the other, by the four slopes around it, (-1, 13, 13, -1) / 24 of the pitch (fourth order; at an
edge three slopes, (5, 8, -1) / 12, third order; else the mean of two). Because differences are staggered against
heights there is no checkerboard that costs nothing.

The normal equations are a five-point Laplacian with free boundary. On a full rectangle with equal weights the cosine
transform inverts it exactly (Simchony, Chellappa and Shao 1990, from memory); elsewhere that inverse is the
preconditioner of conjugate gradients. Every connected piece has a mean height of zero; nothing is levelled.
"""

import numba
import numpy as np
import scipy.fft

ENOUGH_UM = 5e-4
"""Conjugate gradients end when two steps in a row change no height by more than this."""
MOST_STEPS = 300


def divergence(slope_x: np.ndarray, slope_y: np.ndarray, weight: np.ndarray, pitch_um: float) -> np.ndarray:
    """Right side of the normal equations, (rows, columns), float32: what the slopes ask of each pixel's neighbours.

    slope_x, slope_y : (rows, columns), float32: rise toward +x (along columns), toward +y (against rows).
    weight : (rows, columns), float32, 0 to 1; 0 outside the mask, where slopes are ignored.
    """
    right_side = np.empty(weight.shape, np.float32)
    _divergence(slope_x, slope_y, weight, np.float32(pitch_um), right_side)
    return right_side


def solve_height(right_side: np.ndarray, weight: np.ndarray, threads: int = 1) -> np.ndarray:
    """Height (rows, columns), float32, um, from what `divergence` returned (used up); NaN where the weight is 0.

    A difference has the harmonic mean of the weights of its two pixels.
    """
    from scipy.ndimage import label

    pieces, count = label(weight > 0)
    height = np.zeros(weight.shape, np.float32)
    _conjugate_gradients(height, right_side, weight, pieces, count, threads)
    _subtract_means(height, pieces, count)
    height[pieces == 0] = np.nan
    return height


def _conjugate_gradients(
    height: np.ndarray, residual: np.ndarray, weight: np.ndarray, pieces: np.ndarray, count: int, threads: int
) -> None:
    """Solve the normal equations in place; the residual is used up."""
    step, image = np.zeros_like(height), np.empty_like(height)
    power_before, still = 0.0, 0
    for _ in range(MOST_STEPS):
        image[:] = residual
        _invert_laplacian(image, threads)
        # the mean of a piece costs nothing: left in, it would drift and take the last digits of the heights with it
        _subtract_means(image, pieces, count)
        power = _dot(residual, image)
        if not power > 0:
            return
        step *= np.float32(power / power_before if power_before else 0)
        step += image
        _laplacian(step, weight, image)
        length = np.float32(power / _dot(step, image))
        height += length * step
        image *= length
        residual -= image
        largest = float(length) * max(float(step.max()), -float(step.min()))
        still = still + 1 if largest < ENOUGH_UM else 0
        if still == 2:
            return
        power_before = power


def _invert_laplacian(values: np.ndarray, threads: int) -> None:
    """Apply the inverse of the five-point Laplacian with free boundary, in place; the mean of the answer is zero."""
    rows, cols = values.shape
    spectrum = scipy.fft.dctn(values, type=2, norm="ortho", overwrite_x=True, workers=threads)
    of_row = (2 - 2 * np.cos(np.pi * np.arange(rows) / rows)).astype(np.float32)
    of_col = (2 - 2 * np.cos(np.pi * np.arange(cols) / cols)).astype(np.float32)
    for row in range(rows):
        eigenvalues = of_row[row] + of_col
        if row == 0:
            eigenvalues[0] = np.inf
        spectrum[row] /= eigenvalues
    values[:] = scipy.fft.idctn(spectrum, type=2, norm="ortho", overwrite_x=True, workers=threads)


def _dot(first: np.ndarray, second: np.ndarray) -> float:
    """Inner product, summed row by row in double precision."""
    return float(np.einsum("rc,rc->r", first, second).sum(dtype=np.float64))


@numba.njit(cache=True, error_model="numpy")
def _subtract_means(values: np.ndarray, pieces: np.ndarray, count: int) -> None:
    """Give each piece a mean of zero, in place; zero outside (piece 0)."""
    rows, cols = values.shape
    total, size = np.zeros(count + 1), np.zeros(count + 1)
    for r in range(rows):
        for c in range(cols):
            total[pieces[r, c]] += values[r, c]
            size[pieces[r, c]] += 1
    mean = (total / size).astype(np.float32)
    for r in range(rows):
        for c in range(cols):
            piece = pieces[r, c]
            values[r, c] = values[r, c] - mean[piece] if piece > 0 else np.float32(0)


@numba.njit(cache=True, error_model="numpy")
def _slope_between(before: np.float32, here: np.float32, there: np.float32, after: np.float32) -> np.float32:
    """Mean slope between two neighbours from the slopes around; NaN stands for a neighbour that is not there."""
    if np.isfinite(before) and np.isfinite(after):
        return (np.float32(13) * (here + there) - before - after) / np.float32(24)
    if np.isfinite(after):
        return (np.float32(5) * here + np.float32(8) * there - after) / np.float32(12)
    if np.isfinite(before):
        return (np.float32(5) * there + np.float32(8) * here - before) / np.float32(12)
    return (here + there) / np.float32(2)


@numba.njit(cache=True, error_model="numpy")
def _divergence(
    slope_x: np.ndarray, slope_y: np.ndarray, weight: np.ndarray, pitch: np.float32, residual: np.ndarray
) -> None:
    """Divergence of the weighted differences that the slopes ask for."""
    rows, cols = weight.shape
    nan, two = np.float32(np.nan), np.float32(2)
    residual[:] = np.float32(0)
    for r in range(rows):
        for c in range(cols):
            w = weight[r, c]
            if w == 0:
                continue
            if c + 1 < cols and weight[r, c + 1] > 0:
                before = slope_x[r, c - 1] if c > 0 and weight[r, c - 1] > 0 else nan
                after = slope_x[r, c + 2] if c + 2 < cols and weight[r, c + 2] > 0 else nan
                flow = two * w * weight[r, c + 1] / (w + weight[r, c + 1]) * pitch
                flow *= _slope_between(before, slope_x[r, c], slope_x[r, c + 1], after)
                residual[r, c] -= flow
                residual[r, c + 1] += flow
            if r + 1 < rows and weight[r + 1, c] > 0:
                before = slope_y[r - 1, c] if r > 0 and weight[r - 1, c] > 0 else nan
                after = slope_y[r + 2, c] if r + 2 < rows and weight[r + 2, c] > 0 else nan
                flow = -two * w * weight[r + 1, c] / (w + weight[r + 1, c]) * pitch  # y runs against rows
                flow *= _slope_between(before, slope_y[r, c], slope_y[r + 1, c], after)
                residual[r, c] -= flow
                residual[r + 1, c] += flow


@numba.njit(cache=True, error_model="numpy")
def _laplacian(values: np.ndarray, weight: np.ndarray, image: np.ndarray) -> None:
    """The weighted five-point Laplacian (positive) of values."""
    rows, cols = weight.shape
    two, tiny = np.float32(2), np.float32(1e-30)
    image[:] = np.float32(0)
    for r in range(rows):
        for c in range(cols - 1):
            both = weight[r, c] + weight[r, c + 1]
            flow = two * weight[r, c] * weight[r, c + 1] / max(both, tiny) * (values[r, c + 1] - values[r, c])
            image[r, c] -= flow
            image[r, c + 1] += flow
        if r + 1 < rows:
            for c in range(cols):
                both = weight[r, c] + weight[r + 1, c]
                flow = two * weight[r, c] * weight[r + 1, c] / max(both, tiny) * (values[r + 1, c] - values[r, c])
                image[r, c] -= flow
                image[r + 1, c] += flow
