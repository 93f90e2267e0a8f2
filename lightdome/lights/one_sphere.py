"""Directions of distant lamps: from one sphere, or the mean of several."""

from dataclasses import replace

import numpy as np

from lightdome.lights.lamps import across
from lightdome.lights.triangulate import Sight

STEP_PX = 1e-3
"""Of the differences that stand for derivatives."""


def direction_covariance(sight: Sight) -> np.ndarray:
    """Covariance (L, M, 3, 3) of each direction from the doubt of its highlight and its rim (JCGM 100 eq. 13).

    One pixel of highlight turns a direction by 2 / (r cos(zenith / 2)) radians, and so do centre and radius.
    """
    base = sight.rays()[1]
    total = np.zeros((*base.shape, 3))
    for axis in range(2):
        moved = sight.highlights_px.copy()
        moved[..., axis] += STEP_PX
        slope = (replace(sight, highlights_px=moved).rays()[1] - base) / STEP_PX * sight.u_highlights_px[..., None]
        total += slope[..., :, None] * slope[..., None, :]
    for column in range(3):
        circles = sight.circles_px.copy()
        circles[:, column] += STEP_PX
        slope = (replace(sight, circles_px=circles).rays()[1] - base) / STEP_PX * sight.u_circles_px[None, :, None]
        total += slope[..., :, None] * slope[..., None, :]
    return total


def mean_directions(sight: Sight) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Unit vectors (L, 3), covariances (L, 2, 2), degrees^2 along azimuth and elevation, angles (L, M), degrees, of
    each sphere's own direction from them, and by how much the covariances were widened as the spheres disagree.

    NaN for a lamp that is seen on no sphere. Weights are the inverse variances.
    """
    directions, covariance = sight.rays()[1], direction_covariance(sight)
    weight = np.nan_to_num(1 / np.trace(covariance, axis1=2, axis2=3))
    total = np.where(weight.sum(axis=1) > 0, weight.sum(axis=1), np.nan)
    mean = (np.nan_to_num(directions) * weight[..., None]).sum(axis=1) / total[:, None]
    mean /= np.linalg.norm(mean, axis=1, keepdims=True)
    share = weight / total[:, None]
    joint = (np.nan_to_num(covariance) * share[..., None, None] ** 2).sum(axis=1)
    with np.errstate(invalid="ignore"):
        apart = np.arctan2(
            np.linalg.norm(np.cross(directions, mean[:, None]), axis=2), (directions * mean[:, None]).sum(axis=2)
        )
    seen = np.isfinite(apart)
    free = int(seen.sum() - seen.any(axis=1).sum())
    widening = 1.0
    if free > 0:
        # each direction has two coordinates, and the mean takes one sphere's worth
        widening = max(1.0, float(np.sqrt(np.nansum(apart**2 * weight) / free)))
    axes = across(np.nan_to_num(mean, nan=1 / np.sqrt(3)))
    deg2 = np.einsum("lai,lij,lbj->lab", axes, joint, axes) * np.degrees(1) ** 2 * widening**2
    return mean, deg2, np.degrees(apart), widening
