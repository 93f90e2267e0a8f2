"""What the pixel takes from a groove's section, and how to give it back.

A height is the mean over a pixel, and sections are read between pixels, so that the bottom of a V comes out too shallow
and its width at half depth too large. Two straight walls and a flat floor of any width, from a V to a rectangle, are
blurred by that weight and fitted to the section; what the blur takes from the fitted groove is given back to the
measured one. The blur of the optics is not known here and is not corrected.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

SIGMA_PX = 0.42
"""Standard deviation of the blur: a pixel's own (1/12 px2) and that of reading between pixels along an uneven path;
tests/marks/test_blur.py measures it on grooves of known shape."""
HIGHEST = 0.2
"""Of the depth: above this the wall may be rounding off into the land or into a ridge, and is left out of the fit."""
FLOORS = 24
CENTRES = 9
LEAST_SAMPLES = 6
U_SHARE = 0.4
"""Of the correction: how far grooves with a rounded floor depart from the family, as standard uncertainty."""
LARGEST = 1.5
"""Of either factor: what would need more is not resolved."""


@dataclass(frozen=True)
class Sharpening:
    """Factors for a depth and a width at half depth measured on a blurred section, and their standard uncertainty."""

    depth: float
    width: float
    u_depth: float
    u_width: float
    floor_ratio: float
    """Width at 80 % of the depth over that at 20 %, of the fitted groove without the blur; NaN where none fits."""


NONE = Sharpening(1.0, 1.0, 0.0, 0.0, float("nan"))


def sharpening(offsets_px: np.ndarray, above_um: np.ndarray, centre_px: float, width_px: float) -> Sharpening:
    """What to multiply a measured depth and width by.

    offsets_px, above_um : (n,), the mean section, pixels across and um above the surface beside. centre_px, width_px :
    of the groove at half depth. Method: least squares of floor and walls over a grid of floor widths and centres (the
    rest is linear). No groove, or one that is not seen well enough: factors of 1.
    """
    near = (np.abs(offsets_px - centre_px) <= width_px) & np.isfinite(above_um)
    if near.sum() < LEAST_SAMPLES:
        return NONE
    depth_um = -float(above_um[near].min())
    near &= above_um <= -HIGHEST * depth_um
    x, z = offsets_px[near] - centre_px, above_um[near]
    if len(x) < LEAST_SAMPLES or not depth_um > 0:
        return NONE
    half_floor, centre = np.meshgrid(np.linspace(0, width_px / 2, FLOORS), width_px * np.linspace(-0.2, 0.2, CENTRES))
    half_floor, centre = half_floor.ravel()[:, None], centre.ravel()[:, None]
    terms = np.stack(
        [np.ones((len(centre), len(x))), _ramp(centre - half_floor - x), _ramp(x - centre - half_floor)], axis=-1
    )
    normal = np.swapaxes(terms, 1, 2) @ terms
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    found = np.linalg.solve(normal, np.swapaxes(terms, 1, 2) @ z[:, None])[..., 0]
    off = ((terms @ found[..., None])[..., 0] - z) ** 2
    off_sum = np.where((found[:, 1:] > 0).all(axis=1) & (found[:, 0] < 0), off.sum(axis=1), np.inf)
    best = int(np.argmin(off_sum))
    if not np.isfinite(off_sum[best]):
        return NONE
    return _factors(float(half_floor[best, 0]), *(float(value) for value in found[best]))


def _factors(half_floor: float, bottom_um: float, left: float, right: float) -> Sharpening:
    """Sharp over blurred depth, and width at half depth, of one groove; walls in um per pixel."""
    depth = -bottom_um
    x = np.linspace(-half_floor - depth / left, half_floor + depth / right, 200)
    # the walls bend into the land at their upper ends, which the blur rounds off too
    z = bottom_um + left * (_ramp(-half_floor - x) - _ramp(-half_floor - depth / left - x))
    z += right * (_ramp(x - half_floor) - _ramp(x - half_floor - depth / right))
    lowest = int(np.argmin(z))
    blurred = -float(z[lowest])
    if not blurred > 0:
        return NONE
    level = -blurred / 2
    edges = np.interp(level, z[: lowest + 1][::-1], x[: lowest + 1][::-1]), np.interp(level, z[lowest:], x[lowest:])
    sharp = 2 * half_floor + depth / 2 * (1 / left + 1 / right)
    width_factor = sharp / max(float(edges[1] - edges[0]), 1e-9)
    depth_factor = float(np.clip(depth / blurred, 1.0, LARGEST))
    width_factor = float(np.clip(width_factor, 1 / LARGEST, 1.0))
    run = depth * (1 / left + 1 / right)
    floor_ratio = (2 * half_floor + 0.2 * run) / (2 * half_floor + 0.8 * run)
    return Sharpening(
        depth_factor, width_factor, U_SHARE * (depth_factor - 1), U_SHARE * (1 - width_factor), floor_ratio
    )


def _ramp(t: np.ndarray) -> np.ndarray:
    """max(t, 0) blurred by the Gaussian weight."""
    return t * ndtr(t / SIGMA_PX) + SIGMA_PX * np.exp(-0.5 * (t / SIGMA_PX) ** 2) / np.sqrt(2 * np.pi)
