"""Slopes from normals, and how far they are trusted."""

import numpy as np

STEEPEST_DEG = 75.0
"""Steeper normals count as this steep, and least: foreshortened to a quarter, a pixel there holds several slopes."""
LEAST_WEIGHT = 0.05
"""Of a pixel that is known but not trusted, against 1 for a pixel of usual uncertainty or better."""

USUAL_PX = 1_000_000
"""About so many pixels of an even lattice decide what uncertainty is usual."""


def slopes(normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rise toward +x and toward +y, (rows, columns) each, float32, of unit normals (3, rows, columns).

    dz/dx = -nx / nz, dz/dy = -ny / nz. Where the tilt exceeds `STEEPEST_DEG` the slope keeps its direction and is
    limited to that tilt. NaN where the normal is unknown or not toward the camera.
    """
    nx, ny, nz = normals
    across = np.hypot(nx, ny)
    steepest = np.float32(np.tan(np.radians(STEEPEST_DEG)))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(nz > 0, np.minimum(1 / nz, steepest / across), np.float32(np.nan))
    return -nx * scale, -ny * scale


def slope_uncertainty(u_tilt_deg: np.ndarray, slope_x: np.ndarray, slope_y: np.ndarray) -> np.ndarray:
    """Standard uncertainty of a slope from that of the tilt: d tan(t) = (1 + tan^2 t) dt, along the slope."""
    return np.radians(u_tilt_deg) * (1 + slope_x**2 + slope_y**2)


def usual_uncertainty(u_slope: np.ndarray) -> float:
    """Median of the known uncertainties (rows, columns) of a field, on a lattice; NaN where none is known."""
    step = max(1, int(np.sqrt(u_slope.size / USUAL_PX)))
    sample = u_slope[::step, ::step]
    known = sample[np.isfinite(sample)]
    return float(np.median(known)) if known.size else float("nan")


def trust(u_slope: np.ndarray, usual: float) -> np.ndarray:
    """Weight, `LEAST_WEIGHT` to 1, by the square of the usual uncertainty over the pixel's own; least where unknown."""
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = (usual / u_slope) ** 2
    return np.nan_to_num(np.clip(weight, LEAST_WEIGHT, 1), nan=LEAST_WEIGHT).astype(np.float32)
