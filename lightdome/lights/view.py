"""Which way the pixels of a photograph look, and where things above the plate are seen."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class View:
    """A camera looking straight down on the plate; its picture's middle is the origin of the plate frame."""

    shape: tuple[int, int]
    """Rows, columns."""
    pitch_mm: float
    """Of a pixel on the plate."""
    distance_mm: float | None
    """Entrance pupil above the plate; None is orthographic."""

    @property
    def focal_px(self) -> float | None:
        """Distance of a pinhole's picture behind it, in pixels."""
        return None if self.distance_mm is None else self.distance_mm / self.pitch_mm

    @property
    def middle_px(self) -> np.ndarray:
        """(2,): column and row of the picture's middle."""
        rows, columns = self.shape
        return np.array([(columns - 1) / 2, (rows - 1) / 2])

    def on_plate(self, points_px: np.ndarray) -> np.ndarray:
        """Places (..., 3), mm, on the plate (z = 0) that pixels (..., 2: column, row) look at."""
        away = (np.asarray(points_px, float) - self.middle_px) * self.pitch_mm
        return np.stack([away[..., 0], -away[..., 1], np.zeros(away.shape[:-1])], axis=-1)

    def seen_at(self, places_mm: np.ndarray) -> np.ndarray:
        """Pixels (..., 2: column, row) at which places (..., 3), mm, are seen."""
        scale = 1.0 if self.distance_mm is None else self.distance_mm / (self.distance_mm - places_mm[..., 2])
        away = np.stack([places_mm[..., 0] * scale, -places_mm[..., 1] * scale], axis=-1)
        return away / self.pitch_mm + self.middle_px

    def at_height(self, points_px: np.ndarray, height_mm: np.ndarray | float) -> np.ndarray:
        """Places (..., 3), mm, at a height above the plate, on the rays of pixels (..., 2)."""
        places = self.on_plate(points_px)
        if self.distance_mm is not None:
            places = places * ((self.distance_mm - np.asarray(height_mm)) / self.distance_mm)[..., None]
        places[..., 2] = height_mm
        return places

    def toward_camera(self, places_mm: np.ndarray) -> np.ndarray:
        """Unit vectors (..., 3) from places (..., 3), mm, to the camera."""
        if self.distance_mm is None:
            return np.broadcast_to(np.array([0.0, 0.0, 1.0]), places_mm.shape)
        away = np.array([0.0, 0.0, self.distance_mm]) - places_mm
        return away / np.linalg.norm(away, axis=-1, keepdims=True)
