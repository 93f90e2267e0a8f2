"""Centre lines to a fraction of a pixel: each point moved across its line to where the groove lies."""

from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter
from skimage.measure import approximate_polygon

from lightdome.marks.records import Trace
from lightdome.marks.sections import sample_sections, stations

REACH = 0.75
"""Of the width, and a pixel: how far across a groove is looked for."""
STEP_PX = 0.5
SIMPLIFY_PX = 0.1
LEAST_POINTS = 5
PASSES = 2


def centred(trace: Trace, above_um: np.ndarray) -> Trace:
    """The trace with its points in the middle of the groove (or ridge); unchanged where no height tells.

    above_um : (rows, columns), um, above the surface beside; NaN where unknown. Method: centroid of the squared depth
    across, a running median along the line, so that what crosses does not pull, then a Gaussian mean.
    """
    for _ in range(PASSES):  # the first brings the groove into the middle of what is looked at
        trace = _centred_once(trace, above_um)
    return trace


def _centred_once(trace: Trace, above_um: np.ndarray) -> Trace:
    if trace.length_px < LEAST_POINTS:
        return trace
    width = trace.width_px
    places, right = stations(trace.points_px, 2 * width + LEAST_POINTS, ends=True)
    reach = REACH * width + 1
    offsets = np.arange(-np.ceil(reach / STEP_PX), np.ceil(reach / STEP_PX) + 1) * STEP_PX
    section = sample_sections(above_um, places, right, offsets)
    if trace.kind == "ridge":
        section = -section
    level = np.maximum(section[:, 0], section[:, -1])[:, None]
    weight = np.clip(level - section, 0, None) ** 2
    total = weight.sum(axis=1)
    told = np.isfinite(total) & (total > 0)
    if told.sum() < LEAST_POINTS:
        return trace
    moved = np.where(told, (weight * offsets).sum(axis=1) / np.where(told, total, 1), np.nan)
    index = np.arange(len(moved))
    moved = np.interp(index, index[told], moved[told])
    window = 2 * round(width) + 5
    moved = gaussian_filter1d(median_filter(moved, window, mode="nearest"), width / 2 + 2, mode="nearest")
    line = approximate_polygon(places + moved[:, None] * right, SIMPLIFY_PX)
    return replace(trace, points_px=line) if len(line) >= 2 else trace
