"""Hemispherical harmonics: an orthonormal basis of the light directions above the plate."""

from collections.abc import Iterator

import numpy as np

from lightdome.errors import RelightError

HIGHEST_ORDER = 3

NORMS: tuple[tuple[int, int, float], ...] = (
    (0, 0, 1 / 4),
    (1, -1, 3 / 4),
    (1, 0, 3 / 4),
    (1, 1, 3 / 4),
    (2, -2, 15 / 4),
    (2, -1, 15 / 4),
    (2, 0, 5 / 16),
    (2, 1, 15 / 4),
    (2, 2, 15 / 16),
    (3, -3, 35 / 32),
    (3, -2, 105 / 4),
    (3, -1, 21 / 32),
    (3, 0, 7 / 16),
    (3, 1, 21 / 32),
    (3, 2, 105 / 16),
    (3, 3, 35 / 32),
)
"""Order l, degree m, and square of the norm times pi, of each polynomial of `_polynomials`."""


def coefficient_count(order: int) -> int:
    """How many functions the basis has up to and including `order`: 1, 4, 9, 16."""
    return (order + 1) ** 2


def order_of(count: int) -> int:
    """The order of a basis of `count` functions; RelightError where there is none."""
    for order in range(HIGHEST_ORDER + 1):
        if coefficient_count(order) == count:
            return order
    raise RelightError(f"{count} coefficients are of no order up to {HIGHEST_ORDER}; run fit-relighting again")


def names(order: int) -> tuple[tuple[int, int], ...]:
    """(order l, degree m) of each function, in the order of `hemispherical_harmonics`."""
    return tuple((l_order, degree) for l_order, degree, _ in NORMS if l_order <= order)


def hemispherical_harmonics(directions: np.ndarray, order: int) -> np.ndarray:
    """Value of every basis function in given directions: (functions, ...), of the directions' type.

    directions : (3, ...), unit vectors toward the light, z >= 0 (below the plate counts as its horizon).

    H_lm(azimuth, zenith) = sqrt(2) K_lm P_lm(2 cos(zenith) - 1) cos(m azimuth), and sine for m < 0: the associated
    Legendre polynomials are shifted from the sphere to the hemisphere (Gautron, Krivanek, Pattanaik, Bouatouch: A novel
    hemispherical basis for accurate and efficient rendering, Eurographics Symposium on Rendering 2004), without the
    (-1)^m of some books. They are computed as real spherical harmonics, times sqrt(2), of the direction stretched to
    the whole sphere: (x', y') = 2 sqrt(z / (1 + z)) (x, y), z' = 2 z - 1, which has no pole at the zenith.
    """
    z = np.clip(directions[2], 0, 1)
    stretch = 2 * np.sqrt(z / (1 + z))
    x, y, z = stretch * directions[0], stretch * directions[1], 2 * z - 1
    values = np.empty((coefficient_count(order), *z.shape), z.dtype)
    polynomials = _polynomials(x, y, z)
    for index in range(len(values)):
        np.multiply(next(polynomials), z.dtype.type(np.sqrt(2 * NORMS[index][2] / np.pi)), out=values[index, ...])
    return values


def _polynomials(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> Iterator[np.ndarray]:
    """Real spherical harmonics of unit vectors, not normalised, in the order of `NORMS`, each when it is asked for."""
    yield np.ones_like(z)
    yield y
    yield z
    yield x
    xy, zz, xx_yy = x * y, z * z, x * x - y * y
    yield xy
    yield y * z
    yield 3 * zz - 1
    yield x * z
    yield xx_yy
    yield y * (3 * x * x - y * y)
    yield xy * z
    yield y * (5 * zz - 1)
    yield z * (5 * zz - 3)
    yield x * (5 * zz - 1)
    yield z * xx_yy
    yield x * (x * x - 3 * y * y)
