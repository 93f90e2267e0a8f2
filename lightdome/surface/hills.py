"""Hills and dales of a surface: watershed segmentation and Wolf pruning (ISO 25178-2:2021, clause 5, from memory).

Every pixel climbs to its steepest higher neighbour; what climbs to one peak is one hill. Pruning then joins the hill of
least local height (peak above its highest saddle) to the hill beyond that saddle, again and again, until all local
heights reach the threshold. A hill is always joined to a higher one, and its local height stays what it was until then,
so that all low hills may be joined at once, round by round. Dales are the hills of the surface turned over.
"""

from dataclasses import dataclass

import numba
import numpy as np

WOLF_SHARE = 0.05
"""Hills lower than this share of Sz are pruned: the default of ISO 25178-3 (from memory)."""


@dataclass(frozen=True)
class Hills:
    """The significant hills of a surface, or its dales; (n,) arrays in the order of the labels."""

    labels: np.ndarray
    """(rows, columns) int32: 1 to n; 0 where the height is unknown."""
    peaks_px: np.ndarray
    """(n, 2) row and column of the highest pixel; of dales, the lowest."""
    peaks_um: np.ndarray
    """Height there; of dales as of hills, as it stands in the map."""
    local_heights_um: np.ndarray
    """Peak above the highest saddle (of dales: below the lowest), above zero; inf for a hill without neighbours."""
    areas_px: np.ndarray
    """Pixels of the hill."""
    is_open: np.ndarray
    """Whether the hill touches the edge of the map or an unknown pixel."""
    peak_on_edge: np.ndarray
    """Whether the peak itself does: the true top may lie outside."""


def hills(height_um: np.ndarray, least_um: float, *, dales: bool = False) -> Hills:
    """Hills (or dales) of local height `least_um` and more; pixels join by sides and corners.

    height_um : (rows, columns), NaN where unknown.
    """
    height = np.ascontiguousarray(height_um)
    sign = np.float64(-1.0 if dales else 1.0)
    labels = _climb(height, sign)
    peaks = _settle(labels)
    labels = labels.reshape(height.shape)
    tops = np.concatenate([[-np.inf], sign * height.ravel()[peaks].astype(np.float64)])
    into, saddles = _prune(height, labels, sign, tops, np.float64(least_um))
    kept = np.flatnonzero(into[1:] == np.arange(1, len(into))) + 1
    number = np.zeros(len(into), np.int32)
    number[kept] = np.arange(1, len(kept) + 1)
    areas, touches = _relabel(labels, number[into])
    peaks_px = np.stack(np.unravel_index(peaks[kept - 1], height.shape), axis=1)
    return Hills(
        labels=labels,
        peaks_px=peaks_px,
        peaks_um=sign * tops[kept],
        local_heights_um=tops[kept] - saddles[kept],
        areas_px=areas[1:],
        is_open=touches[1:],
        peak_on_edge=_beside_unknown(height, peaks_px),
    )


@numba.njit(cache=True, nogil=True)
def _climb(height: np.ndarray, sign: float) -> np.ndarray:
    """Flat index of the neighbour that rises most steeply, of a peak its own; -1 where unknown; (pixels,) int32.

    Of level neighbours the later one counts as higher, so that nothing climbs in a circle.
    """
    rows, cols = height.shape
    toward = np.empty(rows * cols, np.int32)
    for r in range(rows):
        for c in range(cols):
            here = sign * height[r, c]
            own = r * cols + c
            if not np.isfinite(here):
                toward[own] = -1
                continue
            best, steepest = own, 0.0
            for dr in range(max(r - 1, 0), min(r + 2, rows)):
                for dc in range(max(c - 1, 0), min(c + 2, cols)):
                    rise = sign * height[dr, dc] - here
                    if dr != r and dc != c:
                        rise *= 0.7071067811865476
                    there = dr * cols + dc
                    if rise > steepest or (rise == 0.0 and steepest == 0.0 and there > best):
                        best, steepest = there, rise
            toward[own] = best
    return toward


