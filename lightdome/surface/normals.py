"""Normals of a matte surface from its light under known lamps, least squares and robust.

Model: light / irradiance = reflectance x n.l (Lambert; photometric stereo after Woodham 1980, from memory). Its
unknown is one vector a pixel, m = reflectance x n, and it is linear in m.

Robust: a metal's highlight makes some samples too bright, shadows make some too dark. So only samples between two
ranks of a pixel's samples are used (rank trimming, common practice), and within them the residuals are taken as
Student t distributed with few degrees of freedom: location and scale by expectation maximisation, which is least
squares reweighted by (v + 1) / (v + (r / s)^2) (Lange, Little and Taylor 1989, from memory).

The loops run over blocks of pixels with the pixel as the innermost index, so that the vector units of the machine work
on neighbouring pixels; no sum ever runs across pixels, so that no answer depends on how pixels are grouped.
"""

from dataclasses import dataclass

import numba
import numpy as np

from lightdome.session.records import FEWEST_LAMPS

RANK_LOW, RANK_HIGH = np.float32(0.2), np.float32(0.7)
FREEDOM = np.float32(2.0)
REWEIGHTINGS = 10
FEWEST_ROBUST = 12
"""With fewer usable lamps at a pixel the robust answer is that of least squares: half of few samples carries more noise
than the highlights and shadows it leaves out (random subsets of real photographs: robust overtakes at about 12)."""
BLOCK = 128
# fused multiply-add is allowed: every loop runs over whole blocks, so a pixel meets the same instructions in any tile
_COMPILE = {"cache": True, "nogil": True, "error_model": "numpy", "fastmath": {"contract"}}
_FLAT = np.float32(1e-6)  # smallest pivot, relative to the trace: below it the lamps lie in one plane
_STILL = np.float32(1e-10)  # smallest squared scale, relative to reflectance squared: noise-free samples


@dataclass(frozen=True)
class Fit:
    """What a fit of P pixels under L lamps leaves behind; NaN where there is no answer."""

    m: np.ndarray
    """(3, P): reflectance times normal; its z is above zero."""
    variance: np.ndarray
    """(P,): s^2 in the covariance s^2 (J'J)^-1 of m."""
    freedom: np.ndarray
    """(P,): degrees of freedom of s^2: sum of the weights (1 for a sample without residual), less 3."""
    factor: np.ndarray
    """(6, P): rows xx, xy, yy, xz, yz, zz of the lower Cholesky factor of J'J over the used samples."""
    used: np.ndarray
    """(L, P): 1 where a sample was used, else 0."""


def solve_pixels(light: np.ndarray, direction: np.ndarray, irradiance: np.ndarray, robust: bool) -> Fit:
    """Reflectance times normal of every pixel.

    light : (L, P), NaN where a sample is not to be used.
    direction : (L, 3, P), unit vectors toward the lamps.
    irradiance : (L, P), that of a surface facing the lamp.

    Fails where fewer than 4 samples are usable, where the lamps lie in one plane, or where the normal turns away from
    the camera: returns NaN there, never a guess.
    """
    count, pixels = light.shape
    fit = Fit(
        np.empty((3, pixels), np.float32),
        np.empty(pixels, np.float32),
        np.empty(pixels, np.float32),
        np.empty((6, pixels), np.float32),
        np.empty((count, pixels), np.float32),
    )
    arrays = (np.ascontiguousarray(array, np.float32) for array in (light, direction, irradiance))
    _solve(*arrays, robust, fit.m, fit.variance, fit.freedom, fit.factor, fit.used)
    return fit


