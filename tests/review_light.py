"""NumPy's rendering of the plates of `review_plates`, for comparison with what a browser draws."""

import numpy as np
from review_plates import CAMERA_MM, LAMP_MM, LOBE, WHITE

from lightdome.publish.pictures import encode
from lightdome.relight.render import render, render_lobe

LEVELS = 1
"""Largest difference, of 255, that a picture may have: each side rounds once."""


def toward(azimuth_deg, elevation_deg, grid):
    """Directions (3, rows, columns) to a near lamp, and its irradiance of a surface facing it."""
    azimuth, elevation = np.radians([azimuth_deg, elevation_deg])
    place = LAMP_MM * np.array(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
    )
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    way = place[:, None, None] - np.stack([x, y, 0 * x])
    far = np.linalg.norm(way, axis=0)
    return way / far, (LAMP_MM / far) ** 2


def view_of(grid):
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    way = np.stack([-x, -y, CAMERA_MM + 0 * x])
    return way / np.linalg.norm(way, axis=0)


def light_of(shown, state, lamp, fill=False):
    """Linear light, `white` shown as 1, of the field."""
    total = 0
    for (azimuth, elevation), strength in ((lamp, 1.0), *([((300, 50), 0.4)] if fill else [])):
        to, irradiance = toward(azimuth, elevation, shown.grid)
        if state == "harmonics":
            light = render(shown.values["harmonics"], to)
        else:
            light = render_lobe(shown.values["relight"].astype(float), LOBE, to, view_of(shown.grid))
        total = total + strength * irradiance * light
    return total / WHITE * 2**0.5


def relief_of(shown, lamp):
    azimuth, elevation = np.radians(lamp)
    to = (np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation))
    p, q = shown.values["slopes"]
    return 0.4 * np.maximum(0, (to[2] - p * to[0] - q * to[1]) / np.sqrt(1 + p**2 + q**2)) / to[2] * 2**0.5


def grey(light):
    return np.repeat(encode(light, 1.0)[..., None], 3, axis=-1)
