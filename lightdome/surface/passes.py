"""The passes over the pixels of `surface/microfacet.py`: follow the pixel above, begin anew, go on."""

from typing import NamedTuple

import numba
import numpy as np

from lightdome.surface.block import (
    BLOCK,
    COMPILE,
    LOG_A,
    MATTE,
    SLOPE_X,
    SLOPE_Y,
    SPECULAR,
    Block,
    Law,
    Seen,
    empty_block,
    load,
)
from lightdome.surface.damped import (
    FIRST_DAMPING,
    Walk,
    descend,
    empty_walk,
    move,
    slope_change,
    solve_damped,
    substitute,
)
from lightdome.surface.facet_light import BRIGHT, COST, LEFT, LOBES, SQUARES, WITHIN, evaluate, shadow, strengths
from lightdome.surface.facet_light import spread as spread_light
from lightdome.surface.lobe import METAL
from lightdome.surface.starts import start_half, start_matte

START_METAL, START_MATTE, START_BOTH = 1, 2, 3
SOFT, SOFT_STEPS = np.float32(0.1), 2
"""Far from the answer, samples of little noise would all count as outliers: the start is chosen, and the first steps
are done, as if the model were good to this part of the largest light."""
FIRST_STEPS, LATER_STEPS = 2, 3
"""Most pixels rest after few steps; the others are gathered, so that the many do not wait for them."""
HOPELESS = np.float32(10.0)
"""Misfit, after the first steps, of a metal above which no more are made: its light is that of several slopes."""
FOLLOWED = np.float32(2.0)
"""Misfit up to which an answer that was reached from the pixel above is taken, and serves the pixel below."""
FOLLOW_REST = np.float32(2e-3)
"""Second step of its slopes (0.1 degree) up to which no third one is needed: what it leaves is below 0.02 degree in 99
pixels of 100 (on the plate of benchmarks/speed.py, against eight steps)."""
VALUES = 14


class Line(NamedTuple):
    """Pixels that wait for a pass."""

    which: np.ndarray
    """(P,), int64: their numbers."""
    size: np.ndarray
    """(1,), int64: how many they are."""


@numba.njit(**COMPILE)
def fit_pixels(
    seen: Seen,
    law: Law,
    roughness: np.ndarray,
    share: np.float32,
    iterations: int,
    starts: int,
    above: np.ndarray,
    values: np.ndarray,
    model: np.ndarray,
) -> None:
    """Fit all pixels: those that follow the pixel above, then those that must begin anew, then those that go on.

    The arguments are those of `microfacet.fit_lobes`.

    values : (VALUES, P), written: slopes, strengths, roughness, misfit, three of the covariance, usable, within, shiny,
    cost, unexplained, as `microfacet.LobeFit` says; the strengths are those of the kernels.
    model : (L, P) or (0, P), written.
    """
    count, pixels = seen.light.shape
    block, walk, rays = empty_block(count), empty_walk(), np.empty((3, count, BLOCK), np.float32)
    waiting = Line(np.arange(pixels), np.array([pixels]))
    moving, still_moving = (
        Line(np.empty(pixels, np.int64), np.array([0])),
        Line(np.empty(pixels, np.int64), np.array([0])),
    )
    damping = np.empty(pixels, np.float32)
    cols, done = above.shape[1], 0
    if cols:
        waiting.size[0] = 0
        for start in range(0, pixels, cols):
            for first in range(start, start + cols, BLOCK):
                which = np.arange(first, min(first + BLOCK, start + cols))
                _follow(seen, law, share, which, above, block, walk, rays[0], values, waiting)
            while waiting.size[0] - done >= BLOCK:
                some = waiting.which[done : done + BLOCK]
                done += BLOCK
                _begin(
                    seen, law, roughness, share, iterations, starts, some, block, walk, rays, above, damping, values,
                    model, moving,
                )  # fmt: skip
    for first in range(done, waiting.size[0], BLOCK):
        some = waiting.which[first : min(first + BLOCK, waiting.size[0])]
        _begin(
            seen, law, roughness, share, iterations, starts, some, block, walk, rays, above, damping, values, model,
            moving,
        )  # fmt: skip
    left = iterations - FIRST_STEPS
    while left > 0 and moving.size[0] > 0:
        still_moving.size[0] = 0
        for first in range(0, moving.size[0], BLOCK):
            some = moving.which[first : min(first + BLOCK, moving.size[0])]
            steps = min(left, LATER_STEPS)
            _go_on(seen, law, share, steps, some, block, walk, rays, damping, values, model, still_moving)
        moving, still_moving = still_moving, moving
        left -= LATER_STEPS
    for column in range(cols):
        at = pixels - cols + column
        if values[5, at] < FOLLOWED:
            for i, row in ((SLOPE_X, 0), (SLOPE_Y, 1), (MATTE, 2), (SPECULAR, 3)):
                above[i, column] = values[row, at]
            above[LOG_A, column] = np.log(values[4, at])