@numba.njit(**_COMPILE)
def _solve(
    light: np.ndarray,
    direction: np.ndarray,
    irradiance: np.ndarray,
    robust: bool,
    all_m: np.ndarray,
    all_variance: np.ndarray,
    all_freedom: np.ndarray,
    all_factor: np.ndarray,
    all_used: np.ndarray,
) -> None:
    count, pixels = light.shape
    sample = np.empty((count, BLOCK), np.float32)
    toward = np.empty((3, count, BLOCK), np.float32)
    used = np.empty((count, BLOCK), np.float32)
    usable = np.empty(BLOCK, np.float32)
    scale2 = np.empty(BLOCK, np.float32)
    m = np.empty((3, BLOCK), np.float32)
    sums = np.empty((11, BLOCK), np.float32)
    factor = np.empty((6, BLOCK), np.float32)
    variance, freedom = np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32)
    for start in range(0, pixels, BLOCK):
        n = min(BLOCK, pixels - start)
        _load(light, direction, irradiance, start, n, sample, toward, used, usable)
        if robust:
            _trim(sample, used, usable)
        m[:] = np.float32(0)
        scale2[:] = np.float32(np.inf)
        _sum(sample, toward, used, m, scale2, sums)
        _factor(sums, factor)
        all_factor[:, start : start + n] = factor[:, :n]
        _solve_factored(sums, factor, m)
        if robust:
            for _ in range(REWEIGHTINGS):
                _sum(sample, toward, used, m, scale2, sums)
                _rescale(sums, usable, m, scale2)
                _factor(sums, factor)
                _solve_factored(sums, factor, m)
        _residual_variance(sample, toward, used, m, scale2, variance, freedom)
        _refuse(usable, m)
        all_m[:, start : start + n] = m[:, :n]
        all_variance[start : start + n] = variance[:n]
        all_freedom[start : start + n] = freedom[:n]
        all_used[:, start : start + n] = used[:, :n]


@numba.njit(**_COMPILE)
def _load(
    light: np.ndarray,
    direction: np.ndarray,
    irradiance: np.ndarray,
    start: int,
    n: int,
    sample: np.ndarray,
    toward: np.ndarray,
    used: np.ndarray,
    usable: np.ndarray,
) -> None:
    """Copy a block in: samples (light over irradiance), directions, and 1 where a sample is usable, else 0.

    Lanes past the last pixel hold nothing usable, so that every loop runs over whole blocks.
    """
    zero, one = np.float32(0), np.float32(1)
    usable[:] = zero
    sample[:, n:] = zero
    toward[:, :, n:] = zero
    used[:, n:] = zero
    for k in range(light.shape[0]):
        for p in range(n):
            value = light[k, start + p] / irradiance[k, start + p]
            good = one if abs(value) < np.float32(np.inf) and irradiance[k, start + p] > zero else zero
            sample[k, p] = value if good > zero else zero
            used[k, p] = good
            usable[p] += good
        for axis in range(3):
            for p in range(n):
                toward[axis, k, p] = direction[k, axis, start + p]


@numba.njit(**_COMPILE)
def _trim(sample: np.ndarray, used: np.ndarray, usable: np.ndarray) -> None:
    """Keep the samples between the two ranks, where enough are usable. Ranks by counting."""
    count = sample.shape[0]
    zero, one, slack = np.float32(0), np.float32(1), np.float32(1e-3)
    rank = np.zeros((count, BLOCK), np.float32)
    key = np.empty((count, BLOCK), np.float32)
    for k in range(count):
        for p in range(BLOCK):
            key[k, p] = sample[k, p] if used[k, p] > zero else np.float32(np.inf)  # above every usable sample
    for i in range(count):
        for j in range(i):
            for p in range(BLOCK):
                below = one if key[j, p] <= key[i, p] else zero
                rank[i, p] += below
                rank[j, p] += one - below
    for k in range(count):
        for p in range(BLOCK):
            last = usable[p] - one
            inside = (rank[k, p] >= RANK_LOW * last - slack) & (rank[k, p] <= RANK_HIGH * last + slack)
            used[k, p] = used[k, p] if inside | (usable[p] < FEWEST_ROBUST) else zero


@numba.njit(**_COMPILE)
def _sum(
    sample: np.ndarray, toward: np.ndarray, used: np.ndarray, m: np.ndarray, scale2: np.ndarray, sums: np.ndarray
) -> None:
    """Weighted normal equations: rows 0-5 the lower triangle of J'WJ, 6-8 J'Wy, 9 sum w r^2, 10 number used.

    Weights follow from the residuals against m on a scale; an infinite scale gives equal weights.
    """
    sums[:] = np.float32(0)
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            x, y, z, value = toward[0, k, p], toward[1, k, p], toward[2, k, p], sample[k, p]
            r = value - x * m[0, p] - y * m[1, p] - z * m[2, p]
            r2 = r * r
            w = used[k, p] * (FREEDOM / (FREEDOM + r2 / scale2[p]))
            wx, wy, wz = w * x, w * y, w * z
            sums[0, p] += wx * x
            sums[1, p] += wx * y
            sums[2, p] += wy * y
            sums[3, p] += wx * z
            sums[4, p] += wy * z
            sums[5, p] += wz * z
            sums[6, p] += wx * value
            sums[7, p] += wy * value
            sums[8, p] += wz * value
            sums[9, p] += w * r2
            sums[10, p] += used[k, p]


