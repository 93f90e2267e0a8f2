"""Weighted, regularised least squares of every pixel's light on hemispherical harmonics."""

import numba
import numpy as np

from lightdome.relight.basis import HIGHEST_ORDER, coefficient_count, hemispherical_harmonics, names, order_of

PENALTY = 1e-4
"""Pull toward a smooth lobe; tests/relight/test_penalty.py sweeps it."""
FEWEST_LAMPS = coefficient_count(1)
"""A pixel seen under fewer lamps stays unknown."""
BLOCK_PX = 1024
LANES = 64


def fit_light(
    light: np.ndarray, directions: np.ndarray, irradiance: np.ndarray, weight: np.ndarray, order: int
) -> np.ndarray:
    """Coefficients (functions, rows, columns), float32, of the light of a pixel under a lamp of unit irradiance.

    light : (L, rows, columns), NaN where unknown (clipped, masked); such samples are left out.
    directions : (L, 3, rows, columns), unit vectors toward the lamps, or (L, 3) where they are the same everywhere.
    irradiance : (L, rows, columns) or (L,), that of a surface facing the lamp.
    weight : like `irradiance`; the inverse variance of light / irradiance, up to a factor.

    Minimises sum_k w_k (y_k - sum_j H_j(l_k) c_j)^2 + PENALTY (sum_k w_k / 2 pi) sum_j (l (l + 1))^2 c_j^2, y = light /
    irradiance: the penalty is the squared Laplacian of the lobe on the stretched sphere. A pixel with fewer samples
    than coefficients gets the highest order that its samples carry and zeros above; with fewer than 4, NaN.
    """
    shape, count = light.shape[1:], coefficient_count(order)
    flat = light.reshape(len(light), -1)
    known = np.isfinite(flat)
    result = np.full((count, flat.shape[1]), np.nan, np.float32)
    shared = directions.ndim == 2
    hard = known.sum(axis=0) >= FEWEST_LAMPS
    if shared:
        whole = known.all(axis=0)
        if whole.any() and count <= len(light):
            solver = _solver(hemispherical_harmonics(directions.T.astype(float), order), weight.astype(float))
            result[:, whole] = (solver / irradiance).astype(np.float32) @ flat[:, whole].astype(np.float32)
            hard &= ~whole
    wanted = np.flatnonzero(hard)
    penalty = _penalty(order)
    everywhere = len(wanted) == flat.shape[1]
    for start in range(0, len(wanted), BLOCK_PX):
        at = slice(start, start + BLOCK_PX) if everywhere else wanted[start : start + BLOCK_PX]
        values = flat[:, at]
        toward = directions.T if shared else directions.reshape(len(light), 3, -1)[:, :, at].transpose(1, 0, 2)
        design = hemispherical_harmonics(toward, order)
        if shared:
            design = np.broadcast_to(design[:, :, None], (*design.shape, values.shape[1]))
        samples = _of(irradiance, at, values.shape)
        weights = np.where(known[:, at], _of(weight, at, values.shape), 0)
        values = np.where(known[:, at], values / samples, 0)
        result[:, at] = _solve_pixels(*_padded(design, weights, values), penalty)[:, : values.shape[1]]
    return result.reshape(count, *shape)


def highest_order(lamps: int, order: int = HIGHEST_ORDER) -> int:
    """The highest order, up to `order`, that has no more coefficients than there are lamps."""
    return max(candidate for candidate in range(order + 1) if coefficient_count(candidate) <= max(lamps, 1))


