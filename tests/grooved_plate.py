"""A plate whose shading changes with every lamp. It is a formula, so a moved one is evaluated, not interpolated; the
truth is the number put into the formula."""

from functools import cache

import numpy as np

SIZE = 320
LAMPS = 12
MOVED = 4


@cache
def plate(shift_px, turn=(0.0, 0.0)):
    """Grooves, pits and rolled grain, heights in pixels, moved down and right by `shift_px`.

    turn : about the middle, scale x cos - 1 and scale x sin of the rotation: a place p from the middle goes to
        shift + p + turn p.
    """
    rows, cols = np.mgrid[:SIZE, :SIZE].astype(float)
    middle = (SIZE - 1) / 2
    # complex numbers, row + i column: a place z came from (z - shift) / (1 + turn)
    came_from = ((rows - middle - shift_px[0]) + 1j * (cols - middle - shift_px[1])) / (1 + complex(*turn))
    y, x = came_from.real + middle, came_from.imag + middle
    draw = np.random.default_rng(7)
    height = np.zeros((SIZE, SIZE))
    for _ in range(30):
        angle, middle = draw.uniform(0, np.pi), draw.uniform(0, SIZE, 2)
        width, depth = draw.uniform(1.2, 3), draw.uniform(0.3, 1.2)
        across = (x - middle[1]) * np.cos(angle) + (y - middle[0]) * np.sin(angle)
        along = -(x - middle[1]) * np.sin(angle) + (y - middle[0]) * np.cos(angle)
        height -= depth * np.exp(-(across**2) / (2 * width**2) - along**2 / (2 * 60**2))
    for _ in range(90):
        middle, width, depth = draw.uniform(0, SIZE, 2), draw.uniform(1.5, 4), draw.uniform(0.2, 1)
        height -= depth * np.exp(-((x - middle[1]) ** 2 + (y - middle[0]) ** 2) / (2 * width**2))
    for _ in range(40):
        height += 0.02 * np.cos(2 * np.pi * draw.uniform(0.02, 0.2) * y + draw.uniform(0, 6))
    return height


def photograph(height, toward, gloss, seed):
    """Light of a plate with a matt and a glossy part (Lambert; Trowbridge-Reitz lobe of roughness 0.25), with noise."""
    down, right = np.gradient(height)
    normal = np.stack([-right, down, np.ones_like(height)])
    normal /= np.linalg.norm(normal, axis=0)
    half = toward + np.array([0, 0, 1])
    facing = np.clip(np.tensordot(toward, normal, 1), 0, None)
    aligned = np.tensordot(half / np.linalg.norm(half), normal, 1)
    lobe = 0.0625 / (np.pi * (aligned**2 * (0.0625 - 1) + 1) ** 2)
    light = (1 - gloss) * 0.3 * facing + gloss * 0.25 * lobe * (facing > 0)
    noise = np.random.default_rng(seed).normal(0, 1, light.shape) * 0.006 * np.sqrt(np.clip(light, 0, None) + 0.01)
    return np.clip(light + noise, 0, 0.9)


def lamps():
    azimuth = 2 * np.pi * np.arange(LAMPS) * 5 / LAMPS
    elevation = np.radians(np.array([20, 40, 60])[np.arange(LAMPS) % 3])
    level = np.cos(elevation)
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)], axis=1)


def some_moved():
    """Shifts (LAMPS, 2): most stand still, the last ones are moved by up to 6 px."""
    shifts = np.zeros((LAMPS, 2))
    shifts[-MOVED:] = np.random.default_rng(3).uniform(-6, 6, (MOVED, 2))
    return shifts
