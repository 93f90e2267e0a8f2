"""The smallest mark that this pitch and this sharpness resolve. Arrays in, numbers out."""

from dataclasses import dataclass

import numpy as np

from lightdome.session.sharp import edge_blur_px

PIXELS_ACROSS = 3.0
"""A line narrower than three samples gets a presence and a length, never a depth (rule of thumb)."""
TEN_PERCENT = float(np.sqrt(np.log(10) / 2) / np.pi)
"""Frequency times blur at which a Gaussian blur leaves a tenth of the contrast: exp(-2 (pi s f)^2) = 0.1."""
NYQUIST = 0.5
MOST_FRAMES = 8


@dataclass(frozen=True)
class Resolved:
    """What can be resolved on the plate."""

    blur_px: float
    """Standard deviation of the blur of the sharpest edges, median over photographs; NaN where there were none."""
    u_blur_px: float
    """From the spread between photographs; NaN where not known."""
    sampling_efficiency: float
    """Frequency of 10 % contrast over the Nyquist frequency, at most 1 (as in ISO 19264-1); NaN where not known."""
    width_um: float
    """Lines of that width and more get width and depth, narrower ones presence and length alone."""


def resolved(patches: np.ndarray, noise: np.ndarray, pitch_mm: float) -> Resolved:
    """Smallest width from patches (L, n, P, P) of light, their noise (L,) and the pitch."""
    some = np.unique(np.linspace(0, len(patches) - 1, min(MOST_FRAMES, len(patches))).astype(int))
    found = np.array([edge_blur_px(patches[k], float(noise[k])) for k in some])
    found = found[np.isfinite(found)]
    if not len(found):
        return Resolved(np.nan, np.nan, np.nan, PIXELS_ACROSS * pitch_mm * 1000)
    blur_px = float(np.median(found))
    u_px = float(1.4826 * np.median(np.abs(found - blur_px))) if len(found) > 2 else float("nan")
    efficiency = 1.0 if blur_px == 0 else min(1.0, TEN_PERCENT / blur_px / NYQUIST)
    return Resolved(blur_px, u_px, efficiency, PIXELS_ACROSS / efficiency * pitch_mm * 1000)
