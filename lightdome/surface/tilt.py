"""Standard uncertainty of the tilt of a normal: from the residuals of its fit and from the lamps."""

import numba
import numpy as np
from scipy.stats import norm, t

from lightdome.surface.normals import Fit


def tilt_uncertainty(fit: Fit, direction: np.ndarray, u_lamp: np.ndarray, flat_divided: bool) -> np.ndarray:
    """Standard uncertainty of the tilt (P,), radians, float32; NaN where the fit has no answer.

    direction : (L, 3, P), float32, unit vectors toward the lamps.
    u_lamp : (L,): standard uncertainty of each lamp's direction, radians about each axis across it; NaN where unknown.
    flat_divided : True where the light was divided by a flat board under the same lamps.

    The tilt is the turn of the normal about one axis across it; its uncertainty is the root mean square over the two
    axes: from the residuals by the covariance s^2 (J'J)^-1, widened by Student's factor, and from the lamps to first
    order (JCGM 100 eq. 10). An error that all lamps share turns the whole plate and is not in it.
    """
    known = np.nan_to_num(u_lamp).astype(np.float32)
    tilt = np.empty(fit.m.shape[1], np.float32)
    direction = np.ascontiguousarray(direction, np.float32)
    widen = _student(fit.freedom)
    _tilt(fit.m, fit.variance, fit.factor, fit.used, direction, known, flat_divided, widen, tilt)
    return tilt


def _student(freedom: np.ndarray) -> np.ndarray:
    """Factor by degrees of freedom, at least 1, that makes +-1.96 u hold 95 % with few of them.

    Student's t against the normal quantile (JCGM 100 annex G.3), straight between whole numbers.
    """
    table = np.arange(1, max(2, int(np.nanmax(freedom, initial=1)) + 2))
    factors = t.ppf(0.975, table) / norm.ppf(0.975)
    return np.interp(freedom, table, factors).astype(np.float32)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _tilt(
    m: np.ndarray,
    variance: np.ndarray,
    factor: np.ndarray,
    used: np.ndarray,
    direction: np.ndarray,
    u_lamp: np.ndarray,
    flat_divided: bool,
    widen: np.ndarray,
    tilt: np.ndarray,
) -> None:
    pixels = m.shape[1]
    zero, one = np.float32(0), np.float32(1)
    inverse = np.empty((6, pixels), np.float32)
    across = np.empty(pixels, np.float32)
    share, turn, number = np.zeros(pixels, np.float32), np.zeros(pixels, np.float32), np.zeros(pixels, np.float32)
    for p in range(pixels):
        rho = np.sqrt(m[0, p] * m[0, p] + m[1, p] * m[1, p] + m[2, p] * m[2, p])
        x, y, z = m[0, p] / rho, m[1, p] / rho, m[2, p] / rho
        # the inverse of J'J from its factor, and the sum of its two diagonal entries across the normal
        a, c, f = one / factor[0, p], one / factor[2, p], one / factor[5, p]
        b = -factor[1, p] * a * c
        e = -factor[4, p] * c * f
        d = -(factor[3, p] * a + factor[4, p] * b) * f
        xx, xy, xz = a * a + b * b + d * d, b * c + d * e, d * f
        yy, yz, zz = c * c + e * e, e * f, f * f
        inverse[0, p], inverse[1, p], inverse[2, p] = xx, xy, yy
        inverse[3, p], inverse[4, p], inverse[5, p] = xz, yz, zz
        along = x * (x * xx + y * xy + z * xz) + y * (x * xy + y * yy + z * yz) + z * (x * xz + y * yz + z * zz)
        across[p] = xx + yy + zz - along
    for k in range(used.shape[0]):
        _add_lamp(m, used[k], direction[k], u_lamp[k], flat_divided, inverse, share, turn, number)
    for p in range(pixels):
        rho = np.sqrt(m[0, p] * m[0, p] + m[1, p] * m[1, p] + m[2, p] * m[2, p])
        # the residuals hold the lamps' share too: take it out before what is known of each lamp is put in
        rest = max(variance[p] - share[p] / number[p], zero)
        tilt[p] = np.sqrt((rest * across[p] * widen[p] * widen[p] + turn[p]) / np.float32(2)) / rho


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _add_lamp(
    m: np.ndarray,
    used: np.ndarray,
    toward: np.ndarray,
    u_lamp: np.float32,
    flat_divided: bool,
    inverse: np.ndarray,
    share: np.ndarray,
    turn: np.ndarray,
    number: np.ndarray,
) -> None:
    """Add what one uncertain lamp does to the sum of squared residuals and to the squared turn of m."""
    zero = np.float32(0)
    for p in range(m.shape[1]):
        lx, ly, lz = toward[0, p], toward[1, p], toward[2, p]
        shade = lx * m[0, p] + ly * m[1, p] + lz * m[2, p]
        # turning the lamp changes l; where a flat board saw the same turn, its cosine l_z changed as well
        vx = m[0, p] - (zero if flat_divided else shade * lx)
        vy = m[1, p] - (zero if flat_divided else shade * ly)
        vz = m[2, p] - (shade / lz if flat_divided else shade * lz)
        own = used[p] * (u_lamp * u_lamp) * (vx * vx + vy * vy + vz * vz)
        gx = inverse[0, p] * lx + inverse[1, p] * ly + inverse[3, p] * lz
        gy = inverse[1, p] * lx + inverse[2, p] * ly + inverse[4, p] * lz
        gz = inverse[3, p] * lx + inverse[4, p] * ly + inverse[5, p] * lz
        rho2 = m[0, p] * m[0, p] + m[1, p] * m[1, p] + m[2, p] * m[2, p]
        radial = gx * m[0, p] + gy * m[1, p] + gz * m[2, p]
        share[p] += own
        turn[p] += own * max(gx * gx + gy * gy + gz * gz - radial * radial / rho2, zero)
        number[p] += used[p]
