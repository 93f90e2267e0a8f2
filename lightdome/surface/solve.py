"""Normals, tilt uncertainty and reflectance of a window of a field, from its light and its lamps."""

import numpy as np

from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.surface.normals import solve_pixels
from lightdome.surface.tilt import tilt_uncertainty

STRIP_PX = 8192
"""Pixels solved at a time, so that the directions of all lamps take a few megabytes only."""


def solve_window(light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, robust: bool) -> np.ndarray:
    """Normal (3), tilt uncertainty in degrees and diffuse reflectance: (5, rows, columns), float32.

    light : (L, rows, columns), NaN where a sample is not to be used.  x_mm : (columns,).  y_mm : (rows,).

    NaN where `normals.solve_pixels` has no answer.
    """
    if lamps.model == "near":
        u_lamp = lamps.u_vectors / np.linalg.norm(lamps.vectors, axis=1)
    else:
        u_lamp = np.radians(lamps.u_vectors)
    count, rows, cols = light.shape
    values = np.empty((5, rows, cols), np.float32)
    step = max(1, STRIP_PX // cols)
    for row in range(0, rows, step):
        strip = slice(row, min(row + step, rows))
        direction, irradiance = lamp_field(lamps, x_mm, y_mm[strip])
        direction, irradiance = direction.reshape(count, 3, -1), irradiance.reshape(count, -1)
        fit = solve_pixels(light[:, strip].reshape(count, -1), direction, irradiance, robust)
        reflectance = np.sqrt((fit.m**2).sum(axis=0))
        tilt_deg = np.degrees(tilt_uncertainty(fit, direction, u_lamp, lamps.flat_divided))
        values[:, strip] = np.concatenate([fit.m / reflectance, tilt_deg[None], reflectance[None]]).reshape(5, -1, cols)
    return values
