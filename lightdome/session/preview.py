"""A quick look at normals and height from small pictures: plain least squares, then one cosine transform.

For the eye, on the spot: no highlight is left out, so that metal looks two to three times too deep, and slow bends
are not measured. The night's solver stands in the word surface.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft

AT_A_TIME = 1 << 14
"""Pixels, so that what is made of them under one lamp stays in the cache."""
STEEPEST = 3.0
"""Slope at which pictures are cut: a lamp's highlight, not the plate."""


@dataclass(frozen=True)
class Preview:
    """Small maps (rows, columns), float32; NaN where nothing is known."""

    slope_x: np.ndarray
    """dz/dx, no unit, x to the right."""
    slope_y: np.ndarray
    """dz/dy, no unit, y up."""
    facing: np.ndarray
    """Light of a surface that faces a lamp of unit power."""
    height_mm: np.ndarray
    """Less its mean plane; mm, not to be measured from."""


def preview(
    light: np.ndarray,
    ray_of: Callable[[int, slice], tuple[np.ndarray, np.ndarray]],
    plate: np.ndarray,
    pitch_mm: float,
) -> Preview:
    """Slopes and height of small pictures.

    light : (L, P), NaN unknown.  ray_of : unit vectors toward a lamp (3, p) and its irradiance (p,), by its place in
    the series and for some of the pixels.  plate : True (rows, columns), P of them, on the plate.  pitch_mm : of the
    small picture.
    """
    shape, pixels = plate.shape, plate.size
    count = np.zeros(pixels, np.int32)
    normal = np.zeros((3, 3, pixels), np.float32)
    right = np.zeros((3, pixels), np.float32)
    for first in range(0, pixels, AT_A_TIME):
        some = slice(first, first + AT_A_TIME)
        for k, one in enumerate(light[:, some]):
            known = np.isfinite(one)
            count[some] += known
            ray, irradiance = ray_of(k, some)
            scaled = ray * np.where(known, irradiance, 0)
            right[:, some] += scaled * np.where(known, one, 0)
            for i in range(3):
                for j in range(i, 3):
                    normal[i, j, some] += scaled[i] * scaled[j]
    normal[1, 0], normal[2, 0], normal[2, 1] = normal[0, 1], normal[0, 2], normal[1, 2]
    scaled_normal = _solved(normal, right)
    with np.errstate(invalid="ignore", divide="ignore"):
        up = np.where((scaled_normal[2] > 0) & (count >= 3) & plate.ravel(), scaled_normal[2], np.nan)
        slope_x = np.clip(-scaled_normal[0] / up, -STEEPEST, STEEPEST).reshape(shape)
        slope_y = np.clip(-scaled_normal[1] / up, -STEEPEST, STEEPEST).reshape(shape)
    facing = np.where(np.isfinite(up), np.sqrt((scaled_normal**2).sum(axis=0)), np.nan).reshape(shape)
    height_mm = integrated(slope_x, slope_y, pitch_mm)
    return Preview(slope_x, slope_y, facing, height_mm)


def _solved(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """x (3, P) of symmetric A x = b, A (3, 3, P), by Cramer's rule: a pixel's own small system, all at once."""
    a, b, c, d, e, f = matrix[0, 0], matrix[0, 1], matrix[0, 2], matrix[1, 1], matrix[1, 2], matrix[2, 2]
    cofactors = (
        (d * f - e * e, c * e - b * f, b * e - c * d),
        (c * e - b * f, a * f - c * c, b * c - a * e),
        (b * e - c * d, b * c - a * e, a * d - b * b),
    )
    determinant = a * cofactors[0][0] + b * cofactors[1][0] + c * cofactors[2][0]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.stack([sum(row[j] * right[j] for j in range(3)) / determinant for row in cofactors])


def integrated(slope_x: np.ndarray, slope_y: np.ndarray, pitch_mm: float) -> np.ndarray:
    """Height (rows, columns), mm, whose differences fit the slopes best, less its mean plane; unknown slopes count
    as 0.

    Free border: the discrete Poisson equation is diagonal in the cosine transform (Simchony, Chellappa, Shao 1990).
    """
    known = np.isfinite(slope_x) & np.isfinite(slope_y)
    if not known.any():
        return np.full(slope_x.shape, np.nan, np.float32)
    middle = np.median(slope_x[known]), np.median(slope_y[known])
    right = np.where(known, slope_x - middle[0], 0) * pitch_mm
    down = -np.where(known, slope_y - middle[1], 0) * pitch_mm
    along = (right[:, 1:] + right[:, :-1]) / 2
    across = (down[1:] + down[:-1]) / 2
    divergence = np.zeros(slope_x.shape)
    divergence[:, :-1] += along
    divergence[:, 1:] -= along
    divergence[:-1] += across
    divergence[1:] -= across
    rows, cols = slope_x.shape
    waves = 2 * np.cos(np.pi * np.arange(rows) / rows)[:, None] + 2 * np.cos(np.pi * np.arange(cols) / cols) - 4
    waves[0, 0] = 1
    spectrum = fft.dctn(divergence, type=2) / waves
    spectrum[0, 0] = 0
    height = fft.idctn(spectrum, type=2)
    y, x = np.indices(height.shape)
    design = np.stack([np.ones(known.sum()), x[known], y[known]], axis=1)
    plane, *_ = np.linalg.lstsq(design, height[known], rcond=None)
    height -= plane[0] + plane[1] * x + plane[2] * y
    return np.where(known, height, np.nan).astype(np.float32)
