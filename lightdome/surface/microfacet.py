"""Fit of the light of every pixel by one lobe and a diffuse part: slopes, strengths, roughness.

Start: of two closed forms the one with the smaller robust misfit, the mean half vector weighted by brightness (a metal)
and least squares on n.l (a matte surface). Then damped Gauss-Newton steps (Levenberg 1944, Marquardt 1963, from memory)
on slopes, diffuse and specular strength and, where it is free, the logarithm of the roughness, with the weights
1 / (variance (1 + t)^2), t = residual^2 / (variance CUT^2) of Geman and McClure (1987, from memory). Strengths stay at
zero or above. The variance of a sample is that of the noise: read, shot and gain.

Loops run over blocks of pixels with the pixel innermost (see `surface/normals.py`): no answer depends on the grouping.
"""

from dataclasses import dataclass

import numba
import numpy as np

from lightdome.surface.damped import accept, move, solve_damped, substitute
from lightdome.surface.facet_light import (
    BLOCK,
    COMPILE,
    LOG_A,
    MATTE,
    SLOPE_X,
    SLOPE_Y,
    SPECULAR,
    SUMS,
    evaluate,
    shadow,
    strengths,
)
from lightdome.surface.facet_light import (
    spread as spread_light,
)
from lightdome.surface.lobe import Lobe
from lightdome.surface.starts import start_half, start_matte

START_METAL, START_MATTE, START_BOTH = 1, 2, 3
FIRST_DAMPING = np.float32(1e-2)
SOFT, SOFT_STEPS = np.float32(0.1), 2
"""Far from the answer, samples of little noise would all count as outliers: the start is chosen, and the first steps
are done, as if the model were good to this part of the largest light."""
FIRST_STEPS = 2
SHADOWED_STEPS = 3
"""Steps that take the shadowing of the facets anew; then the slopes change too little for it."""


@dataclass(frozen=True)
class LobeFit:
    """What the fit of P pixels leaves behind; arrays (P,) float32 if not said otherwise; NaN: no answer."""

    slopes: np.ndarray
    """(2, P): of the peak of the lobe; normal = (-slope_x, -slope_y, 1) / norm."""
    diffuse: np.ndarray
    specular: np.ndarray
    """Reflectance at normal incidence."""
    roughness: np.ndarray
    shiny: np.ndarray
    """Share of the lobe in the light of the model, 0 to 1."""
    misfit: np.ndarray
    """Root of the mean squared residual over its standard deviation, every sample counted the same."""
    cost: np.ndarray
    """Mean robust cost of a sample, 0 to 1."""
    unexplained: np.ndarray
    """Root of the mean squared residual over the pixel's largest light (at the same irradiance)."""
    covariance: np.ndarray
    """(3, P): xx, xy, yy of the slopes' covariance from the noise alone."""
    usable: np.ndarray
    """Number of usable samples."""
    within: np.ndarray
    """Number of usable samples within the lobe (angle to the normal below twice the roughness)."""
    model: np.ndarray
    """(L, P): light of the model, zero where a sample is not usable; (0, P) if not asked for."""


def fit_lobes(
    light: np.ndarray,
    toward: np.ndarray,
    irradiance: np.ndarray,
    view: np.ndarray,
    lobe: Lobe,
    roughness: np.ndarray,
    free_roughness: bool,
    iterations: int,
    starts: int = START_BOTH,
    with_model: bool = True,
) -> LobeFit:
    """Fit the pixels.

    light : (L, P), NaN where a sample is not to be used.
    toward : (L, 3, P), unit vectors to the lamps.  irradiance : (L, P).  view : (3, P), unit vectors to the camera.
    roughness : (P,), fixed, or the start where `free_roughness`.

    starts : START_METAL, START_MATTE or START_BOTH: which closed forms are tried.
    with_model : False leaves the light of the model out of the answer, which saves time.

    No answer where fewer than 4 samples are usable or where all are dark.
    """
    count, pixels = light.shape
    values = np.empty((14, pixels), np.float32)
    model = np.empty((count if with_model else 0, pixels), np.float32)
    arrays = [np.ascontiguousarray(array, np.float32) for array in (light, toward, irradiance, view, lobe.noise)]
    table = np.ascontiguousarray(lobe.table, np.float32)
    curvature, pull = np.float32(lobe.diffuse_curvature), np.float32(lobe.matte_pull)
    shadowing = np.float32(lobe.shadowing)
    start = np.ascontiguousarray(roughness, np.float32)
    how = (np.asarray(lobe.stretched, np.float32), start, free_roughness, iterations, starts)
    _fit(*arrays, table, curvature, pull, shadowing, *how, values, model)
    roughness = values[4]
    return LobeFit(
        slopes=values[:2],
        diffuse=values[2] * (1 + curvature),
        specular=values[3] * 4 * roughness**2 * np.float32(lobe.integral),
        roughness=roughness,
        shiny=values[11],
        misfit=values[5],
        cost=values[12],
        unexplained=values[13],
        covariance=values[6:9],
        usable=values[9],
        within=values[10],
        model=model,
    )


