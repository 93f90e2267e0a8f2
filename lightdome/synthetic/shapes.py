"""Distances, profiles and grain: the shapes that marks are made of. Plate lengths in mm, heights in um."""

import numpy as np
from scipy import fft


def nearest_on_polyline(
    points_mm: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distance to a polyline, side and position along it, each (rows, columns) float32.

    points_mm : (n, 2), x and y. x_mm : (columns,). y_mm : (rows,). The distance is in mm; the side is +1 to the left of
    the way the line runs and -1 to the right; the position runs from 0 at the first point to 1 at the last.
    """
    steps = np.diff(points_mm, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    shape = (len(y_mm), len(x_mm))
    best = np.full(shape, np.inf, np.float32)
    side = np.ones(shape, np.float32)
    along = np.zeros(shape, np.float32)
    for index in np.flatnonzero(lengths):
        ux, uy = steps[index] / lengths[index]
        dx = (x_mm - points_mm[index, 0]).astype(np.float32)[None, :]
        dy = (y_mm - points_mm[index, 1]).astype(np.float32)[:, None]
        reach = np.clip(dx * ux + dy * uy, 0, lengths[index])
        distance = np.hypot(dx - reach * ux, dy - reach * uy)
        nearer = distance < best
        best[nearer] = distance[nearer]
        side[nearer] = np.where(ux * dy - uy * dx >= 0, 1, -1)[nearer]
        along[nearer] = ((ends[index] + reach) / ends[-1])[nearer]
    return best, side, along


def inside_polygon(outline_mm: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Where points lie inside a closed outline, (rows, columns) bool; even-odd rule.

    outline_mm : (n, 2), x and y; the last point joins the first.
    """
    inside = np.zeros((len(y_mm), len(x_mm)), bool)
    y = y_mm[:, None]
    for (x0, y0), (x1, y1) in zip(outline_mm, np.roll(outline_mm, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        crossed = (y0 > y) != (y1 > y)
        inside ^= crossed & (x_mm[None, :] < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


def smooth_step(t: np.ndarray) -> np.ndarray:
    """0 below 0, 1 above 1, 3t^2 - 2t^3 between: a rounded wall whose steepest slope is 1.5."""
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def v_section(
    offset_mm: np.ndarray, half_width_mm: np.ndarray, depth_um: np.ndarray, rounding: float = 0.0
) -> np.ndarray:
    """Height of a V groove, um, zero at its mouth and beyond; offset from the centre line on either side.

    rounding : 0 for a sharp V, 1 for an arch of a cosine, as a blunt point leaves it.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(half_width_mm > 0, 1 - np.abs(offset_mm) / half_width_mm, 0)
    share = np.clip(share, 0, None)
    return -depth_um * ((1 - rounding) * share + rounding * np.sin(np.pi / 2 * share))


def ridge_section(
    offset_mm: np.ndarray, half_width_mm: np.ndarray, ridge_um: np.ndarray, depth_um: np.ndarray
) -> np.ndarray:
    """Height of a ridge beside a V groove, um: a triangle whose two flanks are as steep as the groove's wall."""
    with np.errstate(divide="ignore", invalid="ignore"):
        half_foot_mm = np.where(depth_um > 0, ridge_um * half_width_mm / depth_um, 0)
        share = np.where(
            half_foot_mm > 0, 1 - np.abs(np.abs(offset_mm) - half_width_mm - half_foot_mm) / half_foot_mm, 0
        )
    return ridge_um * np.clip(share, 0, None)


def ridge_of(depth_um: float, removed_fraction: float) -> float:
    """Ridge height, um, of a V groove whose two equal ridges hold the metal that was not removed.

    With flanks as steep as the walls: ridge / depth = sqrt((1 - f) / 2), from equal areas; 0.71, 0.50, 0.22 for f = 0,
    0.5, 0.9.
    """
    return depth_um * float(np.sqrt((1 - removed_fraction) / 2))


def grain(shape: tuple[int, int], sigma_px: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """Gaussian noise of unit standard deviation, smoothed by sigma (rows, columns), float32; edges join.

    Smoothed in the frequency domain, so that its cost does not grow with sigma.
    """
    noise = fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    rows = np.fft.fftfreq(shape[0]).astype(np.float32)[:, None]
    cols = np.fft.rfftfreq(shape[1]).astype(np.float32)[None, :]
    noise *= np.exp(-2 * np.pi**2 * ((sigma_px[0] * rows) ** 2 + (sigma_px[1] * cols) ** 2))
    noise[0, 0] = 0
    smooth = fft.irfft2(noise, s=shape).astype(np.float32)
    return smooth / smooth.std()
