"""Mirror spheres in a photograph: found by their rims, or taken from a mask or from given circles."""

from collections.abc import Sequence

import numpy as np
from scipy import ndimage
from scipy.signal import fftconvolve
from skimage.feature import peak_local_max
from skimage.measure import find_contours

from lightdome.errors import LampError
from lightdome.lights.highlight import HORIZON
from lightdome.lights.rim import Rim, edge_points, fit_outline, u_of_rim

SEARCH_RADIUS_PX = 24.0
"""Spheres are looked for in a picture small enough that they have this radius."""
RADIUS_STEP = 1.06
"""From one radius looked for to the next."""
LEAST_LIKENESS = 0.35
"""Of a whole rim of even contrast (1): under it, nothing is taken for a sphere."""
LEAST_SEEN = 0.5
"""Share of the rim that must be seen: on shorter arcs centre and radius run into one another."""
ROUNDEST_MISS = 0.08
"""A disc of a mask whose area or width differs by more than this from a circle's is none."""
DARK = 0.002
"""Of white: darker light counts as this when its logarithm is taken."""
CUT = "is cut by the picture's edge, and less than half of its rim is seen; photograph the sphere whole"
SMALLEST_RADIUS_PX = 5.0
RING_PX, USUAL_STEEP = 1.2, 60.0
"""Width of the rings compared; percentile of the gradients from which on they all count alike."""
NARROW_PX, FEWEST_POINTS = 4.0, 24
"""How far from the rim its edge points are looked for at last: reflections close within are not met."""
REACH = 0.12
"""Of the radius: how far from a first guess the rim is looked for."""
MASK_RMS_PX, MASK_U_PX, GIVEN_U_PX = 0.7, 0.3, 0.5
"""A rim seen in the photographs is taken instead of the mask's if it is this even; doubt of painted edges, which are
right to a pixel at best, and of circles given by hand."""


def discs_of(mask: np.ndarray) -> list[np.ndarray]:
    """Edge points (N, 2: column, row) of every disc of a mask (rows, columns), by column; LampError where one is none.

    Points at the picture's edge are left out: there the mask ends, not the sphere.
    """
    labels, _ = ndimage.label(mask)
    found = []
    for index, window in enumerate(ndimage.find_objects(labels), 1):
        part = labels[window] == index
        area = int(part.sum())
        radius = np.sqrt(area / np.pi)
        if radius < SMALLEST_RADIUS_PX:
            continue
        contour = max(find_contours(np.pad(part, 1).astype(float), 0.5), key=len)[:, ::-1] - 1
        points = contour + np.array([window[1].start, window[0].start])
        inner = ((points > 1) & (points < np.array(mask.shape[::-1]) - 2)).all(axis=1)
        points = points[inner]
        if len(points) < FEWEST_POINTS:
            raise LampError(f"the sphere mask: its disc {index} {CUT}")
        circle, rms, _ = fit_outline(points, np.zeros(2), None)
        if _share(points, circle) < LEAST_SEEN:
            raise LampError(f"the sphere mask: its disc {index} {CUT}")
        cut = inner.mean() < 0.98
        round_enough = rms <= ROUNDEST_MISS * circle[2] / 2 and (cut or abs(radius / circle[2] - 1) < ROUNDEST_MISS)
        if not round_enough:
            raise LampError(
                f"the sphere mask: its area about column {circle[0]:.0f}, row {circle[1]:.0f} is not round; paint each "
                f"sphere as one filled disc, and nothing else"
            )
        found.append(points)
    if not found:
        raise LampError("the sphere mask holds no disc; paint each sphere as one filled disc")
    return sorted(found, key=lambda points: float(points[:, 0].mean()))


def rim_of_mask(points: np.ndarray, middle_px: np.ndarray, focal_px: float | None) -> Rim:
    """The rim of one disc of a mask from its edge points (N, 2)."""
    circle, rms, _ = fit_outline(points, middle_px, focal_px)
    seen = _share(points, circle)
    return Rim((circle[0], circle[1]), circle[2], max(u_of_rim(points, circle, rms), MASK_U_PX), rms, seen, "mask")


def refine(
    light: np.ndarray, circle: np.ndarray, reach_px: float, middle_px: np.ndarray, focal_px: float | None
) -> Rim | None:
    """The rim near a first circle (column, row, radius), from the photographs' own edges; None if too little is seen.

    light : (L, rows, columns), NaN where clipped: a clipped side would pull the edge to the other.
    Each photograph gives its own edge points: shadows and reflections lie elsewhere in each, the rim does not.
    """
    for reach in (reach_px, NARROW_PX, NARROW_PX):
        points = np.concatenate([edge_points(one, circle, reach, middle_px, focal_px) for one in light])
        if len(points) < FEWEST_POINTS or _share(points, circle) < LEAST_SEEN:
            return None
        found, rms, used = fit_outline(points, middle_px, focal_px)
        if np.hypot(*(found[:2] - circle[:2])) > 1.5 * reach or abs(found[2] - circle[2]) > 1.5 * reach:
            return None
        circle = found
    seen = _share(points[used], circle)
    if seen < LEAST_SEEN:
        return None
    return Rim((circle[0], circle[1]), circle[2], u_of_rim(points[used], circle, rms), rms, seen, "edge")