@numba.njit(**COMPILE)
def _fit(
    light: np.ndarray,
    toward: np.ndarray,
    irradiance: np.ndarray,
    view: np.ndarray,
    noise: np.ndarray,
    table: np.ndarray,
    curvature: np.float32,
    pull: np.float32,
    shadowing: np.float32,
    stretched: np.ndarray,
    all_roughness: np.ndarray,
    free: bool,
    iterations: int,
    starts: int,
    values: np.ndarray,
    model: np.ndarray,
) -> None:
    count, pixels = light.shape
    zero, one = np.float32(0), np.float32(1)
    sample = np.empty((count, BLOCK), np.float32)
    weight, soft = np.empty((count, BLOCK), np.float32), np.empty((count, BLOCK), np.float32)
    lamp = np.empty((3, count, BLOCK), np.float32)
    half = np.empty((3, count, BLOCK), np.float32)
    shade, spread = np.empty((count, BLOCK), np.float32), np.empty((count, BLOCK), np.float32)
    lit, place = np.empty((count, BLOCK), np.float32), np.empty((count, BLOCK), np.float32)
    cost, first_cost, eye = np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32), np.empty((3, BLOCK), np.float32)
    peak, usable = np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32)
    state, trial = np.zeros((5, BLOCK), np.float32), np.zeros((5, BLOCK), np.float32)
    first = np.zeros((5, BLOCK), np.float32)
    sums, next_sums = np.empty((SUMS, BLOCK), np.float32), np.empty((SUMS, BLOCK), np.float32)
    factor, step = np.empty((15, BLOCK), np.float32), np.empty((5, BLOCK), np.float32)
    damping, still = np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32)
    share = one if free else zero
    # most pixels rest after few steps; the others are gathered, so that the many do not wait for them
    moving, number = np.empty(pixels, np.int64), 0
    for start in range(0, pixels, BLOCK):
        n = min(BLOCK, pixels - start)
        _load(light, toward, irradiance, view, noise, start, n, sample, weight, lamp, half, eye, peak, usable)
        for p in range(BLOCK):
            state[LOG_A, p] = np.log(all_roughness[start + min(p, n - 1)])
        for k in range(count):
            for p in range(BLOCK):
                soft[k, p] = weight[k, p] / (one + SOFT * SOFT * weight[k, p])
        # of two starts, each with its best strengths, the better one goes on
        first_cost[:] = np.float32(np.inf)
        if starts != START_MATTE:
            start_half(sample, half, state)
            shadow(lamp, eye, state, shadowing, shade)
            spread_light(lamp, half, shade, table, stretched, state, spread, lit, place)
            strengths(sample, soft, spread, lit, curvature, pull, state, first_cost)
        if starts != START_METAL:
            first[:] = state
            start_matte(sample, weight, lamp, state)
            shadow(lamp, eye, state, shadowing, shade)
            spread_light(lamp, half, shade, table, stretched, state, spread, lit, place)
            strengths(sample, soft, spread, lit, curvature, pull, state, cost)
            for p in range(BLOCK):
                if first_cost[p] < cost[p]:
                    for i in range(5):
                        state[i, p] = first[i, p]
        damping[:] = FIRST_DAMPING
        still[:] = zero
        _descend(
            sample, soft, lamp, half, shade, eye, table, curvature, pull, shadowing, stretched, share, SOFT_STEPS,
            state, trial, sums, next_sums, damping, still, factor, step,
        )  # fmt: skip
        damping[:] = FIRST_DAMPING
        still[:] = zero
        _descend(
            sample, weight, lamp, half, shade, eye, table, curvature, pull, shadowing, stretched, share,
            min(iterations, FIRST_STEPS), state, trial, sums, next_sums, damping, still, factor, step,
        )  # fmt: skip
        shadow(lamp, eye, state, shadowing, shade)
        spread_light(lamp, half, shade, table, stretched, state, spread, lit, place)
        _finish(
            sample, weight, spread, lit, place, curvature, share, state, sums, peak, usable, irradiance, start, n,
            factor, step, values, model,
        )  # fmt: skip
        if iterations > FIRST_STEPS:
            for p in range(n):
                if still[p] == zero and values[9, start + p] >= np.float32(4):
                    moving[number] = start + p
                    number += 1
    some_light, some_irradiance = np.empty((count, BLOCK), np.float32), np.empty((count, BLOCK), np.float32)
    some_toward, some_view = np.empty((count, 3, BLOCK), np.float32), np.empty((3, BLOCK), np.float32)
    some_values, some_model = np.empty((len(values), BLOCK), np.float32), np.empty((len(model), BLOCK), np.float32)
    for start in range(0, number, BLOCK):
        n = min(BLOCK, number - start)
        for p in range(BLOCK):
            at = moving[start + min(p, n - 1)]
            for k in range(count):
                some_light[k, p], some_irradiance[k, p] = light[k, at], irradiance[k, at]
                for axis in range(3):
                    some_toward[k, axis, p] = toward[k, axis, at]
            for axis in range(3):
                some_view[axis, p] = view[axis, at]
        _load(
            some_light, some_toward, some_irradiance, some_view, noise, 0, n, sample, weight, lamp, half, eye, peak,
            usable,
        )  # fmt: skip
        for p in range(BLOCK):
            at = moving[start + min(p, n - 1)]
            state[SLOPE_X, p], state[SLOPE_Y, p] = values[0, at], values[1, at]
            state[MATTE, p], state[SPECULAR, p] = values[2, at] / peak[p], values[3, at] / peak[p]
            state[LOG_A, p] = np.log(values[4, at])
        damping[:] = FIRST_DAMPING
        still[:] = zero
        _descend(
            sample, weight, lamp, half, shade, eye, table, curvature, pull, shadowing, stretched, share,
            iterations - FIRST_STEPS, state, trial, sums, next_sums, damping, still, factor, step,
        )  # fmt: skip
        shadow(lamp, eye, state, shadowing, shade)
        spread_light(lamp, half, shade, table, stretched, state, spread, lit, place)
        _finish(
            sample, weight, spread, lit, place, curvature, share, state, sums, peak, usable, some_irradiance, 0, n,
            factor, step, some_values, some_model,
        )  # fmt: skip
        for p in range(n):
            at = moving[start + p]
            for i in range(len(values)):
                values[i, at] = some_values[i, p]
            for k in range(len(model)):
                model[k, at] = some_model[k, p]


