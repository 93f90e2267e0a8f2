"""Non-negative least squares for a pixel of several lobes, by its normal equations."""

import numba
import numpy as np

from lightdome.surface.block import COMPILE

MOST_LOBES = 24
"""More unknowns above zero than this are never needed to explain a pixel; the fit stops there."""


@numba.njit(**COMPILE)
def non_negative(
    shared: np.ndarray,
    cross: np.ndarray,
    own_square: np.float32,
    tie: np.float32,
    wanted: np.ndarray,
    members: np.ndarray,
    size: int,
    x: np.ndarray,
) -> int:
    """The x (N + 1,) of smallest x'Mx - 2 b'x with no entry below zero.

    M is the symmetric matrix of `shared` (N, N), with a last row and column of `cross` (N,) and `own_square`, plus
    `tie` between all unknowns but the last but one (the diffuse part). b : `wanted` (N + 1,).

    members : (MOST_LOBES,), the first `size` are the unknowns above zero of a similar problem, to start from; those of
    this one are left in it, and their number is the answer.  x : (N + 1,), written.

    Active set on the normal equations (Lawson and Hanson 1974; Bro and de Jong 1997, from memory).
    """
    count = len(wanted)
    own, dull = count - 1, count - 2
    slope = np.empty(count, np.float32)
    inside = np.zeros(count, np.bool_)
    factor = np.empty((MOST_LOBES, MOST_LOBES))
    found = np.empty(MOST_LOBES)
    tolerance = np.float32(3e-4) * np.abs(wanted).max()
    x[:] = np.float32(0)
    # of the start, what is not above zero goes, until all is
    kept = -1
    while size > 0 and kept != size:
        _solve_members(shared, cross, own_square, tie, wanted, members, np.int64(0), size, factor, found)
        kept, before = 0, size
        for i in range(before):
            if found[i] > 0:
                members[kept] = members[i]
                found[kept] = found[i]
                kept += 1
        size, kept = kept, before
    for i in range(size):
        x[members[i]] = found[i]
        inside[members[i]] = True
    for _ in range(3 * MOST_LOBES):
        slope[:] = wanted
        tied = np.float32(0)
        for i in range(size):
            member = members[i]
            value = x[member]
            tied += value if member != dull else np.float32(0)
            if member == own:
                for j in range(count - 1):
                    slope[j] -= cross[j] * value
                slope[own] -= own_square * value
            else:
                row = shared[member]
                for j in range(count - 1):
                    slope[j] -= row[j] * value
                slope[own] -= cross[member] * value
        for j in range(count):
            slope[j] -= tie * tied if j != dull else np.float32(0)
        best, at = tolerance, -1
        for j in range(count):
            if slope[j] > best and not inside[j]:
                best, at = slope[j], j
        if at < 0 or size == MOST_LOBES:
            break
        members[size] = at
        inside[at] = True
        size += 1
        fresh = size - 1
        while True:
            _solve_members(shared, cross, own_square, tie, wanted, members, fresh, size, factor, found)
            step = 1.0
            for i in range(size):
                if found[i] <= 0:
                    old = x[members[i]]
                    step = min(step, old / (old - found[i]) if old > found[i] else 0.0)
            for i in range(size):
                x[members[i]] += step * (found[i] - x[members[i]])
            if step == 1.0:
                break
            kept, fresh = 0, size
            for i in range(size):
                j = members[i]
                if found[i] > 0 or x[j] > 1e-7 * abs(found[i]):
                    members[kept] = j
                    kept += 1
                else:
                    fresh = min(fresh, kept)
                    x[j] = 0.0
                    inside[j] = False
            if kept == size:  # rounding: the newest member goes
                kept, fresh = size - 1, size - 1
                x[members[kept]] = 0.0
                inside[members[kept]] = False
            size = kept
            if size == 0:
                break
    return size


@numba.njit(**COMPILE)
def _solve_members(
    shared: np.ndarray,
    cross: np.ndarray,
    own_square: np.float32,
    tie: np.float32,
    wanted: np.ndarray,
    members: np.ndarray,
    fresh: int,
    size: int,
    factor: np.ndarray,
    found: np.ndarray,
) -> None:
    """Solve the normal equations of some of the unknowns, by Cholesky; rows of the factor before `fresh` still hold."""
    own, dull = len(wanted) - 1, len(wanted) - 2
    for i in range(fresh, size):
        a = members[i]
        for j in range(i + 1):
            b = members[j]
            if a == own:
                value = np.float64(own_square if b == own else cross[b])
            else:
                value = np.float64(cross[a] if b == own else shared[a, b])
            if a != dull and b != dull:
                value += tie
            for k in range(j):
                value -= factor[i, k] * factor[j, k]
            factor[i, j] = value / factor[j, j] if i > j else np.sqrt(max(value, 1e-300))
    for i in range(size):
        value = np.float64(wanted[members[i]])
        for k in range(i):
            value -= factor[i, k] * found[k]
        found[i] = value / factor[i, i]
    for i in range(size - 1, -1, -1):
        value = found[i]
        for k in range(i + 1, size):
            value -= factor[k, i] * found[k]
        found[i] = value / factor[i, i]
