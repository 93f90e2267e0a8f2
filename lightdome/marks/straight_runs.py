"""How much of a figure lies in straight runs: strokes of a hatching do, grains and the paths between them do not."""

import numpy as np
from scipy.ndimage import distance_transform_edt

from lightdome.marks.evaluation_window import fullest_window

RUN_WIDTHS = 8.0
"""A run is straight over at least this many of its widths."""
FILLED = 0.85
"""Of a run, at least: strokes are bitten unevenly, and pixels have corners."""
DIRECTIONS = 36
WIDEST_PX = 8.0
"""Wider strokes are looked at in larger pixels."""
MOST_SIDE_PX = 1024


def straight_share(figure: np.ndarray) -> float:
    """Share of a figure's middle lines, (rows, columns) bool, that lies in straight runs; 0 for an empty figure.

    Method: the width from the mean distance to the figure's edge; its middle half; of that, what a bar of eight widths
    covers that is filled to 85 %, in 36 directions. Of larger fields the fullest window of 1024 pixels a
    side is looked at.
    """
    import cv2

    figure = figure[fullest_window(figure, MOST_SIDE_PX)]
    width_px = _width_px(figure)
    if width_px == 0:
        return 0.0
    step = int(width_px / WIDEST_PX) + 1
    if step > 1:
        rows, cols = (side // step * step for side in figure.shape)
        if not rows or not cols:
            return 0.0
        figure = figure[:rows, :cols].reshape(rows // step, step, cols // step, step).mean(axis=(1, 3)) >= 0.5
        width_px = _width_px(figure)
    core = (distance_transform_edt(np.pad(figure, 1))[1:-1, 1:-1] >= width_px / 4).astype(np.float32) * figure
    if not core.any():
        return 0.0
    straight = np.zeros(core.shape, bool)
    for angle in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        bar = _bar(RUN_WIDTHS * max(width_px, 2.0), angle)
        filled = cv2.filter2D(core, -1, bar / bar.sum(), borderType=cv2.BORDER_CONSTANT)
        straight |= cv2.dilate((filled >= FILLED).astype(np.uint8), bar.astype(np.uint8)).astype(bool)
    return float((straight & (core > 0)).sum() / (core > 0).sum())


def _width_px(figure: np.ndarray) -> float:
    """Mean width: four times the mean distance to the edge, as in a strip; 0 for an empty figure."""
    if not figure.any():
        return 0.0
    distance = distance_transform_edt(np.pad(figure, 1))[1:-1, 1:-1]
    return max(1.0, 4 * (float(distance[figure].mean()) - 0.5))


def _bar(length_px: float, angle: float) -> np.ndarray:
    """A line of one pixel's width about the middle of a square of odd side, 1 on the line, float32."""
    half = int(np.ceil(length_px / 2))
    bar = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    along = np.linspace(-length_px / 2, length_px / 2, 4 * half + 1)
    bar[np.rint(half - along * np.sin(angle)).astype(int), np.rint(half + along * np.cos(angle)).astype(int)] = 1
    return bar
