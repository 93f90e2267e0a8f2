"""How grains lie to each other: nearest neighbours against a random scatter, and their number against the depth."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree
from scipy.stats import spearmanr

FEWEST_POINTS = 10
BEYOND_GUARD = 0.01
"""Share of a random scatter whose nearest neighbour lies farther than the guard strip is wide."""
MEAN_DISTANCE, ITS_SPREAD = 0.5, 0.26136
"""Of the nearest neighbour in a random scatter, over the root of the density, and its standard error times the root of
the number of points (Clark & Evans 1954, Ecology 35: 445-453)."""
GRAINS_A_WINDOW = 12
LEAST_INSIDE = 0.75
FEWEST_WINDOWS = 8


@dataclass(frozen=True)
class Neighbours:
    """Clark and Evans' statistic: 1 for a random scatter, less for clusters, up to 2.149 for a hexagonal lattice."""

    ratio: float
    z: float
    """Standard normal for a random scatter."""
    count: int
    """Points that were looked at: those farther from the edge than the guard strip is wide."""


@dataclass(frozen=True)
class DensityByDepth:
    """Spearman's rank correlation of grain density with mean depth over square sub-windows."""

    rank_correlation: float
    p: float
    windows: int
    window_px: int


def nearest_neighbours(places_px: np.ndarray, inside: np.ndarray) -> Neighbours | None:
    """Clark and Evans' statistic of points (n, 2) in an area (rows, columns) bool; None for too few points.

    A point near the edge has neighbours outside that nobody sees: points within a guard strip serve as neighbours only.
    """
    area_px = int(inside.sum())
    if len(places_px) < FEWEST_POINTS or not area_px:
        return None
    density = len(places_px) / area_px
    guard_px = np.sqrt(-np.log(BEYOND_GUARD) / (np.pi * density))
    away_px = distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    at = np.rint(places_px).astype(int)
    judged = away_px[at[:, 0], at[:, 1]] > guard_px
    count = int(judged.sum())
    if count < FEWEST_POINTS:
        return None
    distances, _ = cKDTree(places_px).query(places_px[judged], k=2)
    mean_px = float(distances[:, 1].mean())
    expected_px = MEAN_DISTANCE / np.sqrt(density)
    z = (mean_px - expected_px) / (ITS_SPREAD / np.sqrt(count * density))
    return Neighbours(float(mean_px / expected_px), float(z), count)


def density_by_depth(places_px: np.ndarray, depth_um: np.ndarray, inside: np.ndarray) -> DensityByDepth | None:
    """Whether deeper parts have more grains, or fewer; None for too few windows.

    depth_um : (rows, columns). Windows hold a dozen grains on average and lie inside by three quarters at least.
    """
    if len(places_px) < FEWEST_POINTS:
        return None
    side = max(4, round(np.sqrt(GRAINS_A_WINDOW * inside.sum() / len(places_px))))
    shape = tuple(-(-length // side) for length in inside.shape)

    def sums(values: np.ndarray) -> np.ndarray:
        rows = np.add.reduceat(values, np.arange(0, values.shape[0], side), axis=0, dtype=np.float64)
        return np.add.reduceat(rows, np.arange(0, values.shape[1], side), axis=1, dtype=np.float64)

    pixels = sums(inside)
    at = np.rint(places_px).astype(int) // side
    counts = np.zeros(shape)
    np.add.at(counts, (at[:, 0], at[:, 1]), 1)
    used = pixels >= LEAST_INSIDE * side * side
    windows = int(used.sum())
    if windows < FEWEST_WINDOWS:
        return None
    depth = sums(np.where(inside, depth_um, 0))[used] / pixels[used]
    density = counts[used] / pixels[used]
    if np.ptp(depth) == 0 or np.ptp(density) == 0:
        return None
    found = spearmanr(depth, density)
    return DensityByDepth(float(found.statistic), float(found.pvalue), windows, side)
