"""Curvatures of a surface from its slopes, at a stated scale."""

import numpy as np

from lightdome.surface.filters import along_axes, gaussian_weights, reach_px

LEAST_SCALE_PX = 4.0
"""A smaller scale is raised to this: below it the Gaussian falls between the pixels."""
_NOBODY = 1e-9  # less weight than this on known pixels is rounding
_ONE_SIDED = 0.05  # share of the window's full spread that the known pixels must have in both directions


def curvatures(slope_x: np.ndarray, slope_y: np.ndarray, pitch_mm: float, scale_mm: float) -> np.ndarray:
    """Mean, Gaussian, k1 and k2 (4, rows, columns), float32, 1/mm (Gaussian: 1/mm^2); k1 >= k2, positive on a dome.

    slope_x, slope_y : (rows, columns), rise toward +x and +y; NaN where unknown.
    scale_mm : cut-off of the Gaussian (ISO 16610-61) within which slopes are taken as one plane.

    The slopes and their derivatives are those of a local plane fit with Gaussian weights over what is known; where
    all is known this is the smoothed slope and the Gaussian derivative. The curvatures then follow from the two
    fundamental forms (do Carmo, ch. 3.3, from memory), with no assumption of small slopes. Unknown pixels, and those
    whose known neighbours lie to one side or along one line, are NaN.
    """
    known = np.isfinite(slope_x)
    window = _Window(known, scale_mm / pitch_mm)
    p, p_col, p_row = window.plane(slope_x)
    q, q_col, q_row = window.plane(slope_y)
    with np.errstate(invalid="ignore", over="ignore"):
        # y runs against rows; the surface's mixed derivative is known twice
        z_xx, z_yy = p_col / pitch_mm, -q_row / pitch_mm
        z_xy = (q_col - p_row) / (2 * pitch_mm)
        metric = 1 + p**2 + q**2
        mean = -((1 + q**2) * z_xx - 2 * p * q * z_xy + (1 + p**2) * z_yy) / (2 * metric**1.5)
        gauss = (z_xx * z_yy - z_xy**2) / metric**2
        half = np.sqrt(np.maximum(mean**2 - gauss, 0))
        found = np.stack([mean, gauss, mean + half, mean - half])
    return np.where(known, found, np.nan).astype(np.float32)


class _Window:
    """Gaussian moments of the known pixels around every pixel, and plane fits by them."""

    def __init__(self, known: np.ndarray, scale_px: float) -> None:
        self._known = known
        self._even = gaussian_weights(scale_px)
        offset = np.arange(-reach_px(scale_px), reach_px(scale_px) + 1)
        self._odd, square = self._even * offset, self._even * offset**2
        share = known.astype(np.float64)
        one, row, col = self._moments(share)
        one = np.where(one > _NOBODY, one, np.nan)
        self._row, self._col = row / one, col / one
        self._rows = along_axes(share, square, self._even) / one - self._row**2
        self._cols = along_axes(share, self._even, square) / one - self._col**2
        self._both = along_axes(share, self._odd, self._odd) / one - self._row * self._col
        self._one = one
        spread = square.sum()
        determinant = self._rows * self._cols - self._both**2
        self._determinant = np.where(determinant > (_ONE_SIDED * spread) ** 2, determinant, np.nan)

    def _moments(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return (
            along_axes(values, self._even, self._even),
            along_axes(values, self._odd, self._even),
            along_axes(values, self._even, self._odd),
        )

    def plane(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Value at the pixel, rise by column and rise by row of the plane through the known values around it."""
        held = np.where(self._known, values, 0).astype(np.float64)
        one, row, col = (moment / self._one for moment in self._moments(held))
        row, col = row - one * self._row, col - one * self._col
        by_row = (row * self._cols - col * self._both) / self._determinant
        by_col = (col * self._rows - row * self._both) / self._determinant
        return one - by_row * self._row - by_col * self._col, by_col, by_row