@numba.njit(cache=True, nogil=True)
def _settle(toward: np.ndarray) -> np.ndarray:
    """Turn `toward` into labels from 1 (0 unknown), in place; returns the flat index of each label's peak."""
    count = 0
    for own in range(len(toward)):
        if toward[own] == own:
            count += 1
    peaks = np.empty(count, np.int64)
    count = 0
    for own in range(len(toward)):
        if toward[own] == own:
            peaks[count] = own
            count += 1
            toward[own] = -1 - count
    for own in range(len(toward)):
        top = own
        while toward[top] >= 0:
            top = toward[top]
        label = toward[top]
        step = own
        while toward[step] >= 0:
            above = toward[step]
            toward[step] = label
            step = above
    for own in range(len(toward)):
        toward[own] = -1 - toward[own]
    return peaks


@numba.njit(cache=True, nogil=True)
def _prune(
    height: np.ndarray, labels: np.ndarray, sign: float, tops: np.ndarray, least: float
) -> tuple[np.ndarray, np.ndarray]:
    """Label that each label was joined to, and the highest saddle of those that stand; both (labels + 1,)."""
    rows, cols = height.shape
    into = np.arange(len(tops))
    saddles = np.empty(len(tops))
    beyond = np.empty(len(tops), np.int64)
    while True:
        saddles[:] = -np.inf
        beyond[:] = 0
        for r in range(rows):
            for c in range(cols):
                own = labels[r, c]
                if own == 0:
                    continue
                here = sign * height[r, c]
                for step in range(4):
                    nr = r + (step > 0)
                    nc = c + (1 if step == 0 else step - 2)
                    if nr >= rows or nc < 0 or nc >= cols:
                        continue
                    other = labels[nr, nc]
                    if other == own or other == 0:
                        continue
                    a, b = into[own], into[other]
                    if a == b:
                        continue
                    level = min(here, sign * height[nr, nc])
                    if level > saddles[a]:
                        saddles[a] = level
                        beyond[a] = b
                    if level > saddles[b]:
                        saddles[b] = level
                        beyond[b] = a
        joined = 0
        for a in range(1, len(tops)):
            b = beyond[a]
            higher = b > 0 and (tops[b] > tops[a] or (tops[b] == tops[a] and b > a))
            if higher and into[a] == a and tops[a] - saddles[a] < least:
                into[a] = b
                joined += 1
        if joined == 0:
            return into, saddles
        for a in range(1, len(tops)):
            root = a
            while into[root] != root:
                root = into[root]
            step = a
            while into[step] != root:
                above = into[step]
                into[step] = root
                step = above


@numba.njit(cache=True, nogil=True)
def _relabel(labels: np.ndarray, final: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give pixels their final labels, in place; size of each, and whether it touches an edge or the unknown."""
    rows, cols = labels.shape
    count = final.max() + 1
    areas = np.zeros(count, np.int64)
    touches = np.zeros(count, np.bool_)
    for r in range(rows):
        for c in range(cols):
            own = final[labels[r, c]]
            labels[r, c] = own
            areas[own] += 1
            if own and not touches[own]:
                edge = r == 0 or c == 0 or r == rows - 1 or c == cols - 1
                touches[own] = edge or not (
                    labels[r - 1, c] and labels[r + 1, c] and labels[r, c - 1] and labels[r, c + 1]
                )
    return areas, touches


def _beside_unknown(height: np.ndarray, places_px: np.ndarray) -> np.ndarray:
    """Whether a place lies at the edge of the map or beside an unknown pixel, (n,) bool."""
    beside = np.zeros(len(places_px), bool)
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            row, col = places_px[:, 0] + dr, places_px[:, 1] + dc
            inside = (row >= 0) & (row < height.shape[0]) & (col >= 0) & (col < height.shape[1])
            beside |= ~inside
            beside[inside] |= ~np.isfinite(height[row[inside], col[inside]])
    return beside