@numba.njit(**COMPILE)
def _descend(
    sample: np.ndarray,
    weight: np.ndarray,
    lamp: np.ndarray,
    half: np.ndarray,
    shade: np.ndarray,
    eye: np.ndarray,
    table: np.ndarray,
    curvature: np.float32,
    pull: np.float32,
    shadowing: np.float32,
    stretched: np.ndarray,
    share: np.float32,
    steps: int,
    state: np.ndarray,
    trial: np.ndarray,
    sums: np.ndarray,
    next_sums: np.ndarray,
    damping: np.ndarray,
    still: np.ndarray,
    factor: np.ndarray,
    step: np.ndarray,
) -> None:
    """Up to so many steps from `state`, until every pixel of the block rests."""
    shadow(lamp, eye, state, shadowing, shade)
    evaluate(sample, weight, lamp, half, shade, table, curvature, pull, stretched, share, state, sums)
    for number in range(steps):
        solve_damped(sums, state, damping, share, factor, step)
        move(state, step, share, trial)
        if number < SHADOWED_STEPS:
            shadow(lamp, eye, trial, shadowing, shade)
        evaluate(sample, weight, lamp, half, shade, table, curvature, pull, stretched, share, trial, next_sums)
        if not accept(state, trial, sums, next_sums, damping, still):
            break


