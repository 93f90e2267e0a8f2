"""What the neighbourhood of a pixel knows and the pixel alone does not: medians over the well explained pixels."""

import cv2
import numpy as np

WINDOW_PX = 5
"""Width of the window: marks of 6 pixels and more keep values of their own."""


def local_median(values: np.ndarray, good: np.ndarray, otherwise: float) -> np.ndarray:
    """Median (rows, columns), float32, of the good values in a window about every pixel.

    Two medians with the others counted as very large and as very small enclose the median of the good ones; their mean
    is taken. `otherwise` where most of the window is not good. The window ends at the edge of the array.
    """
    large = np.float32(1e30)
    above = cv2.medianBlur(np.where(good, values, large).astype(np.float32), WINDOW_PX)
    below = cv2.medianBlur(np.where(good, values, -large).astype(np.float32), WINDOW_PX)
    known = (above < large) & (below > -large)
    return np.where(known, (above + below) / 2, np.float32(otherwise)).astype(np.float32)


def smoother_and_rougher(roughness: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Smallest and largest roughness (rows, columns) in the window of every pixel: a wall may belong to either side."""
    window = np.ones((WINDOW_PX, WINDOW_PX), np.uint8)
    return cv2.erode(roughness, window), cv2.dilate(roughness, window)
