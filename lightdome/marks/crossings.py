"""Which marks cross."""

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

NEAR_PX = 1.5
LEAST_ANGLE_DEG = 15.0


def dense(points_px: np.ndarray) -> np.ndarray:
    """The polyline (n, 2) with a point at least every pixel."""
    lengths = np.linalg.norm(np.diff(points_px, axis=0), axis=1)
    along = np.concatenate([[0], np.cumsum(lengths)])
    at = np.linspace(0, along[-1], max(2, int(np.ceil(along[-1])) + 1))
    return np.stack([np.interp(at, along, points_px[:, axis]) for axis in (0, 1)], axis=1)


def crossings(lines: Sequence[np.ndarray]) -> list[tuple[int, int]]:
    """Pairs of polylines (n, 2) that meet at an angle of 15 degrees or more, as their places in the sequence."""
    if len(lines) < 2:
        return []
    points = [dense(line) for line in lines]
    owner = np.repeat(np.arange(len(lines)), [len(part) for part in points])
    ahead = np.concatenate([_ahead(part) for part in points])
    pairs = cKDTree(np.concatenate(points)).query_pairs(NEAR_PX, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    angle = np.degrees(np.arccos(np.clip(np.abs((ahead[pairs[:, 0]] * ahead[pairs[:, 1]]).sum(axis=1)), 0, 1)))
    met = np.unique(np.sort(owner[pairs[angle >= LEAST_ANGLE_DEG]], axis=1), axis=0)
    return [(int(first), int(second)) for first, second in met]


def _ahead(points: np.ndarray) -> np.ndarray:
    """Unit direction at each point, over five points."""
    padded = np.pad(points, ((2, 2), (0, 0)), mode="edge")
    way = padded[4:] - padded[:-4]
    return way / np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]
