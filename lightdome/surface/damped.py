"""Damped Gauss-Newton steps of a block of pixels (Levenberg 1944, Marquardt 1963, from memory)."""

from typing import NamedTuple

import numba
import numpy as np

from lightdome.surface.block import BLOCK, COMPILE, LOG_A, MATTE, SLOPE_X, SLOPE_Y, SPECULAR, Block, Law
from lightdome.surface.facet_light import COST, SQUARES, SUMS, evaluate, shadow

STEEPEST = np.float32(3.0)
ENOUGH = np.float32(0.03)
"""A pixel has come to rest when a step promised to lower the squared residuals, over the variance that they show, by
this only: 0.17 standard deviations of what is looked for, and the next step is far smaller."""
STUCK = np.float32(1e3)
LEAST_ROUGHNESS, LARGEST_ROUGHNESS = np.float32(0.03), np.float32(1.2)


FIRST_DAMPING = np.float32(1e-2)
SHADOWED_STEPS = 1
"""Steps that take the shadowing of the facets anew; then the slopes change too little for it."""


class Walk(NamedTuple):
    """Where the pixels of a block are on their way, float32; states as in `surface/block.py`."""

    state: np.ndarray
    trial: np.ndarray
    sums: np.ndarray
    """(SUMS, BLOCK), at `state`."""
    next_sums: np.ndarray
    damping: np.ndarray
    """(BLOCK,)."""
    still: np.ndarray
    """(BLOCK,): 1 where a pixel has come to rest. It then stays as it is, so that its answer does not depend on how
    long the others of the block move."""
    factor: np.ndarray
    step: np.ndarray
    gain: np.ndarray
    """(BLOCK,): what the squared weighted residuals fall by, without damping and to second order, by the step."""


@numba.njit(**COMPILE)
def empty_walk() -> Walk:
    """A walk that has not begun."""
    return Walk(
        np.zeros((5, BLOCK), np.float32),
        np.zeros((5, BLOCK), np.float32),
        np.zeros((SUMS, BLOCK), np.float32),
        np.zeros((SUMS, BLOCK), np.float32),
        np.zeros(BLOCK, np.float32),
        np.zeros(BLOCK, np.float32),
        np.zeros((15, BLOCK), np.float32),
        np.zeros((5, BLOCK), np.float32),
        np.zeros(BLOCK, np.float32),
    )


@numba.njit(**COMPILE)
def descend(block: Block, law: Law, weight: np.ndarray, share: np.float32, steps: int, walk: Walk) -> None:
    """Up to so many steps with `weight` (L, BLOCK), until every pixel of the block rests."""
    state, trial, sums, next_sums = walk.state, walk.trial, walk.sums, walk.next_sums
    walk.still[:] = np.float32(0)
    shadow(block, law, state)
    evaluate(block, law, weight, share, state, sums)
    for number in range(steps):
        solve_damped(walk, share)
        move(state, walk.step, share, trial)
        if number < SHADOWED_STEPS:
            shadow(block, law, trial)
        evaluate(block, law, weight, share, trial, next_sums)
        if not accept(walk, block.usable):
            break


@numba.njit(**COMPILE)
def solve_damped(walk: Walk, share: np.float32) -> None:
    """Step of the damped normal equations, by Cholesky; a strength at zero that wants to fall stays where it is."""
    zero, one = np.float32(0), np.float32(1)
    sums, state, damping, factor, step = walk.sums, walk.state, walk.damping, walk.factor, walk.step
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
    walk.gain[:] = zero
    for i in range(5):
        for p in range(BLOCK):
            walk.gain[p] += step[i, p] * sums[15 + i, p] * free[i, p] * (one + damping[p])


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
def slope_change(old: np.ndarray, new: np.ndarray, p: int) -> np.float32:
    """Change of the slopes of pixel p from one state to the other."""
    return abs(new[SLOPE_X, p] - old[SLOPE_X, p]) + abs(new[SLOPE_Y, p] - old[SLOPE_Y, p])


@numba.njit(**COMPILE)
def accept(walk: Walk, usable: np.ndarray) -> bool:
    """Take the trials that lower the cost; whether any pixel still moves.

    usable : (BLOCK,), number of samples.
    """
    zero, one = np.float32(0), np.float32(1)
    state, trial, sums, next_sums, damping, still = (
        walk.state, walk.trial, walk.sums, walk.next_sums, walk.damping, walk.still,
    )  # fmt: skip
    moving = False
    for p in range(BLOCK):
        if still[p] > zero:
            continue
        if next_sums[COST, p] <= sums[COST, p]:
            variance = max(sums[SQUARES, p] / max(usable[p], one), one)
            still[p] = one if walk.gain[p] < ENOUGH * variance else zero
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
