"""The camera over the plate: where it stands, seen from each facet, and how large each facet looks to it.

A perspective camera is treated as one whose pixels lie on the plane of the plate: a facet at height h appears shifted
by h x / distance, which for tens of micrometres of relief is a small part of a pixel and is left out.
"""

from dataclasses import dataclass

import numpy as np

from lightdome.errors import GridError


@dataclass(frozen=True)
class View:
    """Orthographic where there is no distance, else perspective."""

    distance_mm: float | None = None
    """Entrance pupil above the origin."""

    def __post_init__(self) -> None:
        if self.distance_mm is not None and not self.distance_mm > 0:
            raise GridError(f"the camera's distance_mm must be positive, got {self.distance_mm}")

    def toward(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Unit vector from the plate to the camera; three arrays that broadcast to (rows, columns)."""
        if self.distance_mm is None:
            zero = np.zeros((1, 1), np.float32)
            return zero, zero, zero + 1
        dx, dy = -x_mm.astype(np.float32)[None, :], -y_mm.astype(np.float32)[:, None]
        inverse = 1 / np.sqrt(dx * dx + dy * dy + np.float32(self.distance_mm) ** 2)
        return dx * inverse, dy * inverse, np.float32(self.distance_mm) * inverse

    def apparent_area(self, x_mm: np.ndarray, y_mm: np.ndarray, slope_x: np.ndarray, slope_y: np.ndarray) -> np.ndarray:
        """How much of the picture a facet fills against a level one there: (n.v) / (nz vz); 1 for orthographic."""
        vx, vy, vz = self.toward(x_mm, y_mm)
        return np.clip(1 - (slope_x * vx + slope_y * vy) / vz, 0, None)
