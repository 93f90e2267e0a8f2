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

from lightdome.surface.lobe import KNOTS, Lobe

BLOCK = 128
CUT = np.float32(4.0)
"""Residuals beyond this many standard deviations count less and less."""
STEEPEST = np.float32(3.0)
LEAST_ROUGHNESS, LARGEST_ROUGHNESS = np.float32(0.03), np.float32(1.2)
FIRST_DAMPING = np.float32(1e-2)
_COMPILE = {"cache": True, "nogil": True, "error_model": "numpy", "fastmath": {"contract", "nsz", "arcp"}}
_SUMS = 22
"""15 entries of the lower triangle of J'WJ, 5 of J'Wr, the robust cost, the squared weighted residuals."""
_SLOPE_X, _SLOPE_Y, _LOG_A, _MATTE, _SPECULAR = range(5)


@dataclass(frozen=True)
class LobeFit:
    """What the fit of P pixels leaves behind; arrays (P,) float32 if not said otherwise; NaN where there is no answer."""

    slopes: np.ndarray
    """(2, P): of the peak of the lobe; normal = (-slope_x, -slope_y, 1) / norm."""
    diffuse: np.ndarray
    specular: np.ndarray
    """Reflectance at normal incidence."""
    roughness: np.ndarray
    misfit: np.ndarray
    """Root of the mean squared residual over its standard deviation, every sample counted the same."""
    covariance: np.ndarray
    """(3, P): xx, xy, yy of the slopes' covariance from the noise alone."""
    usable: np.ndarray
    """Number of usable samples."""
    within: np.ndarray
    """Number of usable samples within the lobe (angle to the normal below twice the roughness)."""
    model: np.ndarray
    """(L, P): light of the model, in the unit of the light; zero where a sample is not usable."""


def fit_lobes(
    light: np.ndarray,
    toward: np.ndarray,
    irradiance: np.ndarray,
    view: np.ndarray,
    lobe: Lobe,
    roughness: np.ndarray,
    free_roughness: bool,
    iterations: int,
) -> LobeFit:
    """Fit the pixels.

    light : (L, P), NaN where a sample is not to be used.
    toward : (L, 3, P), unit vectors to the lamps.  irradiance : (L, P).  view : (3, P), unit vectors to the camera.
    roughness : (P,), fixed, or the start where `free_roughness`.

    No answer where fewer than 4 samples are usable or where all are dark.
    """
    count, pixels = light.shape
    values = np.empty((11, pixels), np.float32)
    model = np.empty((count, pixels), np.float32)
    arrays = [np.ascontiguousarray(array, np.float32) for array in (light, toward, irradiance, view, lobe.noise)]
    table = np.ascontiguousarray(lobe.table, np.float32)
    curvature = np.float32(lobe.diffuse_curvature)
    start = np.ascontiguousarray(roughness, np.float32)
    how = (np.asarray(lobe.stretched, np.float32), start, free_roughness, iterations)
    _fit(*arrays, table, curvature, *how, values, model)
    roughness = values[4]
    return LobeFit(
        slopes=values[:2],
        diffuse=values[2] * (1 + curvature),
        specular=values[3] * 4 * roughness**2 * np.float32(lobe.integral),
        roughness=roughness,
        misfit=values[5],
        covariance=values[6:9],
        usable=values[9],
        within=values[10],
        model=model,
    )