@numba.njit(**COMPILE)
def _join(line: Line, pixel: int) -> None:
    line.which[line.size[0]] = pixel
    line.size[0] += 1


@numba.njit(**COMPILE)
def _follow(
    seen: Seen,
    law: Law,
    share: np.float32,
    which: np.ndarray,
    above: np.ndarray,
    block: Block,
    walk: Walk,
    soft: np.ndarray,
    values: np.ndarray,
    waiting: Line,
) -> None:
    """Try a run of pixels from what is known above; those that do not follow are added to the waiting."""
    cols = above.shape[1]
    n, column = len(which), which[0] % cols
    any_known = False
    for p in range(n):
        any_known |= np.isfinite(above[0, column + p])
    if not any_known:
        for p in range(n):
            _join(waiting, which[p])
        return
    load(seen, which, law, block)
    state, trial = walk.state, walk.trial
    for p in range(BLOCK):
        at = column + min(p, n - 1)
        known = np.isfinite(above[0, at])
        for i in range(5):
            state[i, p] = above[i, at] if known else np.float32(0)
        state[MATTE, p] /= block.peak[p]
        state[SPECULAR, p] /= block.peak[p]
    walk.damping[:] = np.float32(0)
    _soften(block, soft)
    for weight in (soft, block.weight):
        shadow(block, law, state)
        evaluate(block, law, weight, share, state, walk.sums)
        solve_damped(walk, share)
        move(state, walk.step, share, trial)
        for p in range(BLOCK):
            walk.still[p] = slope_change(state, trial, p)
        state[:] = trial
    for p in range(BLOCK):
        # what the last step will have gained, to second order
        walk.sums[SQUARES, p] = max(walk.sums[SQUARES, p] - walk.gain[p], np.float32(0))
    _write(block, walk, values, which)
    for p in range(n):
        at = column + p
        if walk.still[p] < FOLLOW_REST and values[5, which[p]] < FOLLOWED and np.isfinite(above[0, at]):
            _remember(block, walk, p, above, at)
        else:
            _join(waiting, which[p])


@numba.njit(**COMPILE)
def _soften(block: Block, soft: np.ndarray) -> None:
    """Weights (L, BLOCK) of a model that is good to `SOFT` only."""
    one = np.float32(1)
    for k in range(len(soft)):
        for p in range(BLOCK):
            soft[k, p] = block.weight[k, p] / (one + SOFT * SOFT * block.weight[k, p])


@numba.njit(**COMPILE)
def _softened(law: Law) -> Law:
    """The law with as soft a pull of the lobe's strength: a lobe must be let go before the light holds it."""
    lobe_pull = law.lobe_pull / (np.float32(1) + SOFT * SOFT * law.lobe_pull)
    return Law(law.table, law.curvature, law.pull, lobe_pull, law.shadowing, law.stretched, law.noise)


@numba.njit(**COMPILE)
def _remember(block: Block, walk: Walk, p: int, above: np.ndarray, column: int) -> None:
    for i in range(5):
        above[i, column] = walk.state[i, p]
    above[MATTE, column] *= block.peak[p]
    above[SPECULAR, column] *= block.peak[p]


@numba.njit(**COMPILE)
def _begin(
    seen: Seen,
    law: Law,
    roughness: np.ndarray,
    share: np.float32,
    iterations: int,
    starts: int,
    which: np.ndarray,
    block: Block,
    walk: Walk,
    rays: np.ndarray,
    above: np.ndarray,
    damping: np.ndarray,
    values: np.ndarray,
    model: np.ndarray,
    moving: Line,
) -> None:
    """Fit some pixels from the closed forms; those that do not rest soon are added to the moving."""
    soft, spread, lit = rays[0], rays[1], rays[2]
    state, cost = walk.state, np.empty(BLOCK, np.float32)
    load(seen, which, law, block)
    _soften(block, soft)
    soft_law = _softened(law)
    for p in range(BLOCK):
        state[LOG_A, p] = np.log(roughness[which[min(p, len(which) - 1)]])
    # of two starts, each with its best strengths, the better one goes on
    first_cost, first = np.full(BLOCK, np.float32(np.inf)), np.zeros((5, BLOCK), np.float32)
    if starts != START_MATTE:
        start_half(block, state)
        shadow(block, law, state)
        spread_light(block, law, state, spread, lit)
        strengths(block, soft_law, soft, spread, lit, state, first_cost)
    if starts != START_METAL:
        first[:] = state
        start_matte(block, state)
        shadow(block, law, state)
        spread_light(block, law, state, spread, lit)
        strengths(block, soft_law, soft, spread, lit, state, cost)
        for p in range(BLOCK):
            if first_cost[p] < cost[p]:
                for i in range(5):
                    state[i, p] = first[i, p]
    walk.damping[:] = FIRST_DAMPING
    descend(block, soft_law, soft, share, np.int64(SOFT_STEPS), walk)
    walk.damping[:] = FIRST_DAMPING
    descend(block, law, block.weight, share, min(iterations, FIRST_STEPS), walk)
    _undamp(walk, share)
    _write(block, walk, values, which)
    if len(model) > 0:
        _show(block, law, walk, spread, lit, model, which)
    for p in range(len(which)):
        at = which[p]
        if above.shape[1] > 0 and values[5, at] < FOLLOWED:
            _remember(block, walk, p, above, at % above.shape[1])
        hopeless = values[5, at] > HOPELESS and values[11, at] > np.float32(METAL) and not len(model)
        if walk.still[p] == np.float32(0) and np.isfinite(values[0, at]) and not hopeless:
            damping[at] = walk.damping[p]
            _join(moving, at)


