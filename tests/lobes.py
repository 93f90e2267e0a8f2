"""Plates of light made by `lobe.reflect`, the reference of the lobe, for tests of what takes it apart again."""

import numpy as np

from lightdome.lights.field import lamp_field, view_field
from lightdome.lights.lamps import LampSet, directions
from lightdome.surface.lobe import Lobe, family_table, reflect, stretch


def noise_of(read, shot=0.0, gain=0.0):
    """Coefficients of the variance of light, from standard deviations in the dark, at white and over the light."""
    return np.array([read**2, shot**2, gain**2, 0.0])


NOISE = noise_of(0.001, gain=0.01)


def near_dome(count, camera_distance_mm=400.0, distance_mm=250.0, power=None):
    """Lamps evenly over elevations 15-75 degrees, a golden angle apart; a camera above the origin."""
    step = np.arange(count)
    vectors = directions(step * 137.50776 % 360, 15 + 60 * (step + 0.5) / count) * distance_mm
    return LampSet(
        names=tuple(f"L{number:02d}" for number in step),
        model="near",
        vectors=vectors,
        power=1 + 0.1 * np.sin(step) if power is None else power,
        u_vectors=np.full(count, np.nan),
        beam_exponent=0.0,
        flat_divided=False,
        camera_distance_mm=camera_distance_mm,
        how_known="table",
    )


def lobe_of(tail=2.0, anisotropy=1.0, direction_deg=0.0, curvature=0.0, roughness=0.3, noise=NOISE):
    """A lobe of the family, stretched."""
    stretched = np.array(stretch(np.array(anisotropy), np.radians(direction_deg)))
    return Lobe(family_table(tail), curvature, stretched, roughness, noise)


def coordinates(shape, pitch_mm=0.5):
    """x of the columns and y of the rows, mm, about the origin."""
    rows, cols = shape
    return (np.arange(cols) + 0.5 - cols / 2) * pitch_mm, (rows / 2 - np.arange(rows) - 0.5) * pitch_mm


def reflectance_of(shape, diffuse, specular, roughness, anisotropy=1.0, direction_deg=0.0):
    """(5, rows, columns) of numbers or arrays."""
    parts = (diffuse, specular, roughness, anisotropy, direction_deg)
    return np.stack([np.broadcast_to(np.asarray(part, float), shape) for part in parts])


def light_of(lobe, lamps, slopes, reflectance, pitch_mm=0.5):
    """Light (L, rows, columns) of slopes (2, rows, columns) and reflectance (5, rows, columns)."""
    x_mm, y_mm = coordinates(slopes.shape[1:], pitch_mm)
    toward, irradiance = lamp_field(lamps, x_mm, y_mm)
    view = view_field(lamps, x_mm, y_mm)
    return irradiance * reflect(lobe, toward, view, *slopes, reflectance)


def noisy(light, noise=NOISE, seed=0):
    """The same light with noise of the variance that `noise_of` says."""
    variance = noise[0] + noise[1] * light + noise[2] * light**2
    return light + np.sqrt(variance) * np.random.default_rng(seed).standard_normal(light.shape)


def flat_list(array):
    """(..., rows, columns) as (..., pixels)."""
    return array.reshape(*array.shape[:-2], -1)
