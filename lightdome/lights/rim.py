"""The outline of a sphere in a photograph: sub-pixel edge points, and the circle or ellipse through them."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.optimize import least_squares

LOOSE_PX = 0.3
"""Edge points farther off than a few of it pull less (soft L1)."""
OUTLIERS = 3.0
"""In robust standard deviations of the edge points."""
STEP_PX = 0.25
SMOOTH_PX = 0.8
"""Of the profiles across the rim, before their steepest place is taken."""
INDEPENDENT_PX = 20.0
"""Length of rim over which errors of its edge points are taken as one: reflections along a rim go on for about as long
(measured on rendered spheres, benchmarks/spheres.py)."""
STEEP = 4.0
"""Times the usual change along a line: an edge is steeper."""
SMALLEST_U_PX = 0.03


@dataclass(frozen=True)
class Rim:
    """Where a sphere is seen."""

    centre_px: tuple[float, float]
    """Column and row at which the sphere's centre is seen; in perspective not quite the ellipse's centre."""
    radius_px: float
    """Orthographic: of the circle. Perspective: focal length times tangent of the half angle that the sphere fills."""
    u_px: float
    """Standard uncertainty of each of the three."""
    rms_px: float | None
    """Root mean square distance of the edge points from the outline; None where none were measured."""
    seen: float
    """Share of the rim on which edge points were found."""
    how_known: str
    """edge, mask, given."""

    @property
    def numbers(self) -> np.ndarray:
        """(3,): column, row, radius."""
        return np.array([*self.centre_px, self.radius_px])


def circle_through(points_px: np.ndarray) -> np.ndarray:
    """Column, row, radius (3,) of the circle x^2 + y^2 + D x + E y + F = 0 nearest to points (N, 2) in squares.

    Centre (-D/2, -E/2), radius^2 = (D^2 + E^2)/4 - F: the algebraic fit (Kasa). Too small on short arcs; a start.
    """
    middle = points_px.mean(axis=0)
    x, y = (points_px - middle).T
    (d, e, f), *_ = np.linalg.lstsq(np.stack([x, y, np.ones_like(x)], axis=1), -(x**2 + y**2), rcond=None)
    return np.array([middle[0] - d / 2, middle[1] - e / 2, np.sqrt(max((d**2 + e**2) / 4 - f, 0.0))])


def outline_px(circle: np.ndarray, azimuth: np.ndarray, middle_px: np.ndarray, focal_px: float | None) -> np.ndarray:
    """Distance (N,), px, of a sphere's outline from its seen centre, toward azimuths (from +column toward +row).

    Orthographic: the radius. Perspective: the rays that touch a sphere make a cone about the ray to its centre, whose
    half angle has the sine radius / distance; the outline is where the picture cuts the cone, an ellipse elongated
    toward the picture's middle (projective geometry).
    """
    if focal_px is None:
        return np.full(azimuth.shape, circle[2])
    axis = np.array([*(circle[:2] - middle_px), focal_px])
    length2 = axis @ axis
    along = np.cos(azimuth) * axis[0] + np.sin(azimuth) * axis[1]
    # points axis + t (cos, sin, 0) with (q . axis)^2 = |q|^2 |axis|^2 cos^2(psi)
    cosine2 = focal_px**2 / (focal_px**2 + circle[2] ** 2)
    a = along**2 - length2 * cosine2
    b = length2 * along * (1 - cosine2)
    c = length2**2 * (1 - cosine2)
    return (-b - np.sqrt(np.maximum(b**2 - a * c, 0))) / a


def fit_outline(
    points_px: np.ndarray, middle_px: np.ndarray, focal_px: float | None
) -> tuple[np.ndarray, float, np.ndarray]:
    """Column, row, radius (3,) of a sphere from edge points (N, 2); their rms distance, px; which (N,) were used.

    Least squares of the distance along the line from the centre, robust (soft L1), then without outliers.
    """

    def misses(circle: np.ndarray, points: np.ndarray) -> np.ndarray:
        away = points - circle[:2]
        azimuth = np.arctan2(away[:, 1], away[:, 0])
        return np.hypot(*away.T) - outline_px(circle, azimuth, middle_px, focal_px)

    circle = least_squares(misses, circle_through(points_px), loss="soft_l1", f_scale=LOOSE_PX, args=(points_px,)).x
    miss = misses(circle, points_px)
    spread = max(1.4826 * float(np.median(np.abs(miss - np.median(miss)))), SMALLEST_U_PX)
    used = np.abs(miss) <= OUTLIERS * spread
    circle = least_squares(misses, circle, loss="soft_l1", f_scale=LOOSE_PX, args=(points_px[used],)).x
    return circle, float(np.sqrt(np.mean(misses(circle, points_px[used]) ** 2))), used


def edge_points(
    image: np.ndarray, circle: np.ndarray, reach_px: float, middle_px: np.ndarray, focal_px: float | None
) -> np.ndarray:
    """Edge points (N, 2: column, row) near a circle: where the picture changes most along each line from its centre.

    image : (rows, columns).  reach_px : how far from the outline an edge is looked for.
    A place of steepest change is refined by the parabola through it and its neighbours. Lines whose steepest place is
    the end of the reach, that meet NaN or leave the picture, or that hold no more change than noise, give none.
    """
    count = int(np.clip(2 * np.pi * circle[2], 48, 720))
    azimuth = 2 * np.pi * np.arange(count) / count
    offsets = np.arange(-reach_px - 1, reach_px + 1 + STEP_PX / 2, STEP_PX)
    distance = outline_px(circle, azimuth, middle_px, focal_px)[:, None] + offsets
    columns = circle[0] + distance * np.cos(azimuth)[:, None]
    rows = circle[1] + distance * np.sin(azimuth)[:, None]
    profiles = map_coordinates(image, [rows, columns], order=1, mode="constant", cval=np.nan)
    slope = np.abs(np.diff(gaussian_filter1d(profiles, SMOOTH_PX / STEP_PX, axis=1, mode="nearest"), axis=1))
    whole = np.isfinite(slope).all(axis=1)
    slope = np.nan_to_num(slope)
    best = slope.argmax(axis=1)
    inner = (best > 0) & (best < slope.shape[1] - 1) & whole
    best = np.clip(best, 1, slope.shape[1] - 2)
    lines = np.arange(count)
    before, here, after = slope[lines, best - 1], slope[lines, best], slope[lines, best + 1]
    bend = before - 2 * here + after
    inner &= (bend < 0) & (here > STEEP * np.median(slope, axis=1)) & (here > 0)
    part = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    radius = distance[:, 0] + (best + 0.5 + part) * STEP_PX
    points = np.stack([circle[0] + radius * np.cos(azimuth), circle[1] + radius * np.sin(azimuth)], axis=1)
    return points[inner]


def u_of_rim(points_px: np.ndarray, circle: np.ndarray, rms_px: float) -> float:
    """Standard uncertainty, px, of column, row and radius (their root mean square), from edge points (N, 2).

    The inverse of J'J of the distances from the circle (JCGM 100 annex H.3), over so many points as the length of rim
    has independent ones; on a short arc centre and radius run into one another, and it grows.
    """
    azimuth = np.arctan2(points_px[:, 1] - circle[1], points_px[:, 0] - circle[0])
    slopes = np.stack([np.cos(azimuth), np.sin(azimuth), np.ones_like(azimuth)], axis=1)
    seen = len(np.unique(np.floor(azimuth * circle[2] / INDEPENDENT_PX)))
    covariance = np.linalg.pinv(slopes.T @ slopes / len(azimuth), hermitian=True) / max(seen, 3)
    return max(float(rms_px * np.sqrt(np.trace(covariance) / 3)), SMALLEST_U_PX)
