"""Statistics of directions without a sense (axes): angles are doubled, averaged as vectors, and halved.

Mardia and Jupp, Directional Statistics, 2000, sections 2 and 9.1; Fisher, Statistical Analysis of Circular Data, 1993,
section 2.3 for the standard error (both from memory).
"""

from dataclasses import dataclass

import numpy as np

BINS = 18
"""Of 10 degrees over the half circle."""


@dataclass(frozen=True)
class Axes:
    """Length-weighted statistics of the directions of some lines."""

    length_by_bin: np.ndarray
    """(18,) in the unit of the lengths; bin k holds directions from 10 k to 10 (k + 1) degrees."""
    mean_deg: float
    """Mean axial direction, counter-clockwise from +x, 0-180; NaN where no direction stands out at all."""
    u_mean_deg: float
    """Its standard uncertainty from the scatter of the lines (lines, not segments, counted as independent); or NaN."""
    resultant: float
    """Mean resultant length, 0 (all directions alike) to 1 (parallel); NaN without lines."""


def segments(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Direction, degrees in 0-180, and length of each segment of a polyline (n, 2) of x and y."""
    way = np.diff(np.asarray(points, float), axis=0)
    return np.degrees(np.arctan2(way[:, 1], way[:, 0])) % 180.0, np.hypot(way[:, 0], way[:, 1])


def axes_of(lines: list[np.ndarray]) -> Axes:
    """Statistics of polylines (n, 2) of x and y: each segment counts by its length."""
    parts = [segments(points) for points in lines]
    angle = np.concatenate([np.zeros(0), *(part[0] for part in parts)])
    length = np.concatenate([np.zeros(0), *(part[1] for part in parts)])
    total = length.sum()
    bins = np.minimum((angle / (180 / BINS)).astype(int), BINS - 1)
    rose = np.bincount(bins, length, BINS)
    if not total > 0:
        return Axes(rose, np.nan, np.nan, np.nan)
    doubled = np.exp(2j * np.radians(angle))
    vector = complex((length * doubled).sum() / total)
    resultant = abs(vector)
    if resultant < 1e-9:
        return Axes(rose, np.nan, np.nan, resultant)
    mean = np.angle(vector)
    second = float((length * np.cos(2 * (2 * np.radians(angle) - mean))).sum() / total)
    of_lines = np.array([part[1].sum() for part in parts])
    independent = of_lines.sum() ** 2 / (of_lines**2).sum()
    error = np.sqrt(max(1 - second, 0.0) / (2 * independent)) / resultant
    # half, for the doubled angle; a single line says nothing of its scatter
    u_mean = float(np.degrees(error)) / 2 if len(lines) > 1 else np.nan
    return Axes(rose, float(np.degrees(mean)) / 2 % 180.0, u_mean, resultant)