@numba.njit(**COMPILE)
def _load(
    light: np.ndarray,
    toward: np.ndarray,
    irradiance: np.ndarray,
    view: np.ndarray,
    noise: np.ndarray,
    start: int,
    n: int,
    sample: np.ndarray,
    weight: np.ndarray,
    lamp: np.ndarray,
    half: np.ndarray,
    eye: np.ndarray,
    peak: np.ndarray,
    usable: np.ndarray,
) -> None:
    """Copy a block in: samples (light over irradiance, over their largest), inverse variances, half vectors."""
    zero, one = np.float32(0), np.float32(1)
    peak[:] = np.float32(1e-12)
    usable[:] = zero
    sample[:, n:] = zero
    weight[:, n:] = zero
    for axis in range(3):
        for p in range(BLOCK):
            eye[axis, p] = view[axis, start + min(p, n - 1)]
    for k in range(light.shape[0]):
        for axis in range(3):
            for p in range(n):
                lamp[axis, k, p] = toward[k, axis, start + p]
            for p in range(n, BLOCK):
                lamp[axis, k, p] = toward[k, axis, start + n - 1]
        for p in range(n):
            value, power = light[k, start + p], irradiance[k, start + p]
            good = (abs(value) < np.float32(1e30)) & (power > zero)
            sample[k, p] = value / power if good else zero
            bright = max(value, zero)
            variance = noise[0] + noise[1] * bright + noise[2] * bright * bright
            weight[k, p] = power * power / variance if good else zero
            usable[p] += one if good else zero
            peak[p] = max(peak[p], sample[k, p])
        for p in range(BLOCK):
            z = lamp[2, k, p] + eye[2, p]
            x, y = -(lamp[0, k, p] + eye[0, p]) / z, -(lamp[1, k, p] + eye[1, p]) / z
            half[0, k, p], half[1, k, p] = x, y
            s = one + x * x + y * y
            half[2, k, p] = s * s
    for k in range(light.shape[0]):
        for p in range(n):
            sample[k, p] /= peak[p]
            relative = peak[p] * peak[p] * weight[k, p]
            weight[k, p] = relative / (one + noise[3] * relative)


@numba.njit(**COMPILE)
def _finish(
    sample: np.ndarray,
    weight: np.ndarray,
    spread: np.ndarray,
    lit: np.ndarray,
    place: np.ndarray,
    curvature: np.float32,
    share: np.float32,
    state: np.ndarray,
    sums: np.ndarray,
    peak: np.ndarray,
    usable: np.ndarray,
    irradiance: np.ndarray,
    start: int,
    n: int,
    factor: np.ndarray,
    column: np.ndarray,
    values: np.ndarray,
    model: np.ndarray,
) -> None:
    """Write the answers of a block out: covariance from the last normal equations, light of the model."""
    zero, one, nan = np.float32(0), np.float32(1), np.float32(np.nan)
    total = np.zeros((4, BLOCK), np.float32)
    for k in range(weight.shape[0]):
        for p in range(n):
            metal = state[SPECULAR, p] * spread[k, p]
            bright = state[MATTE, p] * (lit[k, p] + curvature * lit[k, p] * lit[k, p]) + metal
            used = one if weight[k, p] > zero else zero
            if len(model) > 0:
                model[k, start + p] = used * bright * peak[p] * irradiance[k, start + p]
            total[0, p] += metal
            total[3, p] += used * (sample[k, p] - bright) ** 2
            total[1, p] += bright
            total[2, p] += used if place[k, p] < np.float32(4) else zero
    damping = np.zeros(BLOCK, np.float32)
    solve_damped(sums, state, damping, share, factor, column)
    for axis in range(2):
        column[:] = zero
        column[axis] = one
        substitute(factor, column)
        for p in range(n):
            values[6 + axis, start + p] = column[0, p]
            values[8, start + p] = column[1, p]
    for p in range(n):
        known = (usable[p] >= np.float32(4)) & (peak[p] > np.float32(1e-9))
        at = start + p
        values[0, at] = state[SLOPE_X, p] if known else nan
        values[1, at] = state[SLOPE_Y, p] if known else nan
        values[2, at] = state[MATTE, p] * peak[p] if known else nan
        values[3, at] = state[SPECULAR, p] * peak[p] if known else nan
        values[4, at] = np.exp(state[LOG_A, p]) if known else nan
        values[5, at] = np.sqrt(sums[21, p] / max(usable[p], one)) if known else nan
        values[9, at] = usable[p]
        values[10, at] = total[2, p]
        values[11, at] = total[0, p] / max(total[1, p], np.float32(1e-12)) if known else nan
        values[12, at] = sums[20, p] / max(usable[p], one) if known else nan
        values[13, at] = np.sqrt(total[3, p] / max(usable[p], one)) if known else nan
