"""Which marks cross, and which of them was made later."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.ndimage import maximum_filter, minimum_filter
from scipy.spatial import cKDTree

from lightdome.marks.order import Groove, Order, order_at

NEAR_PX = 1.5
LEAST_ANGLE_DEG = 15.0
AROUND_PX = 28
"""Beyond the grooves, of what is looked at to tell an order."""


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


def orders(
    height_um: np.ndarray,
    u_height_um: np.ndarray,
    labels: np.ndarray,
    wide: int,
    grooves: Sequence[Groove],
    met: Sequence[tuple[int, int]],
) -> list[Order]:
    """Order in time of each pair of grooves that meet (places in the sequence, as from `crossings`).

    height_um, u_height_um : (rows, columns), um, NaN where unknown. labels : areas as from `detect.Found`, of which
    those up to `wide` have their floors at 0; spots and the edges of areas are left out. A pair that crosses more than
    once is decided where its crossings do not contradict each other.
    """
    if not met:
        return []
    points = [dense(groove.points_px) for groove in grooves]
    owner = np.repeat(np.arange(len(points)), [len(part) for part in points])
    every = np.concatenate(points)
    tree = cKDTree(every)
    found = []
    for first, second in met:
        said = []
        for place in _places(points[first], points[second]):
            reach = int(np.ceil(grooves[first].reach_px + grooves[second].reach_px)) * 2 + AROUND_PX
            low = np.maximum(np.rint(place).astype(int) - reach, 0)
            high = np.minimum(np.rint(place).astype(int) + reach + 1, height_um.shape)
            window = slice(low[0], high[0]), slice(low[1], high[1])
            near = np.array(tree.query_ball_point(place, reach * 1.5), int)
            third = near[(owner[near] != first) & (owner[near] != second)]
            half = np.array([groove.reach_px / 2 for groove in grooves])[owner[third]]
            hidden = _edges(labels[window], wide) | _covered(every[third] - low, half, tuple(high - low))
            patch = np.where(hidden, np.nan, height_um[window])
            u = u_height_um[window]
            u_um = float(np.median(u[np.isfinite(u)])) if np.isfinite(u).any() else 0.0
            one, other = (
                replace(groove, points_px=groove.points_px - low) for groove in (grooves[first], grooves[second])
            )
            said.append(order_at(patch, u_um, one, other, place - low))
        found.append(_agreed(said))
    return found


def _places(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Where two dense polylines cross, (k, 2): the closest points of each stretch over which they are near."""
    distance, nearest = cKDTree(other).query(one, distance_upper_bound=NEAR_PX)
    near = np.flatnonzero(np.isfinite(distance))
    stretches = np.split(near, np.flatnonzero(np.diff(near) > 3) + 1)
    best = [stretch[np.argmin(distance[stretch])] for stretch in stretches if len(stretch)]
    return (one[best] + other[nearest[best]]) / 2


def _covered(points: np.ndarray, half_px: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Pixels within so far of points (n, 2), (rows, columns) bool."""
    covered = np.zeros(shape, bool)
    places = np.moveaxis(np.indices(shape), 0, -1)
    for half in np.unique(half_px):
        distance, _ = cKDTree(points[half_px == half]).query(places, distance_upper_bound=half + 0.5)
        covered |= np.isfinite(distance)
    return covered


def _edges(labels: np.ndarray, wide: int) -> np.ndarray:
    """Spots, and what is near the edge of a wide area."""
    edge = maximum_filter(labels, 5) != minimum_filter(labels, 5)
    return edge | (labels < 0) | (labels > wide)


def _agreed(said: list[Order]) -> Order:
    """One answer from all crossings of a pair."""
    decided = [order for order in said if order.later is not None]
    if len({order.later for order in decided}) > 1:
        return Order(None, 0.0, "Their crossings contradict each other.")
    if decided or said:
        return max(decided or said, key=lambda order: order.log_ratio)
    return Order(None, 0.0, "They meet without crossing.")