def _share(points: np.ndarray, circle: np.ndarray) -> float:
    """Share of the azimuths, in 72 sectors, that hold an edge point."""
    azimuth = np.arctan2(points[:, 1] - circle[1], points[:, 0] - circle[0])
    return len(np.unique(np.floor((azimuth / (2 * np.pi) + 0.5) * 72 % 72))) / 72


def search(
    light: np.ndarray, radii_px: Sequence[tuple[float, float]], outside: np.ndarray | None = None
) -> list[np.ndarray]:
    """Circles (column, row, radius) most like rims of spheres, best first, for each pair of least and largest radius.

    light : (rows, columns), mean of the logarithm of several photographs' light, so that shadows even out.
    outside : False (rows, columns) where no sphere can be, as on the plate.

    The gradient's unit vectors are compared with those across two rings (a Hough transform of directed edges, by
    convolution): the rim, and the horizon that a mirror sphere shows at 0.707 of its radius, between what stands round
    about and the table. 1 is two whole rings from dark to light or from light to dark.
    """
    found: list[tuple[float, np.ndarray]] = []
    for least, largest in dict.fromkeys(radii_px):
        count = int(np.ceil(np.log(largest / least) / np.log(RADIUS_STEP))) + 1
        for radius in np.geomspace(least, largest, count):
            found += _rings(light, float(radius), outside)
    found.sort(key=lambda pair: -pair[0])
    kept: list[np.ndarray] = []
    for _, circle in found:
        if all(np.hypot(*(circle[:2] - other[:2])) > 0.7 * max(circle[2], other[2]) for other in kept):
            kept.append(circle)
    return kept


def _rings(light: np.ndarray, radius_px: float, outside: np.ndarray | None) -> list[tuple[float, np.ndarray]]:
    scale = min(1.0, SEARCH_RADIUS_PX / radius_px)
    small = _shrunk(ndimage.gaussian_filter(light, 0.5 / scale), scale)
    down, right = ndimage.gaussian_filter(small, 1.0, order=(1, 0)), ndimage.gaussian_filter(small, 1.0, order=(0, 1))
    steep = np.hypot(down, right)
    weight = np.minimum(steep / (np.percentile(steep, USUAL_STEEP) + 1e-9), 1) / np.maximum(steep, 1e-9)
    if outside is not None:
        weight = weight * (_shrunk(outside.astype(np.float32), scale) > 0.5)
    likeness = np.zeros_like(small)
    for share in (1.0, HORIZON):
        likeness += _likeness(right * weight, down * weight, radius_px * scale * share) / 2
    apart = max(1, int(radius_px * scale))
    peaks = peak_local_max(likeness, min_distance=apart, threshold_abs=LEAST_LIKENESS, exclude_border=False)
    shrunk = np.array(light.shape) / np.array(small.shape)
    circles = []
    for row, column in peaks:
        place = (np.array([column, row]) + 0.5) * shrunk[::-1] - 0.5
        circles.append((float(likeness[row, column]), np.array([*place, radius_px])))
    return circles


def _shrunk(image: np.ndarray, scale: float) -> np.ndarray:
    return np.asarray(ndimage.zoom(image, scale, order=1, grid_mode=True, mode="nearest"))


def _likeness(right: np.ndarray, down: np.ndarray, radius_px: float) -> np.ndarray:
    """Mean (rows, columns) of unit vectors across a ring about each pixel, without its sign."""
    half = int(np.ceil(radius_px + 3))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    away = np.maximum(np.hypot(x, y), 1e-9)
    ring = np.exp(-0.5 * ((away - radius_px) / RING_PX) ** 2)
    ring /= ring.sum()
    across = fftconvolve(right, -ring * x / away, mode="same") + fftconvolve(down, -ring * y / away, mode="same")
    return np.asarray(np.abs(across))


def cut_by_frame(rim: Rim, shape: tuple[int, int]) -> bool:
    """Whether a sphere reaches beyond the picture (rows, columns)."""
    (column, row), radius = rim.centre_px, rim.radius_px
    return bool(column < radius or row < radius or column + radius > shape[1] - 1 or row + radius > shape[0] - 1)
