"""From a highlight to the lamp's direction, and from a lamp to its highlight."""

import numpy as np

from lightdome.lights.view import View
from lightdome.raster import Window

LOWEST = float(np.sin(np.radians(3.0)))
"""A lamp lower than this over the plate is not looked for: its spot would run into the mirrored table."""
ROUNDS = 12
"""Of the search for the reflecting point; each makes the error smaller by the radius over the lamp's distance."""


def balls(view: View, circles: np.ndarray, heights_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centres (M, 3) and radii (M,), mm, of spheres seen with circles (M, 3: column, row, radius, px).

    heights_mm : (M,): of the centres above the plate. The radius is what is seen, so that an error of the pixel pitch
    does not turn directions. Perspective: radius = distance x sine of the half angle that the sphere fills.
    """
    centres = view.at_height(circles[:, :2], heights_mm)
    if view.distance_mm is None:
        return centres, circles[:, 2] * view.pitch_mm
    away = np.linalg.norm(centres - np.array([0, 0, view.distance_mm]), axis=1)
    return centres, away * np.sin(np.arctan2(circles[:, 2] * view.pitch_mm, view.distance_mm))


def mirrored_rays(
    view: View, centres_mm: np.ndarray, radii_mm: np.ndarray, highlight_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Points (..., 3), mm, that mirror the lamp and unit vectors (..., 3) from them toward it; NaN off the sphere.

    centres_mm : (..., 3).  radii_mm : (...).  highlight_px : (..., 2: column, row).
    With v toward the camera and n the outward normal there, l = 2 (n.v) n - v (law of reflection).
    """
    start = view.on_plate(highlight_px)
    toward = view.toward_camera(start)
    # nearest crossing, coming from the camera: start + t toward, with the larger t
    away = start - centres_mm
    along = (away * toward).sum(axis=-1)
    with np.errstate(invalid="ignore"):
        t = -along + np.sqrt(along**2 - (away**2).sum(axis=-1) + radii_mm**2)
    points = start + t[..., None] * toward
    normal = (points - centres_mm) / radii_mm[..., None]
    return points, 2 * (normal * toward).sum(axis=-1, keepdims=True) * normal - toward


def above_plate(view: View, circle: np.ndarray, height_mm: float, part: Window) -> np.ndarray:
    """True (rows, columns of a part of the picture) where a sphere mirrors what is above the plate.

    From a few degrees of elevation on, so that the mirrored table is left out.
    """
    centres, radii = balls(view, circle[None], np.array([height_mm]))
    pixels = np.stack(np.meshgrid(np.arange(part.col0, part.col1), np.arange(part.row0, part.row1)), axis=-1)
    _, toward = mirrored_rays(view, centres[0], radii[0], pixels)
    with np.errstate(invalid="ignore"):
        return np.asarray(toward[..., 2] > LOWEST)


def highlights(view: View, centres_mm: np.ndarray, radii_mm: np.ndarray, lamps: np.ndarray, near: bool) -> np.ndarray:
    """Pixels (L, M, 2: column, row) at which spheres (M) mirror lamps (L, 3): places in mm, or unit vectors.

    The mirroring point of a sphere for two places has no simple formula (Alhazen's problem); the normal that halves
    the angle between lamp and camera is found by going on from one point to the next.
    """
    centres, radii = centres_mm[None], radii_mm[None, :, None]
    points = np.broadcast_to(centres, (len(lamps), *centres_mm.shape))
    for _ in range(ROUNDS):
        toward = lamps[:, None] - points if near else np.broadcast_to(lamps[:, None], points.shape)
        half = toward / np.linalg.norm(toward, axis=-1, keepdims=True) + view.toward_camera(points)
        points = centres + radii * half / np.linalg.norm(half, axis=-1, keepdims=True)
    return view.seen_at(points)