def _of(per_lamp: np.ndarray, at: slice | np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Values (L, pixels) of one number a lamp, or of some pixels of (L, rows, columns)."""
    if per_lamp.ndim == 1:
        return np.broadcast_to(per_lamp[:, None], shape)
    return per_lamp.reshape(len(per_lamp), -1)[:, at]


def _penalty(order: int) -> np.ndarray:
    return PENALTY / (2 * np.pi) * np.array([float(l_order * (l_order + 1)) ** 2 for l_order, _ in names(order)])


def _solver(basis: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """The matrix (functions, L) that takes a pixel's samples to its coefficients, all lamps known."""
    weighted = basis * weight
    normal = weighted @ basis.T + np.diag(_penalty(order_of(len(basis))) * weight.sum())
    return np.linalg.solve(normal, weighted)


def _padded(*arrays: np.ndarray) -> tuple[np.ndarray, ...]:
    """The last axis filled up to whole lanes, so that no pixel's rounding depends on its neighbours' number."""
    short = -arrays[0].shape[-1] % LANES
    return tuple(
        np.pad(array, [(0, 0)] * (array.ndim - 1) + [(0, short)], mode="edge") if short else array for array in arrays
    )


@numba.njit(nogil=True, cache=True)
def _solve_pixels(design: np.ndarray, weight: np.ndarray, value: np.ndarray, penalty: np.ndarray) -> np.ndarray:
    """Normal equations and Cholesky factors of `LANES` pixels at a time: the inner loops run over pixels.

    design : (functions, L, pixels).  weight, value : (L, pixels), weight 0 where unknown.  The normal matrices are
    packed lower triangles, row i column j at i (i + 1) / 2 + j, in double precision.
    """
    count, _, pixels = design.shape
    result = np.empty((count, pixels))
    normal = np.empty((count * (count + 1) // 2, LANES))
    right = np.empty((count, LANES))
    for start in range(0, pixels, LANES):
        part = slice(start, start + LANES)
        seen = _gather(design[:, :, part], weight[:, part], value[:, part], penalty, normal, right)
        for v in range(LANES):
            _lower_order(normal, right, v, seen[v])
        _cholesky(normal, right)
        result[:, part] = right
    return result


@numba.njit(nogil=True, cache=True)
def _gather(
    design: np.ndarray,
    weight: np.ndarray,
    value: np.ndarray,
    penalty: np.ndarray,
    normal: np.ndarray,
    right: np.ndarray,
) -> np.ndarray:
    """Fill the normal equations of one set of lanes; how many samples each lane has."""
    count, lamps, _ = design.shape
    normal[:] = 0.0
    right[:] = 0.0
    total = np.zeros(LANES)
    seen = np.zeros(LANES, np.int64)
    scaled = np.empty(LANES)
    basis = np.empty((count, LANES))
    for lamp in range(lamps):
        w, y = weight[lamp], value[lamp]
        for v in range(LANES):
            total[v] += w[v]
            seen[v] += w[v] > 0
        pair = 0
        for i in range(count):
            basis[i] = design[i, lamp]
            b = right[i]
            for v in range(LANES):
                scaled[v] = basis[i, v] * w[v]
                b[v] += scaled[v] * y[v]
            for j in range(i + 1):
                a, h = normal[pair], basis[j]
                for v in range(LANES):
                    a[v] += scaled[v] * h[v]
                pair += 1
    for i in range(count):
        normal[i * (i + 3) // 2] += penalty[i] * total
    return seen


@numba.njit(nogil=True, cache=True)
def _lower_order(normal: np.ndarray, right: np.ndarray, v: int, seen: int) -> None:
    """Fix at zero the coefficients of orders that `seen` samples of lane `v` do not carry."""
    count = len(right)
    carried = count
    while carried > seen and carried > 1:
        carried = (round(np.sqrt(carried)) - 1) ** 2
    for i in range(carried, count):
        for j in range(i):
            normal[i * (i + 1) // 2 + j, v] = 0.0
        normal[i * (i + 3) // 2, v] = 1.0
        right[i, v] = 0.0


@numba.njit(nogil=True, cache=True)
def _cholesky(normal: np.ndarray, right: np.ndarray) -> None:
    """Solve in place; the solution is left in `right`."""
    count, lanes = right.shape
    for i in range(count):
        b, diagonal = right[i], normal[i * (i + 3) // 2]
        for j in range(i):
            a, pivot, c = normal[i * (i + 1) // 2 + j], normal[j * (j + 3) // 2], right[j]
            for k in range(j):
                p, q = normal[i * (i + 1) // 2 + k], normal[j * (j + 1) // 2 + k]
                for v in range(lanes):
                    a[v] -= p[v] * q[v]
            for v in range(lanes):
                a[v] /= pivot[v]
                diagonal[v] -= a[v] * a[v]
                b[v] -= a[v] * c[v]
        for v in range(lanes):
            diagonal[v] = np.sqrt(diagonal[v])
            b[v] /= diagonal[v]
    for i in range(count - 1, -1, -1):
        b, diagonal = right[i], normal[i * (i + 3) // 2]
        for v in range(lanes):
            b[v] /= diagonal[v]
        for j in range(i):
            a, c = normal[i * (i + 1) // 2 + j], right[j]
            for v in range(lanes):
                c[v] -= a[v] * b[v]