@numba.njit(**_COMPILE)
def _factor(sums: np.ndarray, factor: np.ndarray) -> None:
    """Cholesky factor (rows as in `_sum`) of the normal matrix; NaN where the lamps lie in one plane."""
    nan = np.float32(np.nan)
    for p in range(BLOCK):
        least = _FLAT * (sums[0, p] + sums[2, p] + sums[5, p])
        a = np.sqrt(sums[0, p]) if sums[0, p] > least else nan
        b = sums[1, p] / a
        c2 = sums[2, p] - b * b
        c = np.sqrt(c2) if c2 > least else nan
        d = sums[3, p] / a
        e = (sums[4, p] - b * d) / c
        f2 = sums[5, p] - d * d - e * e
        f = np.sqrt(f2) if f2 > least else nan
        factor[0, p], factor[1, p], factor[2, p] = a, b, c
        factor[3, p], factor[4, p], factor[5, p] = d, e, f


@numba.njit(**_COMPILE)
def _solve_factored(sums: np.ndarray, factor: np.ndarray, m: np.ndarray) -> None:
    """Solve J'WJ m = J'Wy by its Cholesky factor."""
    for p in range(BLOCK):
        u = sums[6, p] / factor[0, p]
        v = (sums[7, p] - factor[1, p] * u) / factor[2, p]
        w = (sums[8, p] - factor[3, p] * u - factor[4, p] * v) / factor[5, p]
        z = w / factor[5, p]
        y = (v - factor[4, p] * z) / factor[2, p]
        m[0, p] = (u - factor[1, p] * y - factor[3, p] * z) / factor[0, p]
        m[1, p], m[2, p] = y, z


@numba.njit(**_COMPILE)
def _rescale(sums: np.ndarray, usable: np.ndarray, m: np.ndarray, scale2: np.ndarray) -> None:
    """Squared scale of the residuals for the next weights; infinite (equal weights) where few lamps are usable."""
    share = (FREEDOM + np.float32(1)) / FREEDOM
    for p in range(BLOCK):
        least = _STILL * (m[0, p] * m[0, p] + m[1, p] * m[1, p] + m[2, p] * m[2, p])
        scale2[p] = max(share * sums[9, p] / sums[10, p], least) if usable[p] >= FEWEST_ROBUST else np.float32(np.inf)


@numba.njit(**_COMPILE)
def _residual_variance(
    sample: np.ndarray,
    toward: np.ndarray,
    used: np.ndarray,
    m: np.ndarray,
    scale2: np.ndarray,
    variance: np.ndarray,
    freedom: np.ndarray,
) -> None:
    """The factor s^2 in the covariance s^2 (J'J)^-1 of an M-estimate (Huber 1981, ch. 7.6, from memory).

    s^2 = K^2 [sum psi^2 / (n - 3)] / mean(psi')^2, K = 1 + (3 / n) var(psi') / mean(psi')^2, with psi the weighted
    residual; on an infinite scale psi is the residual itself and this is the residual variance of least squares.
    """
    zero, one, three = np.float32(0), np.float32(1), np.float32(3)
    sums = np.zeros((5, BLOCK), np.float32)
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            r = sample[k, p] - toward[0, k, p] * m[0, p] - toward[1, k, p] * m[1, p] - toward[2, k, p] * m[2, p]
            t2 = r * r / scale2[p]
            shrink = FREEDOM / (FREEDOM + t2)
            psi = used[k, p] * r * shrink
            slope = used[k, p] * shrink * shrink * (FREEDOM - t2) / FREEDOM
            sums[0, p] += psi * psi
            sums[1, p] += slope
            sums[2, p] += slope * slope
            sums[3, p] += used[k, p]
            sums[4, p] += used[k, p] * shrink
    for p in range(BLOCK):
        number = sums[3, p]
        freedom[p] = sums[4, p] - three
        mean = max(sums[1, p] / number, np.float32(0.1))
        correction = one + three / number * max(sums[2, p] / number - mean * mean, zero) / (mean * mean)
        variance[p] = sums[0, p] / max(number - three, one) * (correction * correction) / (mean * mean)


@numba.njit(**_COMPILE)
def _refuse(usable: np.ndarray, m: np.ndarray) -> None:
    """No answer from too few samples, nor one that turns away from the camera."""
    for p in range(BLOCK):
        if not ((usable[p] >= FEWEST_LAMPS) & (m[2, p] > np.float32(0))):
            m[0, p] = m[1, p] = m[2, p] = np.float32(np.nan)
