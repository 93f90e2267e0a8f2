"""From the plate toward the lamps of the table: directions and irradiance at points of a field. Arrays in, arrays out.

For the quick look of check-session alone; what the night solves with stands in the word lights.
"""

from collections.abc import Sequence

import numpy as np

from lightdome.raster import Grid
from lightdome.session.checks import toward_lamps
from lightdome.session.records import Lamp


def pixel_places_mm(shape: tuple[int, int], pitch_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """x and y (rows x columns,), float32, of the pixel centres of a picture, mm from its centre, x right and y up."""
    grid = Grid(shape, pitch_mm)
    grid_x, grid_y = np.meshgrid(grid.x_mm().astype(np.float32), grid.y_mm().astype(np.float32))
    return grid_x.ravel(), grid_y.ravel()


def lamp_rays(
    lamps: Sequence[Lamp], beam_exponent: float, x_mm: np.ndarray, y_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Unit vectors toward the lamps (L, 3, P) and irradiances of a facing point (L, P), float32, at points (P,).

    Near lamps: power (r0 / d)^2 cos^m, r0 the lamp's distance from the origin, m the beam exponent about the axis aimed
    at the origin. Distant ones: power. (Inverse-square law, cos^m lamp model.)
    """
    axes = toward_lamps(lamps)
    rays = np.empty((len(lamps), 3, len(x_mm)), np.float32)
    irradiance = np.empty((len(lamps), len(x_mm)), np.float32)
    for k, lamp in enumerate(lamps):
        power = float(np.mean(lamp.power_rgb))
        if lamp.position_mm is None:
            rays[k] = axes[k][:, None]
            irradiance[k] = power
            continue
        place = np.array(lamp.position_mm, np.float32)
        away = np.stack([place[0] - x_mm, place[1] - y_mm, np.full_like(x_mm, place[2])])
        length = np.sqrt((away**2).sum(axis=0))
        rays[k] = away / length
        irradiance[k] = power * (np.linalg.norm(place) / length) ** 2
        if beam_exponent:
            irradiance[k] *= np.clip(axes[k].astype(np.float32) @ rays[k], 0, None) ** np.float32(beam_exponent)
    return rays, irradiance


def half_vectors(rays: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray, camera_mm: float | None) -> np.ndarray:
    """x and y of the unit vectors half way between lamp and camera (L, 2, P); `camera_mm` None is orthographic."""
    view = np.zeros((3, len(x_mm)), np.float32)
    view[2] = 1
    if camera_mm is not None:
        view[0], view[1], view[2] = -x_mm, -y_mm, camera_mm
        view /= np.sqrt((view**2).sum(axis=0))
    half = rays + view
    return (half / np.sqrt((half**2).sum(axis=1, keepdims=True)))[:, :2]
