"""Lines narrower than a pixel, which no height shows: the pixel holds slopes that one surface does not explain.

The walls of a fine scratch throw the light of some lamps where the land beside it throws none. One normal does not
explain such a pixel, and the uncertainty of its tilt, which carries what the fit leaves over, rises many times over. It
does so along the walls of wide marks too; those are left out, because there the height takes a step.
"""

import numpy as np
from scipy.ndimage import gaussian_filter

WIDTHS_PX = (2.0, 3.0)
LEVEL_PERCENT = 30.0
"""Of the field's uncertainties: the land's own, where marks crowd."""
STEP = 0.025
"""Natural logarithm of the uncertainty, in 8 bits: from 0.7 to 400 times the land's."""
ROOM = 0.4
WINDOW_PX = 13
LEAST_SPREAD, MOST_SPREAD = 2.0, 8.0
MOST = 12.0
"""Standard deviations; more tells no more, and would drown the weak lines beside."""
NOISE = 0.35
"""Standard deviation of the mean along a line of what answers nothing (white noise of 1, less what is below zero)."""
STEP_REACH_PX = 2
STEP_SIGMA_PX = 0.7
STEP_SIGMA = 6.0
BETWEEN = 0.4
WALL_SLOPE = 0.02
"""What rises less over the reach is land that bends, no wall."""
MAD_TO_SIGMA = 1.4826


def glint_map(u_tilt_deg: np.ndarray) -> np.ndarray:
    """How far the uncertainty of each pixel's tilt rises over what is usual around it; (rows, columns), float32.

    u_tilt_deg : (rows, columns), degrees, NaN where unknown (answers 0). In robust standard deviations of its
    logarithm, 0 to 12. Method: median and median absolute deviation of a window of 13 pixels, of which a line is a
    small part.
    """
    import cv2

    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.log(u_tilt_deg)
    known = np.isfinite(level)
    if not known.any():
        return np.zeros(u_tilt_deg.shape, np.float32)
    level -= np.percentile(level[known], LEVEL_PERCENT)
    coded = np.clip((np.where(known, level, 0) + ROOM) / STEP, 0, 255).astype(np.uint8)
    del level
    around = cv2.medianBlur(coded, WINDOW_PX)
    spread = MAD_TO_SIGMA * cv2.medianBlur(cv2.absdiff(coded, around), WINDOW_PX).astype(np.float32)
    above = coded.astype(np.float32) - around
    return np.clip(above / np.clip(spread, LEAST_SPREAD, MOST_SPREAD), 0, MOST) * known


def steps(height_um: np.ndarray, limit_um: float) -> np.ndarray:
    """Where the height takes a step, as at a wide mark's wall, and no dip, as at a fine line; (rows, columns) bool.

    height_um : (rows, columns), um, finite. limit_um : smaller steps do not count.
    """
    smooth = gaussian_filter(height_um, STEP_SIGMA_PX, mode="nearest")
    padded = np.pad(smooth, STEP_REACH_PX, mode="edge")
    rows, cols = height_um.shape
    found = np.zeros(height_um.shape, bool)

    def seen(row: int, col: int) -> np.ndarray:
        r, c = STEP_REACH_PX + row, STEP_REACH_PX + col
        return padded[r : r + rows, c : c + cols]

    for row, col in ((0, 2), (2, 0), (1, 1), (1, -1)):
        one, other = seen(row, col), seen(-row, -col)
        step = np.abs(one - other)
        # a wall leads from one level to the other; the middle of a line is lower, or higher, than both of its sides
        between = np.abs(smooth - (one + other) / 2) < BETWEEN * step
        found |= (step > limit_um) & between
    return found
