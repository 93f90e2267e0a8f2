"""The smallest mark that this pitch and this sharpness resolve. Arrays in, numbers out."""

from dataclasses import dataclass

import numpy as np

from lightdome.units import UM_PER_MM

PIXELS_ACROSS = 3.0
"""A line narrower than three samples gets a presence and a length, never a depth (rule of thumb)."""
TEN_PERCENT = float(np.sqrt(np.log(10) / 2) / np.pi)
"""Frequency times blur at which a Gaussian blur leaves a tenth of the contrast: exp(-2 (pi s f)^2) = 0.1."""
NYQUIST = 0.5


@dataclass(frozen=True)
class Resolved:
    """What can be resolved on the plate."""

    blur_px: float
    """Standard deviation of the blur, at most: median over photographs; NaN where not known."""
    u_blur_px: float
    """From the spread between photographs; NaN where not known."""
    sampling_efficiency: float
    """Frequency of 10 % contrast over the Nyquist frequency, at most 1 (as in ISO 19264-1); NaN where not known."""
    width_um: float
    """Lines of that width and more get width and depth, narrower ones presence and length alone."""


def resolved(fall_px: np.ndarray, pitch_mm: float) -> Resolved:
    """Smallest width from the blur that each photograph looks like (L,), see `Sharpness`, and the pitch."""
    known = fall_px[np.isfinite(fall_px)]
    if not len(known):
        return Resolved(np.nan, np.nan, np.nan, PIXELS_ACROSS * pitch_mm * UM_PER_MM)
    blur_px = float(np.median(known))
    u_px = float(1.4826 * np.median(np.abs(known - blur_px))) if len(known) > 2 else float("nan")
    efficiency = 1.0 if blur_px == 0 else min(1.0, TEN_PERCENT / blur_px / NYQUIST)
    return Resolved(blur_px, u_px, efficiency, PIXELS_ACROSS / efficiency * pitch_mm * UM_PER_MM)
