"""Lines and patches of two collections of marks laid beside each other: who lies on whom."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from rasterio.features import rasterize
from scipy.spatial import cKDTree

from lightdome.raster import Grid

NEAR_PX = 2.5
ALIGNED_DEG = 30.0
"""Two lines that differ more in direction do not match, however near they are."""
MOSTLY = 0.5


@dataclass(frozen=True)
class Line:
    """One line of a collection, with a point every half pixel."""

    facts: dict[str, Any]
    points_px: np.ndarray
    """(n, 2): row, column."""
    ahead: np.ndarray
    """(n, 2): unit vectors along the line."""

    @property
    def length_px(self) -> float:
        """Half a pixel a point."""
        return len(self.points_px) / 2


def lines_of(collection: dict[str, Any], grid: Grid) -> list[Line]:
    """The LineStrings of a collection that have points inside the field."""
    lines = []
    for feature in collection["features"]:
        if feature["geometry"] is None or feature["geometry"]["type"] != "LineString":
            continue
        corners = np.array(feature["geometry"]["coordinates"], float)
        row, col = grid.to_pixel(corners[:, 0], corners[:, 1])
        corners = np.stack([row, col], axis=1)
        way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
        at = np.arange(0, way[-1], 0.5)
        points = np.stack([np.interp(at, way, axis) for axis in corners.T], axis=1)
        inside = ((points > -0.5) & (points < np.array(grid.shape) - 0.5)).all(axis=1)
        if inside.sum() < 4:
            continue
        before, after = (np.clip(np.arange(len(points)) + step, 0, len(points) - 1) for step in (-6, 6))
        ahead = points[after] - points[before]
        ahead /= np.maximum(np.linalg.norm(ahead, axis=1), 1e-9)[:, None]
        lines.append(Line(feature["properties"], points[inside], ahead[inside]))
    return lines


@dataclass(frozen=True)
class Overlap:
    """Which points of one line lie on which of the other lines."""

    count: int
    """Points of the line."""
    pairs: np.ndarray
    """(n, 2): point, other line."""

    def share(self, others: set[int] | None = None) -> float:
        """Share of the points on any of the others, or on any of some of them."""
        pairs = self.pairs if others is None else self.pairs[np.isin(self.pairs[:, 1], list(others))]
        return len(np.unique(pairs[:, 0])) / self.count

    def on(self, other: int) -> int:
        """How many of the points lie on one of the others."""
        return int((self.pairs[:, 1] == other).sum())

    def best(self) -> int:
        """The line on which most points lie."""
        return int(np.bincount(np.unique(self.pairs, axis=0)[:, 1]).argmax())


def nearness(lines: list[Line], others: list[Line]) -> list[Overlap]:
    """What each line shares with the others: points near them, in like direction."""
    none = np.zeros((0, 2), int)
    if not others or not lines:
        return [Overlap(len(line.points_px), none) for line in lines]
    points = np.concatenate([other.points_px for other in others])
    ahead = np.concatenate([other.ahead for other in others])
    owner = np.repeat(np.arange(len(others)), [len(other.points_px) for other in others])
    tree, least = cKDTree(points), np.cos(np.radians(ALIGNED_DEG))
    found = []
    for line in lines:
        hits = tree.query_ball_point(line.points_px, NEAR_PX)
        at = np.repeat(np.arange(len(hits)), [len(hit) for hit in hits])
        to = np.concatenate([np.array(hit, int) for hit in hits])
        along = np.abs((ahead[to] * line.ahead[at]).sum(axis=1)) >= least
        pairs = np.stack([at[along], owner[to[along]]], axis=1)
        found.append(Overlap(len(line.points_px), np.unique(pairs, axis=0) if len(pairs) else none))
    return found


def patches_of(collection: dict[str, Any], grid: Grid) -> list[tuple[dict[str, Any], np.ndarray]]:
    """Properties and pixels (rows, columns) of the polygons of a collection."""
    patches = []
    for feature in collection["features"]:
        shape = feature["geometry"]
        if shape is None or shape["type"] not in ("Polygon", "MultiPolygon"):
            continue
        parts = [shape["coordinates"]] if shape["type"] == "Polygon" else shape["coordinates"]
        rings = []
        for part in parts:
            cells = []
            for ring in part:
                corners = np.array(ring, float)
                row, col = grid.to_pixel(corners[:, 0], corners[:, 1])
                cells.append(np.stack([col + 0.5, row + 0.5], axis=1).tolist())
            rings.append(cells)
        drawn = rasterize([({"type": "MultiPolygon", "coordinates": rings}, 1)], out_shape=grid.shape)
        patches.append((feature["properties"], drawn.astype(bool)))
    return patches
