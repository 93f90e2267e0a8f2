"""What the lamps' uncertainty does to the slopes of a lobe fit."""

import numpy as np

from lightdome.lights.lamps import LampSet
from lightdome.surface.lobe import METAL
from lightdome.surface.microfacet import LobeFit

SEEN_DOUBT, GAP_DOUBT = 0.06, 0.17
"""Standard uncertainty of the mean of several slopes over their spread: what is left under any number of lamps, and
what the gap between lamps adds, as wide as the lobe is."""


def lamp_covariance(fit: LobeFit, lamps: LampSet) -> np.ndarray:
    """Covariance (3, P: xx, xy, yy) of the slopes from the lamps' own uncertainties; zero where none is stated.

    To first order (JCGM 100 eq. 10). A lamp turned by an angle turns its half vector by half of it, and the peak of the
    lobe goes with the mean of the lamps within it; a matte pixel's normal turns with all lamps by the whole angle. An
    error that all lamps share turns the whole plate and is not in it.
    """
    u_lamp = lamps.u_directions_rad
    variance = float(np.nanmean(u_lamp**2)) if np.isfinite(u_lamp).any() else 0.0
    metal = variance / 4 / np.maximum(fit.within, 1)
    matte = variance / np.maximum(fit.usable, 1) * 2
    each = np.where(fit.shiny > METAL, metal, matte).astype(np.float32)
    return np.stack([each, np.zeros_like(each), each])


def gap_between_lamps(lamps: LampSet) -> float:
    """Slope between the half vectors of neighbouring lamps, at the origin: median over the lamps."""
    half = lamps.unit_vectors + np.array([0.0, 0.0, 1.0])
    slopes = half[:, :2] / half[:, 2:]
    apart = np.linalg.norm(slopes[:, None] - slopes[None], axis=-1)
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


def mixture_doubt(spread: np.ndarray, roughness: np.ndarray, lamps: LampSet) -> np.ndarray:
    """Standard uncertainty of the mean of several slopes, from their `spread` and the `roughness` of their lobes.

    What lies between the lamps is seen the less, the narrower the lobes are against the gaps between the lamps' half
    vectors. The two parts are such that 95 % intervals hold what they say on plates rendered with rough conductors of
    roughness 0.12 to 0.4 under 24 and 48 lamps (benchmarks/metal.py).
    """
    return spread * np.hypot(SEEN_DOUBT, GAP_DOUBT * gap_between_lamps(lamps) / roughness)