@numba.njit(**_COMPILE)
def _fit(
    light: np.ndarray,
    toward: np.ndarray,
    irradiance: np.ndarray,
    view: np.ndarray,
    noise: np.ndarray,
    table: np.ndarray,
    curvature: np.float32,
    stretched: np.ndarray,
    all_roughness: np.ndarray,
    free: bool,
    iterations: int,
    values: np.ndarray,
    model: np.ndarray,
) -> None:
    count, pixels = light.shape
    zero, one = np.float32(0), np.float32(1)
    sample = np.empty((count, BLOCK), np.float32)
    weight = np.empty((count, BLOCK), np.float32)
    lamp = np.empty((3, count, BLOCK), np.float32)
    half = np.empty((3, count, BLOCK), np.float32)
    shade = np.empty((count, BLOCK), np.float32)
    eye = np.empty((3, BLOCK), np.float32)
    peak, usable = np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32)
    state, trial = np.zeros((5, BLOCK), np.float32), np.zeros((5, BLOCK), np.float32)
    first = np.zeros((5, BLOCK), np.float32)
    sums, next_sums = np.empty((_SUMS, BLOCK), np.float32), np.empty((_SUMS, BLOCK), np.float32)
    factor = np.empty((15, BLOCK), np.float32)
    step = np.empty((5, BLOCK), np.float32)
    damping = np.empty(BLOCK, np.float32)
    share = one if free else zero
    for start in range(0, pixels, BLOCK):
        n = min(BLOCK, pixels - start)
        _load(light, toward, irradiance, view, noise, start, n, sample, weight, lamp, half, eye, peak, usable)
        for p in range(BLOCK):
            state[_LOG_A, p] = np.log(all_roughness[start + min(p, n - 1)])
        # two starts: both get their best strengths, the better one goes on
        _start_half(sample, half, state)
        _strengths(sample, weight, lamp, half, shade, eye, table, curvature, stretched, state, sums)
        first[:] = state
        _start_matte(sample, weight, lamp, state)
        _strengths(sample, weight, lamp, half, shade, eye, table, curvature, stretched, state, next_sums)
        for p in range(BLOCK):
            if not next_sums[20, p] <= sums[20, p]:
                for i in range(5):
                    state[i, p] = first[i, p]
        damping[:] = FIRST_DAMPING
        for iteration in range(iterations):
            if iteration == 0 or iteration == 3 or iteration == 6:
                _shadow(lamp, eye, state, shade)
                _evaluate(
                    sample, weight, lamp, half, shade, eye, table, curvature, stretched, share, CUT, state, sums
                )
            _solve_damped(sums, state, damping, share, factor, step)
            _move(state, step, share, trial)
            _evaluate(
                sample, weight, lamp, half, shade, eye, table, curvature, stretched, share, CUT, trial, next_sums
            )
            moved = _accept(state, trial, sums, next_sums, damping)
            if not moved and iteration > 6:
                break
        _finish(
            sample, weight, lamp, half, shade, eye, table, curvature, stretched, share, state, sums, peak, usable,
            irradiance, start, n, factor, values, model,
        )  # fmt: skip


@numba.njit(**_COMPILE)
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
            weight[k, p] *= peak[p] * peak[p]


@numba.njit(**_COMPILE)
def _start_half(sample: np.ndarray, half: np.ndarray, state: np.ndarray) -> None:
    """Slopes of the mean half vector, weighted by brightness to the power 3/2."""
    zero = np.float32(0)
    total = np.full(BLOCK, np.float32(1e-20))
    state[_SLOPE_X] = zero
    state[_SLOPE_Y] = zero
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            s = max(sample[k, p], zero)
            w = s * np.sqrt(s / np.sqrt(half[2, k, p]))  # h_z of the unit half vector is half[2]^(-1/4)
            total[p] += w
            state[_SLOPE_X, p] += w * half[0, k, p]
            state[_SLOPE_Y, p] += w * half[1, k, p]
    for p in range(BLOCK):
        state[_SLOPE_X, p] /= total[p]
        state[_SLOPE_Y, p] /= total[p]


