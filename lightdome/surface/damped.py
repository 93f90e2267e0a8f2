"""Damped Gauss-Newton steps of a block of pixels (Levenberg 1944, Marquardt 1963, from memory)."""

import numba
import numpy as np

from lightdome.surface.facet_light import BLOCK, COMPILE, LOG_A, MATTE, SLOPE_X, SLOPE_Y, SPECULAR, SUMS

STEEPEST = np.float32(3.0)
REST = np.float32(3e-4)
"""Change of the slopes (0.02 degree, and the next change is far smaller) below which a pixel has come to rest."""
OTHERS = np.float32(0.1)
"""Weight, in that change, of the strengths (about 1) and of the logarithm of the roughness."""
STUCK = np.float32(1e3)
LEAST_ROUGHNESS, LARGEST_ROUGHNESS = np.float32(0.03), np.float32(1.2)


@numba.njit(**COMPILE)
def solve_damped(
    sums: np.ndarray, state: np.ndarray, damping: np.ndarray, share: np.float32, factor: np.ndarray, step: np.ndarray
) -> None:
    """Step of the damped normal equations, by Cholesky; a strength at zero that wants to fall stays where it is."""
    zero, one = np.float32(0), np.float32(1)
    free = np.empty((5, BLOCK), np.float32)
    free[:] = one
    free[LOG_A] = share
    for p in range(BLOCK):
        for i in (MATTE, SPECULAR):
            if state[i, p] <= zero and sums[15 + i, p] <= zero:
                free[i, p] = zero
    for i in range(5):
        row = i * (i + 1) // 2
        for j in range(i):
            for p in range(BLOCK):
                factor[row + j, p] = sums[row + j, p] * free[i, p] * free[j, p]
        for p in range(BLOCK):
            own = sums[row + i, p] * (one + damping[p]) + np.float32(1e-6)
            factor[row + i, p] = own if free[i, p] > zero else one
            step[i, p] = sums[15 + i, p] * free[i, p]
    cholesky(factor)
    substitute(factor, step)


@numba.njit(**COMPILE)
def cholesky(factor: np.ndarray) -> None:
    """Lower Cholesky factors in place, rows packed, of five unknowns."""
    for i in range(5):
        row = i * (i + 1) // 2
        for j in range(i + 1):
            other = j * (j + 1) // 2
            for k in range(j):
                for p in range(BLOCK):
                    factor[row + j, p] -= factor[row + k, p] * factor[other + k, p]
            if i == j:
                for p in range(BLOCK):
                    factor[row + i, p] = np.sqrt(max(factor[row + i, p], np.float32(1e-12)))
            else:
                for p in range(BLOCK):
                    factor[row + j, p] /= factor[other + j, p]


@numba.njit(**COMPILE)
def substitute(factor: np.ndarray, step: np.ndarray) -> None:
    """Solve in place for the right side in `step`."""
    for i in range(5):
        row = i * (i + 1) // 2
        for k in range(i):
            for p in range(BLOCK):
                step[i, p] -= factor[row + k, p] * step[k, p]
        for p in range(BLOCK):
            step[i, p] /= factor[row + i, p]
    for i in range(4, -1, -1):
        for k in range(i + 1, 5):
            for p in range(BLOCK):
                step[i, p] -= factor[k * (k + 1) // 2 + i, p] * step[k, p]
        for p in range(BLOCK):
            step[i, p] /= factor[i * (i + 1) // 2 + i, p]


@numba.njit(**COMPILE)
def move(state: np.ndarray, step: np.ndarray, share: np.float32, trial: np.ndarray) -> None:
    """A step of at most 0.3 in slope and 0.4 in the logarithm of the roughness; limits kept."""
    zero, one = np.float32(0), np.float32(1)
    for p in range(BLOCK):
        sx, sy = step[SLOPE_X, p], step[SLOPE_Y, p]
        short = min(one, np.float32(0.3) / (np.sqrt(sx * sx + sy * sy) + np.float32(1e-12)))
        trial[SLOPE_X, p] = min(max(state[SLOPE_X, p] + short * sx, -STEEPEST), STEEPEST)
        trial[SLOPE_Y, p] = min(max(state[SLOPE_Y, p] + short * sy, -STEEPEST), STEEPEST)
        turn = min(max(step[LOG_A, p], np.float32(-0.4)), np.float32(0.4))
        log_a = state[LOG_A, p] + share * turn
        # the logarithms of the limits of the roughness
        trial[LOG_A, p] = min(max(log_a, np.log(LEAST_ROUGHNESS)), np.log(LARGEST_ROUGHNESS))
        trial[MATTE, p] = max(state[MATTE, p] + step[MATTE, p], zero)
        trial[SPECULAR, p] = max(state[SPECULAR, p] + step[SPECULAR, p], zero)


@numba.njit(**COMPILE)
def accept(
    state: np.ndarray,
    trial: np.ndarray,
    sums: np.ndarray,
    next_sums: np.ndarray,
    damping: np.ndarray,
    still: np.ndarray,
) -> bool:
    """Take the trials that lower the cost; whether any pixel still moves.

    still : (BLOCK,), 1 where a pixel has come to rest. It then stays as it is, so that its answer does not depend on
    how long the others of the block move.
    """
    zero, one = np.float32(0), np.float32(1)
    moving = False
    for p in range(BLOCK):
        if still[p] > zero:
            continue
        if next_sums[20, p] <= sums[20, p]:
            change, others = zero, zero
            for i in range(5):
                step = abs(trial[i, p] - state[i, p])
                change += step if i in (SLOPE_X, SLOPE_Y) else zero
                others += zero if i in (SLOPE_X, SLOPE_Y) else step
            change += OTHERS * others
            still[p] = one if change < REST else zero
            for i in range(5):
                state[i, p] = trial[i, p]
            for i in range(SUMS):
                sums[i, p] = next_sums[i, p]
            damping[p] = max(damping[p] * np.float32(0.2), np.float32(1e-6))
        else:
            damping[p] = min(damping[p] * np.float32(8), np.float32(1e6))
            still[p] = one if damping[p] > STUCK else zero
        moving |= still[p] == zero
    return moving
