"""The picture of a field under a lamp, from its coefficients or from its lobe model."""

import numpy as np

from lightdome.lights.lamps import directions
from lightdome.relight.basis import hemispherical_harmonics, names, order_of
from lightdome.surface.lobe import Lobe, reflect, unstretch

RESIDUAL_ORDER = 2
LOBE_BANDS = ("slope_x", "slope_y", "diffuse", "specular", "roughness", "limit")
BANDS = (*LOBE_BANDS, *(f"l{order}_m{degree}" for order, degree in names(RESIDUAL_ORDER)))
"""The lobe model of a pixel, unit 1; the limit and the coefficients l0_m0 ... are of light under unit irradiance."""


def render(coefficients: np.ndarray, toward: np.ndarray) -> np.ndarray:
    """Linear light (...) of pixels under a lamp of unit irradiance; NaN stays NaN.

    coefficients : (functions, ...).  toward : unit vectors (3, ...) to the lamp, or (3,) where it is the same for all.
    The sum of the basis can fall below zero beside a narrow lobe; light cannot, so that such pixels are black.
    """
    return np.maximum(_sum(coefficients, toward), 0)


def render_lobe(model: np.ndarray, lobe: Lobe, toward: np.ndarray, view: np.ndarray) -> np.ndarray:
    """Linear light (...) of pixels under a lamp of unit irradiance; NaN stays NaN.

    max(0, min(limit, lobe model) + sum_j H_j c_j): see `relight/lobe.py`.

    model : (len(BANDS), ...), as `fit_lobe_model` gives it.  lobe : that of the plate.
    toward : unit vectors (3, ...) to the lamp, or (3,) where it is the same for all (a distant one).
    view : unit vectors to the camera, of the same two forms.
    """
    pixels = [1] * (model.ndim - 1)
    lamp, eye = (to if np.ndim(to) > 1 else np.reshape(to, (3, *pixels)) for to in (toward, view))
    highlight = np.minimum(lobe_light(model, lobe, lamp[None], eye)[0], model[LOBE_BANDS.index("limit")])
    return np.maximum(highlight + _sum(model[len(LOBE_BANDS) :], toward), 0)


def lobe_light(model: np.ndarray, lobe: Lobe, toward: np.ndarray, view: np.ndarray) -> np.ndarray:
    """Light (L, ...) of lobe and diffuse part alone, neither limited nor corrected.

    model : (len(BANDS), ...).  toward : (L, 3, ...).  view : (3, ...).
    """
    slope_x, slope_y, diffuse, specular, roughness = model[:5]
    anisotropy, direction_rad = unstretch(*lobe.stretched)
    brushed = [np.full_like(roughness, value) for value in (anisotropy, np.degrees(direction_rad))]
    return reflect(lobe, toward, view, slope_x, slope_y, np.stack([diffuse, specular, roughness, *brushed]))


def render_lamp(coefficients: np.ndarray, azimuth_deg: float, elevation_deg: float) -> np.ndarray:
    """Linear light (rows, columns) under a distant lamp of unit irradiance.

    azimuth_deg : counter-clockwise from +x.  elevation_deg : above the plate.
    """
    return render(coefficients, directions(np.array(azimuth_deg), np.array(elevation_deg)))


def _sum(coefficients: np.ndarray, toward: np.ndarray) -> np.ndarray:
    """Value of the harmonics; may be below zero."""
    basis = hemispherical_harmonics(np.asarray(toward, dtype=coefficients.dtype), order_of(len(coefficients)))
    if basis.ndim == 1:
        return np.tensordot(basis, coefficients, axes=1)
    return np.einsum("j...,j...->...", basis, coefficients)