@numba.njit(**_COMPILE)
def _start_matte(sample: np.ndarray, weight: np.ndarray, lamp: np.ndarray, state: np.ndarray) -> None:
    """Slopes by least squares on n.l, reweighted twice so that highlights and shadows count less (Cauchy)."""
    zero, one = np.float32(0), np.float32(1)
    a = np.empty((11, BLOCK), np.float32)
    m = np.zeros((3, BLOCK), np.float32)
    spread = np.full(BLOCK, np.float32(1e20))
    for _ in range(4):
        a[:] = zero
        for k in range(sample.shape[0]):
            for p in range(BLOCK):
                x, y, z, value = lamp[0, k, p], lamp[1, k, p], lamp[2, k, p], sample[k, p]
                used = one if weight[k, p] > zero else zero
                r = value - x * m[0, p] - y * m[1, p] - z * m[2, p]
                w = used / (one + r * r / spread[p])
                a[0, p] += w * x * x
                a[1, p] += w * x * y
                a[2, p] += w * y * y
                a[3, p] += w * x * z
                a[4, p] += w * y * z
                a[5, p] += w * z * z
                a[6, p] += w * x * value
                a[7, p] += w * y * value
                a[8, p] += w * z * value
                a[9, p] += w * r * r
                a[10, p] += w
        for p in range(BLOCK):
            tiny = np.float32(1e-6) * (a[0, p] + a[2, p] + a[5, p]) + np.float32(1e-20)
            xx, yy, zz = a[0, p] + tiny, a[2, p] + tiny, a[5, p] + tiny
            xy, xz, yz = a[1, p], a[3, p], a[4, p]
            cx, cy, cz = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
            inverse = one / (xx * cx + xy * cy + xz * cz)
            m[0, p] = inverse * (cx * a[6, p] + cy * a[7, p] + cz * a[8, p])
            m[1, p] = inverse * (cy * a[6, p] + (xx * zz - xz * xz) * a[7, p] + (xy * xz - xx * yz) * a[8, p])
            m[2, p] = inverse * (cz * a[6, p] + (xy * xz - xx * yz) * a[7, p] + (xx * yy - xy * xy) * a[8, p])
            if spread[p] < np.float32(1e19):
                spread[p] = max(a[9, p] / max(a[10, p], one), np.float32(1e-6))
            else:
                spread[p] = max(np.float32(0.25) * a[9, p] / max(a[10, p], one), np.float32(1e-6))
    for p in range(BLOCK):
        z = max(m[2, p], np.float32(0.3) * np.sqrt(m[0, p] * m[0, p] + m[1, p] * m[1, p]) + np.float32(1e-6))
        state[_SLOPE_X, p] = -m[0, p] / z
        state[_SLOPE_Y, p] = -m[1, p] / z


@numba.njit(**_COMPILE)
def _shadow(lamp: np.ndarray, eye: np.ndarray, state: np.ndarray, shade: np.ndarray) -> None:
    """Shadowing and masking of the facets over the cosine to the camera; slow in the slopes, so that it is kept for
    some steps."""
    one, two = np.float32(1), np.float32(2)
    least = np.float32(1e-3)
    a2 = np.exp(two * state[_LOG_A])
    norm = one / np.sqrt(one + state[_SLOPE_X] ** 2 + state[_SLOPE_Y] ** 2)
    masked = np.empty(BLOCK, np.float32)
    for p in range(BLOCK):
        c = max((eye[2, p] - state[_SLOPE_X, p] * eye[0, p] - state[_SLOPE_Y, p] * eye[1, p]) * norm[p], least)
        masked[p] = two / (c + np.sqrt(c * c + a2[p] * (one - c * c)))
    for k in range(lamp.shape[1]):
        for p in range(BLOCK):
            c = (lamp[2, k, p] - state[_SLOPE_X, p] * lamp[0, k, p] - state[_SLOPE_Y, p] * lamp[1, k, p]) * norm[p]
            c = max(c, least)
            shade[k, p] = masked[p] * two * c / (c + np.sqrt(c * c + a2[p] * (one - c * c)))


