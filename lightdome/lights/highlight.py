"""The lamp's reflection in a mirror sphere: the brightest connected spots and their sub-pixel centroids."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

HORIZON = np.sqrt(0.5)
"""A light in the plate's plane is seen at this part of the radius, lower ones farther out (rho = r sin(zenith / 2))."""
BROADEST = 0.2
"""Of the sphere's radius: a reflection that reaches farther from its middle is no lamp (the plate, a window)."""
DIMMEST = 0.03
"""Of white, above what is around it: dimmer spots are not taken for a lamp."""
STANDS_OUT = 8.0
"""In robust standard deviations of the disc."""
LEVELS = (0.1, 0.2, 0.4)
"""Of the height of a spot above what is around it: its centroid is taken above each, and their spread is its doubt."""
CORE_LEVEL = 0.4
"""The highest of them: spots that join below it are still two."""
SMALLEST_U_PX, CLIPPED_U_PX = 0.03, 0.03
"""Standard uncertainty of a centroid, and what is added to it where a spot is at white all over: of its outline alone
whole pixels are known (measured on rendered spheres, benchmarks/spheres.py)."""
OTHERS_FROM = 0.15
"""Of the light of the brightest spot: fainter ones are flares."""
MOST_SPOTS = 3
STATIC_LAMPS = 5
"""From so many lamps on, what most photographs show at one place is taken away."""


@dataclass(frozen=True)
class Spot:
    """One bright spot on a sphere."""

    centre_px: tuple[float, float]
    """Column, row."""
    u_px: float
    """Standard uncertainty of each."""
    radius_px: float
    """Of a disc of the same area."""
    light: float
    """Sum over its pixels, 1 being one white pixel; less than the truth where it is clipped."""
    clipped: float
    """Share of its pixels at white."""


def without_static(patches: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Light (L, rows, columns) less what most photographs show, never below zero; and that (rows, columns).

    A window or a second lamp that stays on stands in all photographs at one place of the sphere.
    """
    if len(patches) < STATIC_LAMPS:
        return patches, np.zeros(patches.shape[1:], np.float32)
    static = np.median(patches, axis=0)
    return np.maximum(patches - static, 0), static


def find_spots(light: np.ndarray, inside: np.ndarray, clipped: np.ndarray, radius_px: float) -> list[Spot]:
    """Spots of a sphere's picture, the one with the most light first; none where nothing stands out.

    light : (rows, columns), 1 at and above white.  inside : True (rows, columns) where the sphere mirrors what is above
    the plate.  clipped : True (rows, columns) at white.  radius_px : of the rim.
    """
    if not inside.any():
        return []
    values = light[inside]
    around = float(np.median(values))
    noise = 1.4826 * float(np.median(np.abs(values - around)))
    height = float(values.max()) - around
    if height < max(DIMMEST, STANDS_OUT * noise):
        return []
    above = np.where(inside, light - around, 0)
    labels, count = ndimage.label(above >= CORE_LEVEL * height, np.ones((3, 3)))
    spots = []
    for index in range(1, count + 1):
        spot = _spot(above, labels == index, clipped, BROADEST * radius_px)
        if spot is not None:
            spots.append(spot)
    spots.sort(key=lambda spot: -spot.light)
    return [spot for spot in spots if spot.light >= OTHERS_FROM * spots[0].light][:MOST_SPOTS]


def _spot(above: np.ndarray, core: np.ndarray, clipped: np.ndarray, farthest_px: float) -> Spot | None:
    """The spot about a connected core, from the light above its surroundings; None where it reaches too far."""
    peak = float(above[core].max())
    seed = tuple(np.argwhere(core & (above == peak))[0])
    centres = []
    area = light = share = 0.0
    for level in LEVELS:
        labels, _ = ndimage.label(above >= level * peak, np.ones((3, 3)))
        mine = labels == labels[seed]
        weight = np.where(mine, above - level * peak, 0)
        if weight.sum() <= 0:
            weight = mine.astype(float)
        rows, columns = np.nonzero(mine)
        centres.append(np.average(np.stack([columns, rows], axis=1), axis=0, weights=weight[mine]))
        if level == CORE_LEVEL:
            if np.hypot(columns - centres[-1][0], rows - centres[-1][1]).max() > farthest_px:
                return None
            area, light, share = float(mine.sum()), float(above[mine].sum()), float(clipped[mine].mean())
    centre = np.mean(centres, axis=0)
    spread = float(np.sqrt(np.mean(np.var(centres, axis=0))))
    u_px = float(np.hypot(spread, SMALLEST_U_PX + CLIPPED_U_PX * share))
    return Spot((float(centre[0]), float(centre[1])), u_px, float(np.sqrt(area / np.pi)), light, share)
