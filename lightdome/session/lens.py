"""The lens's distortion: the model of Brown and Conrady as OpenCV writes it down."""

from typing import Any, NamedTuple

import numpy as np

COEFFICIENTS = ("k1", "k2", "p1", "p2", "k3")
INSERTIONS = 20
"""Each leaves of the error the share by which the lens stretches there, some hundredths."""


class Lens(NamedTuple):
    """Where a lens puts a point, against a lens without distortion of the same focal length and centre.

    With x and y the column and row from the centre over the focal length and r2 = x^2 + y^2, the point is seen at
    x (1 + k1 r2 + k2 r2^2 + k3 r2^3) + 2 p1 x y + p2 (r2 + 2 x^2) and
    y (1 + k1 r2 + k2 r2^2 + k3 r2^3) + p1 (r2 + 2 y^2) + 2 p2 x y (Brown 1966; OpenCV's calib3d documentation).
    """

    focal_px: float
    centre_px: tuple[float, float]
    """Column, row; whole numbers are the middles of pixels."""
    k1: float
    k2: float
    p1: float
    p2: float
    k3: float

    @classmethod
    def of(cls, facts: dict[str, Any]) -> "Lens":
        """From `focal_px`, `centre_px` and the coefficients; those left out are zero."""
        col, row = facts["centre_px"]
        coefficients = (float(facts.get(key, 0.0)) for key in COEFFICIENTS)
        return cls(float(facts["focal_px"]), (float(col), float(row)), *coefficients)

    def seen_px(self, points_px: np.ndarray) -> np.ndarray:
        """Where points (..., 2: column, row) of an undistorted picture are seen in the photograph."""
        x, y = np.moveaxis((points_px - np.array(self.centre_px)) / self.focal_px, -1, 0)
        r2 = x * x + y * y
        radial = 1 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        seen = np.stack(
            [
                x * radial + 2 * self.p1 * x * y + self.p2 * (r2 + 2 * x * x),
                y * radial + self.p1 * (r2 + 2 * y * y) + 2 * self.p2 * x * y,
            ],
            axis=-1,
        )
        return seen * self.focal_px + np.array(self.centre_px)

    def straight_px(self, points_px: np.ndarray) -> np.ndarray:
        """Where points (..., 2: column, row) of the photograph belong: what `seen_px` undoes, by repeated insertion."""
        belong = np.array(points_px, float)
        for _ in range(INSERTIONS):
            belong += points_px - self.seen_px(belong)
        return belong

    def largest_px(self, shape: tuple[int, int]) -> float:
        """Largest distance, over a picture (rows, columns), between where points are seen and where they belong."""
        edge = np.stack(np.meshgrid(np.linspace(0, shape[1] - 1, 33), np.linspace(0, shape[0] - 1, 33)), axis=-1)
        return float(np.hypot(*np.moveaxis(self.seen_px(edge) - edge, -1, 0)).max())

    def folds(self, shape: tuple[int, int]) -> bool:
        """True where two points of a picture (rows, columns) would be seen at one place: the coefficients are wrong."""
        cols, rows = np.linspace(0, shape[1] - 1, 65), np.linspace(0, shape[0] - 1, 65)
        seen = self.seen_px(np.stack(np.meshgrid(cols, rows), axis=-1))
        along, down = np.gradient(seen, cols, axis=1), np.gradient(seen, rows, axis=0)
        area = along[..., 0] * down[..., 1] - along[..., 1] * down[..., 0]
        return bool((area <= 0).any())
