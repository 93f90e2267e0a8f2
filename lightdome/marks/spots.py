"""How deep an area or spot lies below the surface next to it, and how rough its floor is."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

BAND_PX = 8
"""Depth is measured between bands this wide on both sides of the wall: the surface next to the imperfection."""
WALL_PX = 2.0
"""Left out on both sides of the outline, where the wall is."""
LEAST_BAND = 8
OFF_WALL = 0.25
"""Of the way to the middle: nearer to the outline the wall may be."""
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True)
class Spot:
    """Depth and floor of one area, from its own surroundings."""

    depth_um: float
    """Of the median of the floor; positive below the surface beside, negative above."""
    extreme_um: float
    """Of the deepest (highest) twentieth of the spot: the depth of a pit (ISO 8785: single depth)."""
    u_depth_um: float
    bowl: float
    """Correlation of depth and distance from the outline, off the wall: near 1 for a hollow that deepens to its middle,
    near 0 for a floor; NaN where it is too small to tell."""
    grain_ratio: float
    """Roughness of the floor over roughness beside."""
    floor: np.ndarray
    """Floor pixels of the crop, bool."""
    beside: np.ndarray
    """Pixels of the surface beside, bool."""


def measure_spot(height_um: np.ndarray, u_height_um: np.ndarray, inside: np.ndarray, free: np.ndarray) -> Spot | None:
    """Step across the wall of an area, or None where no surface beside it is known.

    height_um, u_height_um : (rows, columns) crop with at least ten pixels around the area, um. inside : bool, the area.
    free : bool, no other mark. Method: least squares of z = a x + b y + c - d inside over both bands, twice, without
    outliers beyond three robust standard deviations; ISO 5436-1's parallel lines in two dimensions.
    """
    known = np.isfinite(height_um)
    outward = distance_transform_edt(~inside)
    inward = distance_transform_edt(inside)
    beside = ~inside & free & known & (outward > WALL_PX) & (outward <= WALL_PX + BAND_PX)
    floor = inside & known & (inward > min(WALL_PX, 0.5 * float(inward.max())))
    near = floor & (inward <= WALL_PX + BAND_PX)
    if beside.sum() < LEAST_BAND or not near.any():
        return None
    used = beside | near
    row, col = np.nonzero(used)
    z = height_um[used].astype(float)
    is_floor = near[used]
    A = np.stack([row - row.mean(), col - col.mean(), np.ones(len(row)), -is_floor.astype(float)], axis=1)
    keep = np.ones(len(z), bool)
    for _ in range(3):
        fit = np.linalg.lstsq(A[keep], z[keep], rcond=None)[0]
        off = z - A @ fit
        for band in (is_floor, ~is_floor):
            spread = _spread(off[band])
            keep[band] = np.abs(off[band] - np.median(off[band])) <= 3 * spread + 1e-9
    rough_floor, rough_land = _spread(off[is_floor]), _spread(off[~is_floor])
    # neighbouring pixels share their errors: one independent value a band width squared
    floor_count = max(1.0, is_floor.sum() / BAND_PX**2)
    land_count = max(1.0, (~is_floor).sum() / BAND_PX**2)
    u_height = float(np.nan_to_num(np.nanmedian(u_height_um[used]))) if np.isfinite(u_height_um[used]).any() else 0.0
    u_depth = np.sqrt((rough_floor**2 + u_height**2) / floor_count + (rough_land**2 + u_height**2) / land_count)
    plane = np.stack(np.nonzero(inside & known), axis=1) - [row.mean(), col.mean()]
    below = plane @ fit[:2] + fit[2] - height_um[inside & known]
    extreme = float(np.percentile(below, 95 if fit[3] > 0 else 5))
    bowl = _bowl(below, inward[inside & known])
    return Spot(float(fit[3]), extreme, float(u_depth), bowl, rough_floor / max(rough_land, 1e-6), floor, beside)


def _bowl(below_um: np.ndarray, inward_px: np.ndarray) -> float:
    off_wall = inward_px > max(WALL_PX, OFF_WALL * float(inward_px.max()))
    if off_wall.sum() < LEAST_BAND or not (np.ptp(below_um[off_wall]) > 0 and np.ptp(inward_px[off_wall]) > 0):
        return float("nan")
    return float(np.corrcoef(below_um[off_wall], inward_px[off_wall])[0, 1])


def _spread(values: np.ndarray) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))
