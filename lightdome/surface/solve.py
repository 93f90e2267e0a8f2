"""Normals, tilt uncertainty and reflectance of a region of a field, from its light and its lamps."""

import numpy as np

from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.surface.facets import solve_facets
from lightdome.surface.lobe import Lobe
from lightdome.surface.normals import solve_pixels
from lightdome.surface.region import FEW_LAMPS, FLAG_FEW, FLAG_NONE, Region
from lightdome.surface.tilt import tilt_uncertainty

STRIP_PX = 8192
"""Pixels solved at a time, so that the directions of all lamps take a few megabytes only."""
FEWEST_FOR_LOBES = 8
"""A lobe and a diffuse part have five unknowns; with fewer usable lamps than this the answer is least squares."""


def solve_region(
    light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, method: str, lobe: Lobe | None = None
) -> Region:
    """Solve a region by a method: microfacet (with the plate's lobe), robust or least-squares.

    light : (L, rows, columns), NaN where a sample is not to be used.  x_mm : (columns,).  y_mm : (rows,).
    """
    if method == "microfacet" and lobe is not None:
        found = solve_facets(light, lamps, x_mm, y_mm, lobe)
        few = np.isfinite(light).sum(axis=0) < FEWEST_FOR_LOBES
        if not few.any():
            return found
        matte = _solve_matte(light, lamps, x_mm, y_mm, robust=False)
        return Region(
            slopes=np.where(few, matte.slopes, found.slopes),
            u_tilt_rad=np.where(few, matte.u_tilt_rad, found.u_tilt_rad),
            reflectance=np.where(few, matte.reflectance, found.reflectance),
            total=np.where(few, matte.total, found.total),
            flags=np.where(few, matte.flags, found.flags),
        )
    return _solve_matte(light, lamps, x_mm, y_mm, method == "robust")


def _solve_matte(light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, robust: bool) -> Region:
    """By `normals.solve_pixels`; NaN where it has no answer. Only the diffuse reflectance is known."""
    count, rows, cols = light.shape
    values = np.empty((4, rows, cols), np.float32)
    step = max(1, STRIP_PX // cols)
    for row in range(0, rows, step):
        strip = slice(row, min(row + step, rows))
        direction, irradiance = lamp_field(lamps, x_mm, y_mm[strip])
        direction, irradiance = direction.reshape(count, 3, -1), irradiance.reshape(count, -1)
        fit = solve_pixels(light[:, strip].reshape(count, -1), direction, irradiance, robust)
        diffuse = np.sqrt((fit.m**2).sum(axis=0))
        u_tilt = tilt_uncertainty(fit, direction, lamps.u_directions_rad, lamps.flat_divided)
        values[:, strip] = np.stack([-fit.m[0] / fit.m[2], -fit.m[1] / fit.m[2], u_tilt, diffuse]).reshape(4, -1, cols)
    unknown = np.full((4, rows, cols), np.nan, np.float32)
    flags = np.zeros((rows, cols), np.uint8)
    flags[np.isfinite(light).sum(axis=0) < FEW_LAMPS] |= FLAG_FEW
    flags[~np.isfinite(values[0])] = FLAG_NONE
    return Region(values[:2], values[2], np.concatenate([values[3:], unknown]), values[3], flags)