@numba.njit(**_COMPILE)
def _evaluate(
    sample: np.ndarray,
    weight: np.ndarray,
    lamp: np.ndarray,
    half: np.ndarray,
    shade: np.ndarray,
    eye: np.ndarray,
    table: np.ndarray,
    curvature: np.float32,
    stretched: np.ndarray,
    share: np.float32,
    cut: np.float32,
    state: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Normal equations and cost at a state. `cut` infinite gives plain weighted least squares."""
    zero, one, two = np.float32(0), np.float32(1), np.float32(2)
    steps = np.float32(KNOTS - 1)
    xx, xy, yy = stretched[0], stretched[1], stretched[2]
    inverse_cut2 = one / (cut * cut)
    # arrays made here have rows that the compiler knows to be apart, so that it uses the vector units
    here = np.empty((10, BLOCK), np.float32)
    part = np.empty((8, BLOCK), np.float32)
    total = np.zeros((_SUMS, BLOCK), np.float32)
    for p in range(BLOCK):
        here[0, p], here[1, p] = state[_SLOPE_X, p], state[_SLOPE_Y, p]
        here[2, p], here[3, p] = state[_MATTE, p], state[_SPECULAR, p]
        here[4, p] = np.exp(-two * state[_LOG_A, p])
        here[5, p] = one / (one + here[0, p] * here[0, p] + here[1, p] * here[1, p])
        here[6, p] = np.sqrt(here[5, p])
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            along = max(one + here[0, p] * half[0, k, p] + here[1, p] * half[1, k, p], np.float32(0.05))
            dx, dy = half[0, k, p] - here[0, p], half[1, k, p] - here[1, p]
            cross = here[0, p] * half[1, k, p] - here[1, p] * half[0, k, p]
            inverse = one / along
            u = (xx * dx * dx + two * xy * dx * dy + yy * dy * dy + cross * cross) * here[4, p] * inverse * inverse
            part[0, p] = inverse
            part[1, p] = u
            part[2, p] = one / (one + u)
            w = u * part[2, p]
            w = w if w > zero else zero  # not a number becomes zero: it must not leave the table
            part[3, p] = min(w, np.float32(0.99999)) * steps
        for p in range(BLOCK):
            knot = np.uint32(part[3, p])
            part[4, p] = table[knot]
            part[5, p] = table[knot + np.uint32(1)] - table[knot]
        for p in range(BLOCK):
            at = part[3, p]
            part[4, p] += (at - np.floor(at)) * part[5, p]
        for p in range(BLOCK):
            sx, sy, matte, metal = here[0, p], here[1, p], here[2, p], here[3, p]
            lx, ly = lamp[0, k, p], lamp[1, k, p]
            hx, hy = half[0, k, p], half[1, k, p]
            lit = (lamp[2, k, p] - sx * lx - sy * ly) * here[6, p]
            facing = one if lit > zero else zero
            lit = lit * facing
            inverse, u, rest = part[0, p], part[1, p], part[2, p]
            inverse2 = inverse * inverse
            slow = facing * shade[k, p] * half[2, k, p] * (inverse2 * inverse2) / (here[5, p] * here[5, p])
            rest2 = rest * rest
            spread = slow * rest2 * part[4, p]
            # d spread / du; dw = rest^2 du
            fall = slow * rest2 * rest * (part[5, p] * steps * rest - two * part[4, p])
            dx, dy, cross = hx - sx, hy - sy, sx * hy - sy * hx
            back = u * inverse
            per = here[4, p] * inverse2
            by_x = fall * two * (per * (cross * hy - xx * dx - xy * dy) - back * hx)
            by_y = fall * two * (per * (-cross * hx - xy * dx - yy * dy) - back * hy)
            bend = matte * facing * (one + two * curvature * lit)
            j0 = metal * by_x - bend * (lx * here[6, p] + lit * sx * here[5, p])
            j1 = metal * by_y - bend * (ly * here[6, p] + lit * sy * here[5, p])
            j2 = -share * metal * fall * two * u
            j3 = lit + curvature * lit * lit
            r = sample[k, p] - matte * j3 - metal * spread
            t = r * r * weight[k, p]
            scaled = t * inverse_cut2
            shrink = one / (one + scaled)
            g = weight[k, p] * shrink * shrink
            g0, g1, g2, g3, g4 = g * j0, g * j1, g * j2, g * j3, g * spread
            total[0, p] += g0 * j0
            total[1, p] += g0 * j1
            total[2, p] += g1 * j1
            total[3, p] += g0 * j2
            total[4, p] += g1 * j2
            total[5, p] += g2 * j2
            total[6, p] += g0 * j3
            total[7, p] += g1 * j3
            total[8, p] += g2 * j3
            total[9, p] += g3 * j3
            total[10, p] += g0 * spread
            total[11, p] += g1 * spread
            total[12, p] += g2 * spread
            total[13, p] += g3 * spread
            total[14, p] += g4 * spread
            total[15, p] += g0 * r
            total[16, p] += g1 * r
            total[17, p] += g2 * r
            total[18, p] += g3 * r
            total[19, p] += g4 * r
            total[20, p] += scaled * shrink
            total[21, p] += t
    sums[:] = total


@numba.njit(**_COMPILE)
def _strengths(
    sample: np.ndarray,
    weight: np.ndarray,
    lamp: np.ndarray,
    half: np.ndarray,
    shade: np.ndarray,
    eye: np.ndarray,
    table: np.ndarray,
    curvature: np.float32,
    stretched: np.ndarray,
    state: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Best strengths, not below zero, for the slopes of a state; leaves the robust cost of it in `sums`."""
    zero = np.float32(0)
    state[_MATTE] = zero
    state[_SPECULAR] = zero
    _shadow(lamp, eye, state, shade)
    _evaluate(
        sample, weight, lamp, half, shade, eye, table, curvature, stretched, zero, np.float32(np.inf), state, sums
    )
    for p in range(BLOCK):
        a, b, c = sums[9, p] + np.float32(1e-20), sums[13, p], sums[14, p] + np.float32(1e-20)
        right_matte, right_metal = sums[18, p], sums[19, p]
        bottom = max(a * c - b * b, np.float32(1e-6) * a * c)
        matte, metal = (c * right_matte - b * right_metal) / bottom, (a * right_metal - b * right_matte) / bottom
        if matte < zero:
            matte, metal = zero, max(right_metal / c, zero)
        elif metal < zero:
            matte, metal = max(right_matte / a, zero), zero
        state[_MATTE, p], state[_SPECULAR, p] = matte, metal
    _evaluate(sample, weight, lamp, half, shade, eye, table, curvature, stretched, zero, CUT, state, sums)


@numba.njit(**_COMPILE)
def _solve_damped(
    sums: np.ndarray, state: np.ndarray, damping: np.ndarray, share: np.float32, factor: np.ndarray, step: np.ndarray
) -> None:
    """Step of the damped normal equations, by Cholesky; a strength at zero that wants to fall stays where it is."""
    zero, one = np.float32(0), np.float32(1)
    free = np.empty((5, BLOCK), np.float32)
    free[:] = one
    free[_LOG_A] = share
    for p in range(BLOCK):
        for i in (_MATTE, _SPECULAR):
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
    _cholesky(factor)
    _substitute(factor, step)


@numba.njit(**_COMPILE)
def _cholesky(factor: np.ndarray) -> None:
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


@numba.njit(**_COMPILE)
def _substitute(factor: np.ndarray, step: np.ndarray) -> None:
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


@numba.njit(**_COMPILE)
def _move(state: np.ndarray, step: np.ndarray, share: np.float32, trial: np.ndarray) -> None:
    """A step of at most 0.3 in slope and 0.4 in the logarithm of the roughness; limits kept."""
    zero, one = np.float32(0), np.float32(1)
    for p in range(BLOCK):
        sx, sy = step[_SLOPE_X, p], step[_SLOPE_Y, p]
        short = min(one, np.float32(0.3) / (np.sqrt(sx * sx + sy * sy) + np.float32(1e-12)))
        trial[_SLOPE_X, p] = min(max(state[_SLOPE_X, p] + short * sx, -STEEPEST), STEEPEST)
        trial[_SLOPE_Y, p] = min(max(state[_SLOPE_Y, p] + short * sy, -STEEPEST), STEEPEST)
        turn = min(max(step[_LOG_A, p], np.float32(-0.4)), np.float32(0.4))
        log_a = state[_LOG_A, p] + share * turn
        # the logarithms of the limits of the roughness
        trial[_LOG_A, p] = min(max(log_a, np.log(LEAST_ROUGHNESS)), np.log(LARGEST_ROUGHNESS))
        trial[_MATTE, p] = max(state[_MATTE, p] + step[_MATTE, p], zero)
        trial[_SPECULAR, p] = max(state[_SPECULAR, p] + step[_SPECULAR, p], zero)


@numba.njit(**_COMPILE)
def _accept(
    state: np.ndarray, trial: np.ndarray, sums: np.ndarray, next_sums: np.ndarray, damping: np.ndarray
) -> bool:
    """Take the trials that lower the cost; whether any pixel still moved by more than a trifle."""
    moved = False
    for p in range(BLOCK):
        better = next_sums[20, p] <= sums[20, p]
        if better:
            change = abs(trial[_SLOPE_X, p] - state[_SLOPE_X, p]) + abs(trial[_SLOPE_Y, p] - state[_SLOPE_Y, p])
            moved |= change > np.float32(2e-5)
            for i in range(5):
                state[i, p] = trial[i, p]
            for i in range(_SUMS):
                sums[i, p] = next_sums[i, p]
            damping[p] = max(damping[p] * np.float32(0.2), np.float32(1e-6))
        else:
            damping[p] = min(damping[p] * np.float32(8), np.float32(1e6))
    return moved


@numba.njit(**_COMPILE)
def _finish(
    sample: np.ndarray,
    weight: np.ndarray,
    lamp: np.ndarray,
    half: np.ndarray,
    shade: np.ndarray,
    eye: np.ndarray,
    table: np.ndarray,
    curvature: np.float32,
    stretched: np.ndarray,
    share: np.float32,
    state: np.ndarray,
    sums: np.ndarray,
    peak: np.ndarray,
    usable: np.ndarray,
    irradiance: np.ndarray,
    start: int,
    n: int,
    factor: np.ndarray,
    values: np.ndarray,
    model: np.ndarray,
) -> None:
    """Write the answers of a block out: covariance from the last normal equations, light of the model."""
    zero, one, two, nan = np.float32(0), np.float32(1), np.float32(2), np.float32(np.nan)
    steps = np.float32(KNOTS - 1)
    flat = np.zeros(BLOCK, np.float32)
    column = np.empty((5, BLOCK), np.float32)
    _solve_damped(sums, state, flat, share, factor, column)
    within = np.zeros(BLOCK, np.float32)
    for k in range(sample.shape[0]):
        for p in range(n):
            sx, sy = state[_SLOPE_X, p], state[_SLOPE_Y, p]
            scale2 = one / (one + sx * sx + sy * sy)
            lit = (lamp[2, k, p] - sx * lamp[0, k, p] - sy * lamp[1, k, p]) * np.sqrt(scale2)
            hx, hy = half[0, k, p], half[1, k, p]
            along = max(one + sx * hx + sy * hy, np.float32(0.05))
            dx, dy, cross = hx - sx, hy - sy, sx * hy - sy * hx
            square = stretched[0] * dx * dx + two * stretched[1] * dx * dy + stretched[2] * dy * dy + cross * cross
            u = square * np.exp(-two * state[_LOG_A, p]) / (along * along)
            rest = one / (one + u)
            w = u * rest if u > zero else zero
            at = min(w, np.float32(0.99999)) * steps
            knot = np.uint32(at)
            height = table[knot] + (at - np.float32(knot)) * (table[knot + np.uint32(1)] - table[knot])
            slow = shade[k, p] * half[2, k, p] / (along * along * along * along * scale2 * scale2)
            spread = slow * rest * rest * height
            bright = state[_MATTE, p] * (lit + curvature * lit * lit) + state[_SPECULAR, p] * spread
            used = (weight[k, p] > zero) & (lit > zero)
            model[k, start + p] = bright * peak[p] * irradiance[k, start + p] if used else zero
            within[p] += one if used & (u < np.float32(4)) else zero
    for p in range(n):
        known = (usable[p] >= np.float32(4)) & (peak[p] > np.float32(1e-9))
        at = start + p
        values[0, at] = state[_SLOPE_X, p] if known else nan
        values[1, at] = state[_SLOPE_Y, p] if known else nan
        values[2, at] = state[_MATTE, p] * peak[p] if known else nan
        values[3, at] = state[_SPECULAR, p] * peak[p] if known else nan
        values[4, at] = np.exp(state[_LOG_A, p]) if known else nan
        values[5, at] = np.sqrt(sums[21, p] / max(usable[p], one)) if known else nan
        values[9, at] = usable[p]
        values[10, at] = within[p]
    for axis in range(2):
        column[:] = zero
        column[axis] = one
        _substitute(factor, column)
        for p in range(n):
            values[6 + axis, start + p] = column[0, p] if axis == 0 else column[0, p]
            if axis == 1:
                values[8, start + p] = column[1, p]
