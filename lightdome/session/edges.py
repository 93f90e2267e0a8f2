"""Edges of a photograph that look alike under every lamp, in patches spread over the plate.

A scratch lit from the left and from the right shows the same edges with opposite signs. So they are kept as the squared
complex gradient, (gx + i gy)^2 / |g|: it says where and how an edge runs and forgets which side is bright. The gradient
is that of the logarithm of the light, so that a highlight's flank weighs no more than a shaded one's.
"""

import cv2
import numba
import numpy as np
from scipy import fft

from lightdome.raster import Window
from lightdome.session.correlation import FINEST_WAVE

PATCH_PX = 256
PATCHES_A_SIDE = 3
SMALLEST_PATCH_PX = 96
"""Smaller ones hold too little detail; a picture without room for two beside one another gets overlapping ones."""
OVERLAPPING = 1.25
EDGE_SIGMA_PX, EDGE_TAPS = 1.0, 4.0
LOCAL_SIGMA_PX = 6.0
"""The finer it is, the less does shading feign a shift; at 4 the two walls of a groove are taken for one another."""
LOCAL_TAPS = 3.0
DARK_SHARE = 0.1
"""Of the light around, added to a pixel's before the logarithm, which noise in the dark would rule."""
STRONGEST_EDGE = 4.0
"""In units of the local root mean square; brighter glints count no more."""


def patch_windows(inside: Window) -> list[Window]:
    """Square windows spread over the part `inside` of a picture, four to nine where it is wide."""
    shorter = min(inside.shape)
    side = min(PATCH_PX, max(shorter // 2, min(shorter, SMALLEST_PATCH_PX)))
    starts = []
    for first, last in ((inside.row0, inside.row1), (inside.col0, inside.col1)):
        count = min(PATCHES_A_SIDE, max(1, (last - first) // side, 2 if last - first > OVERLAPPING * side else 1))
        starts.append(np.linspace(first, last - side, count).astype(int))
    return [Window(int(row), int(row) + side, int(col), int(col) + side) for row in starts[0] for col in starts[1]]


def middles_px(windows: list[Window], shape: tuple[int, int]) -> np.ndarray:
    """Middles (patch, 2: rows, columns) of patches, from the middle of the picture (rows, columns)."""
    middles = [(window.row0 + window.row1 - shape[0], window.col0 + window.col1 - shape[1]) for window in windows]
    return np.array(middles, float) / 2


def edge_spectra(patches: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Fourier transforms (patch, K, K), complex64, of the edges in patches (patch, P, P) of one frame, K `kept_waves`.

    weight : (patch, P, P), 0-1: the plate (1) against what lies beside it (0).
    """

    # patch by patch, so that the arrays of a patch stay in the cache
    light = [np.maximum(patch, np.float32(0), dtype=np.float32) for patch in patches]
    local_light = [_local(one) for one in light]
    floor = np.float32(1e-6 * max(one.max() for one in local_light) + 1e-9)
    gradients, strengths = [], []
    for one, around in zip(light, local_light, strict=True):
        smooth = _smoothed(np.log(one + np.float32(DARK_SHARE) * around + floor), EDGE_SIGMA_PX, EDGE_TAPS)
        gradient, square = _gradient(smooth)
        gradients.append(gradient)
        strengths.append(np.sqrt(_local(square)))
    floor = np.float32(1e-3 * max(one.max() for one in strengths) + 1e-9)
    side = patches.shape[1]
    window = np.hanning(side + 2)[1:-1].astype(np.float32)
    edges = np.empty(patches.shape, np.complex64)
    for one, gradient, strength, inside in zip(edges, gradients, strengths, weight, strict=True):
        _to_edges(gradient, strength + floor, inside)
        part = inside * (window[:, None] * window)
        one.real, one.imag = ((values - _local(values)) * part for values in gradient)
    spectra = fft.fft2(edges, overwrite_x=True)
    kept = np.abs(fft.fftfreq(side)) < FINEST_WAVE
    return spectra[:, kept][:, :, kept]


def _local(values: np.ndarray) -> np.ndarray:
    return _smoothed(values, LOCAL_SIGMA_PX, LOCAL_TAPS)


def _smoothed(patch: np.ndarray, sigma_px: float, taps: float) -> np.ndarray:
    """A patch (P, P) under a Gaussian that ends at `taps` standard deviations, mirrored at the border."""
    side = 2 * int(taps * sigma_px + 0.5) + 1
    return np.asarray(cv2.GaussianBlur(patch, (side, side), sigma_px, borderType=cv2.BORDER_REFLECT))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _gradient(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gradient (2: right, down; P, P) of values (P, P) from both neighbours, at the border from one; and its square."""
    rows, cols = values.shape
    gradient = np.empty((2, rows, cols), np.float32)
    for row in range(rows):
        above, below = values[max(row - 1, 0)], values[min(row + 1, rows - 1)]
        half = np.float32(0.5 if 0 < row < rows - 1 else 1)
        for col in range(cols):
            gradient[1, row, col] = half * (below[col] - above[col])
        line, right = values[row], gradient[0, row]
        for col in range(1, cols - 1):
            right[col] = np.float32(0.5) * (line[col + 1] - line[col - 1])
        right[0], right[-1] = line[1] - line[0], line[-1] - line[-2]
    return gradient, gradient[0] ** 2 + gradient[1] ** 2


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _to_edges(gradient: np.ndarray, local: np.ndarray, weight: np.ndarray) -> None:
    """Turn a gradient g (2, P, P) into edges: weight times g^2 / |g|^2 times |g| / `local`, at most STRONGEST_EDGE."""
    for row in range(len(local)):
        for col in range(len(local)):
            x, y = gradient[0, row, col], gradient[1, row, col]
            strength = np.sqrt(x * x + y * y)
            long = strength + np.float32(1e-9)
            x, y = x / long, y / long
            much = min(strength / local[row, col], np.float32(STRONGEST_EDGE)) * weight[row, col]
            gradient[0, row, col] = (x * x - y * y) * much
            gradient[1, row, col] = np.float32(2) * x * y * much
