"""Where lamps are missing, and how sure the tilt can be from where they stood. Arrays in, numbers out."""

from dataclasses import dataclass

import numpy as np

BANDS_DEG = ((0.0, 25.0), (25.0, 50.0), (50.0, 75.0))
"""Elevations told apart: raking, middle, steep. Above them azimuth means little."""
USUAL_DEG = (15.0, 65.0)
"""Elevations that captures usually span (common practice, from memory)."""
LOWEST_DEG = 15.0
GRID = 6000
"""Directions at which the largest empty cap is looked for: one each 1.1 degrees."""


@dataclass(frozen=True)
class Coverage:
    """Holes in the layout, degrees; azimuth counter-clockwise from +x, elevation above the plate."""

    lowest_deg: float
    highest_deg: float
    azimuth_holes: tuple[tuple[float, float, int, float, float], ...]
    """For each band of elevation: from, to, lamps, width of the largest hole in azimuth, azimuth of its middle."""
    elevation_hole_deg: tuple[float, float]
    """The largest hole in elevation between 15 and 65 degrees: from, to."""
    empty_cap: tuple[float, float, float]
    """Largest circle of directions without a lamp, centre above 15 degrees: its radius, azimuth and elevation."""


def coverage(directions: np.ndarray) -> Coverage:
    """Holes between unit vectors toward lamps (L, 3)."""
    azimuth = np.degrees(np.arctan2(directions[:, 1], directions[:, 0])) % 360
    elevation = np.degrees(np.arcsin(np.clip(directions[:, 2], -1, 1)))
    holes = []
    for low, high in BANDS_DEG:
        some = np.sort(azimuth[(elevation >= low) & (elevation < high)])
        holes.append((low, high, len(some), *_widest(some)))
    # a hole begins and ends at a lamp, or where the usual range does
    inner = np.clip(np.sort(elevation), *USUAL_DEG)
    marks = np.unique(np.concatenate([inner, USUAL_DEG]))
    gap = int(np.argmax(np.diff(marks)))
    return Coverage(
        float(elevation.min()),
        float(elevation.max()),
        tuple(holes),
        (float(marks[gap]), float(marks[gap + 1])),
        largest_empty_cap(directions),
    )


def _widest(azimuth: np.ndarray) -> tuple[float, float]:
    """Width and middle of the largest hole between sorted azimuths; the whole circle where there is no lamp."""
    if len(azimuth) == 0:
        return 360.0, 0.0
    gaps = np.diff(np.append(azimuth, azimuth[0] + 360))
    widest = int(np.argmax(gaps))
    return float(gaps[widest]), float((azimuth[widest] + gaps[widest] / 2) % 360)


def largest_empty_cap(directions: np.ndarray) -> tuple[float, float, float]:
    """Radius, azimuth and elevation, degrees, of the largest circle of directions without a lamp.

    Its centre is one of an even spiral of directions above 15 degrees, so that the radius is short by a degree at most.
    """
    lowest = np.sin(np.radians(LOWEST_DEG))
    up = lowest + (1 - lowest) * (np.arange(GRID) + 0.5) / GRID
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(GRID)
    level = np.sqrt(1 - up**2)
    grid = np.stack([level * np.cos(turn), level * np.sin(turn), up], axis=1)
    nearest = (grid @ directions.T).max(axis=1)
    at = int(np.argmin(nearest))
    radius = float(np.degrees(np.arccos(np.clip(nearest[at], -1, 1))))
    return radius, float(np.degrees(turn[at]) % 360), float(np.degrees(np.arcsin(up[at])))


def tilt_uncertainty_deg(directions: np.ndarray, relative_noise: np.ndarray | float) -> tuple[float, float]:
    """Standard uncertainty of the tilt about y and about x, degrees, of a level matt surface by least squares.

    First-order propagation: cov(g) = (A'A)^-1 A' diag(s^2) A (A'A)^-1 of the scaled normal g, A the unit vectors toward
    the lamps (L, 3), s the noise of each photograph over the light of a surface that faces a lamp (JCGM 100; linear
    least squares). Noise alone: no highlight, no error of the lamps' places.
    """
    inverse = np.linalg.pinv(directions)
    noise = np.broadcast_to(np.asarray(relative_noise, float), len(directions))
    spread = np.sqrt((inverse**2 * noise**2).sum(axis=1))
    return float(np.degrees(spread[0])), float(np.degrees(spread[1]))


def lamp_place_noise(positions_mm: np.ndarray, u_position_mm: float) -> np.ndarray:
    """What an unsure place (L, 3) of each lamp does to its light on a level surface, over that of a facing one (L,).

    A lamp that moves by u across its ray changes n.l by u / d times the cosine of its elevation.
    """
    distance = np.linalg.norm(positions_mm, axis=1)
    level = np.hypot(positions_mm[:, 0], positions_mm[:, 1]) / distance
    return u_position_mm / distance * level