@numba.njit(**COMPILE)
def _go_on(
    seen: Seen,
    law: Law,
    share: np.float32,
    steps: int,
    which: np.ndarray,
    block: Block,
    walk: Walk,
    rays: np.ndarray,
    damping: np.ndarray,
    values: np.ndarray,
    model: np.ndarray,
    moving: Line,
) -> None:
    """Go on with some pixels from where they are; those that do not rest are added to the moving."""
    load(seen, which, law, block)
    state = walk.state
    for p in range(BLOCK):
        at = which[min(p, len(which) - 1)]
        state[SLOPE_X, p], state[SLOPE_Y, p] = values[0, at], values[1, at]
        state[MATTE, p], state[SPECULAR, p] = values[2, at] / block.peak[p], values[3, at] / block.peak[p]
        state[LOG_A, p] = np.log(values[4, at])
        walk.damping[p] = damping[at]
    descend(block, law, block.weight, share, steps, walk)
    _undamp(walk, share)
    _write(block, walk, values, which)
    if len(model) > 0:
        _show(block, law, walk, rays[1], rays[2], model, which)
    for p in range(len(which)):
        if walk.still[p] == np.float32(0):
            damping[which[p]] = walk.damping[p]
            _join(moving, which[p])


@numba.njit(**COMPILE)
def _show(
    block: Block,
    law: Law,
    walk: Walk,
    spread: np.ndarray,
    lit: np.ndarray,
    model: np.ndarray,
    which: np.ndarray,
) -> None:
    """Write the light of the model out."""
    zero, b = np.float32(0), law.curvature
    shadow(block, law, walk.state)
    spread_light(block, law, walk.state, spread, lit)
    for k in range(len(model)):
        for p in range(len(which)):
            matte, metal = walk.state[MATTE, p], walk.state[SPECULAR, p]
            bright = matte * (lit[k, p] + b * lit[k, p] * lit[k, p]) + metal * spread[k, p]
            used = block.weight[k, p] > zero
            model[k, which[p]] = bright * block.peak[p] * block.power[k, p] if used else zero


@numba.njit(**COMPILE)
def _undamp(walk: Walk, share: np.float32) -> None:
    """Factor the last normal equations without damping: their inverse is the covariance."""
    damping = walk.damping.copy()
    walk.damping[:] = np.float32(0)
    solve_damped(walk, share)
    walk.damping[:] = damping


@numba.njit(**COMPILE)
def _write(block: Block, walk: Walk, values: np.ndarray, which: np.ndarray) -> None:
    """Write the answers of a block out; the covariance is that of the undamped factor."""
    zero, one, nan = np.float32(0), np.float32(1), np.float32(np.nan)
    state, sums, column = walk.state, walk.sums, walk.step
    out = np.empty((VALUES, BLOCK), np.float32)
    for axis in range(2):
        column[:] = zero
        column[axis] = one
        substitute(walk.factor, column)
        for p in range(BLOCK):
            out[6 + axis, p], out[8, p] = column[0, p], column[1, p]
    for p in range(BLOCK):
        out[4, p] = np.exp(state[LOG_A, p])
    for p in range(BLOCK):
        usable, peak = block.usable[p], block.peak[p]
        # zero, or not a number where there is no answer
        unknown = zero if (usable >= np.float32(4)) & (peak > np.float32(1e-9)) else nan
        portion = one / max(usable, one)
        out[0, p] = state[SLOPE_X, p] + unknown
        out[1, p] = state[SLOPE_Y, p] + unknown
        out[2, p] = state[MATTE, p] * peak + unknown
        out[3, p] = state[SPECULAR, p] * peak + unknown
        out[4, p] += unknown
        out[5, p] = np.sqrt(sums[SQUARES, p] * portion) + unknown
        out[9, p] = usable
        out[10, p] = sums[WITHIN, p]
        out[11, p] = sums[LOBES, p] / max(sums[BRIGHT, p], np.float32(1e-12)) + unknown
        out[12, p] = sums[COST, p] * portion + unknown
        out[13, p] = np.sqrt(sums[LEFT, p] * portion) + unknown
    for i in range(VALUES):
        for p in range(len(which)):
            values[i, which[p]] = out[i, p]
