"""What the lamps' uncertainty does to the slopes of a lobe fit."""

import numpy as np

from lightdome.lights.lamps import LampSet
from lightdome.surface.lobe import METAL
from lightdome.surface.microfacet import LobeFit


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
