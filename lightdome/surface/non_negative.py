"""Non-negative least squares of small problems, by their normal equations."""

import numba
import numpy as np

from lightdome.surface.facet_light import COMPILE

MOST_LOBES = 24
"""More unknowns above zero than this are never needed to explain a pixel; the fit stops there."""


@numba.njit(**COMPILE)
def non_negative(matrix: np.ndarray, wanted: np.ndarray, first: int) -> np.ndarray:
    """The x of smallest x'Mx - 2 b'x with no entry below zero; M (N, N) positive definite, b (N,).

    Active set on the normal equations (Lawson and Hanson 1974; Bro and de Jong 1997, from memory), from entry `first`.
    """
    count = len(wanted)
    x = np.zeros(count)
    slope = wanted.copy()
    members = np.empty(MOST_LOBES, np.int64)
    inside = np.zeros(count, np.bool_)
    factor = np.empty((MOST_LOBES, MOST_LOBES))
    found = np.empty(MOST_LOBES)
    size = 0
    tolerance = 1e-6 * np.abs(wanted).max()
    for _ in range(3 * MOST_LOBES):
        best, at = tolerance, -1
        for j in range(count):
            if slope[j] > best and not inside[j]:
                best, at = slope[j], j
        if size == 0 and wanted[first] > 0:
            at = first
        if at < 0 or size == MOST_LOBES:
            break
        members[size] = at
        inside[at] = True
        size += 1
        while True:
            _solve_members(matrix, wanted, members, size, factor, found)
            step = 1.0
            for i in range(size):
                if found[i] <= 0:
                    old = x[members[i]]
                    step = min(step, old / (old - found[i]) if old > found[i] else 0.0)
            for i in range(size):
                x[members[i]] += step * (found[i] - x[members[i]])
            if step == 1.0:
                break
            kept = 0
            for i in range(size):
                j = members[i]
                if x[j] > 1e-12 * abs(found[i]) and x[j] > 0:
                    members[kept] = j
                    kept += 1
                else:
                    x[j] = 0.0
                    inside[j] = False
            if kept == size:  # rounding: the newest member goes
                kept = size - 1
                x[members[kept]] = 0.0
                inside[members[kept]] = False
            size = kept
            if size == 0:
                break
        slope[:] = wanted
        for i in range(size):
            row, value = matrix[members[i]], x[members[i]]
            for j in range(count):
                slope[j] -= row[j] * value
    return x


@numba.njit(**COMPILE)
def _solve_members(
    matrix: np.ndarray, wanted: np.ndarray, members: np.ndarray, size: int, factor: np.ndarray, found: np.ndarray
) -> None:
    """Solve the normal equations of some of the unknowns, by Cholesky."""
    for i in range(size):
        for j in range(i + 1):
            value = matrix[members[i], members[j]]
            for k in range(j):
                value -= factor[i, k] * factor[j, k]
            factor[i, j] = value / factor[j, j] if i > j else np.sqrt(max(value, 1e-300))
        value = wanted[members[i]]
        for k in range(i):
            value -= factor[i, k] * found[k]
        found[i] = value / factor[i, i]
    for i in range(size - 1, -1, -1):
        value = found[i]
        for k in range(i + 1, size):
            value -= factor[k, i] * found[k]
        found[i] = value / factor[i, i]
