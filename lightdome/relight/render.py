"""The picture of a field under a lamp, from its coefficients."""

import numpy as np

from lightdome.lights.lamps import directions
from lightdome.relight.basis import hemispherical_harmonics, order_of


def render(coefficients: np.ndarray, toward: np.ndarray) -> np.ndarray:
    """Linear light (...) of pixels under a lamp of unit irradiance; NaN stays NaN.

    coefficients : (functions, ...).  toward : unit vectors (3, ...) to the lamp, or (3,) where it is the same for all.
    The sum of the basis can fall below zero beside a narrow lobe; light cannot, so that such pixels are black.
    """
    basis = hemispherical_harmonics(np.asarray(toward, dtype=coefficients.dtype), order_of(len(coefficients)))
    if basis.ndim == 1:
        light = np.tensordot(basis, coefficients, axes=1)
    else:
        light = np.einsum("j...,j...->...", basis, coefficients)
    return np.maximum(light, 0)


def render_lamp(coefficients: np.ndarray, azimuth_deg: float, elevation_deg: float) -> np.ndarray:
    """Linear light (rows, columns) under a distant lamp of unit irradiance.

    azimuth_deg : counter-clockwise from +x.  elevation_deg : above the plate.
    """
    return render(coefficients, directions(np.array(azimuth_deg), np.array(elevation_deg)))
