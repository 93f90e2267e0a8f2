import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss
from scipy.special import assoc_legendre_p, gammaln, sph_harm_y

from lightdome.errors import RelightError
from lightdome.relight.basis import coefficient_count, hemispherical_harmonics, names, order_of


def directions_over_the_plate(count=400, seed=5):
    rng = np.random.default_rng(seed)
    z, azimuth = rng.uniform(0, 1, count), rng.uniform(0, 2 * np.pi, count)
    flat = np.sqrt(1 - z**2)
    return np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), z]), azimuth


def test_each_function_is_the_shifted_legendre_polynomial_of_the_paper():
    # Gautron et al. 2004, eq. of H_lm; polynomials by scipy.special.assoc_legendre_p, whose (-1)^m is taken out
    directions, azimuth = directions_over_the_plate()
    values = hemispherical_harmonics(directions, 3)
    for value, (order, degree) in zip(values, names(3), strict=True):
        m = abs(degree)
        norm = np.sqrt((2 * order + 1) / (2 * np.pi) * np.exp(gammaln(order - m + 1) - gammaln(order + m + 1)))
        polar = (-1) ** m * assoc_legendre_p(order, m, 2 * directions[2] - 1)[0]
        turn = np.sqrt(2) * (np.cos(m * azimuth) if degree > 0 else np.sin(m * azimuth)) if m else 1.0
        np.testing.assert_allclose(value, norm * polar * turn, atol=1e-12)


def test_each_function_is_a_spherical_harmonic_of_the_stretched_direction():
    # scipy.special.sph_harm_y (Condon-Shortley phase taken out), times sqrt(2) for half the solid angle
    directions, azimuth = directions_over_the_plate()
    values = hemispherical_harmonics(directions, 3)
    for value, (order, degree) in zip(values, names(3), strict=True):
        m = abs(degree)
        complex_value = (-1) ** m * sph_harm_y(order, m, np.arccos(2 * directions[2] - 1), azimuth)
        real = np.sqrt(2) * (complex_value.real if degree > 0 else complex_value.imag) if m else complex_value.real
        np.testing.assert_allclose(value, np.sqrt(2) * real, atol=1e-12)


def test_the_basis_is_orthonormal_over_the_hemisphere():
    # Gauss-Legendre in z and even steps in azimuth integrate these polynomials exactly
    nodes, weights = leggauss(12)
    z, azimuth = (nodes + 1) / 2, np.arange(24) * 2 * np.pi / 24
    flat = np.sqrt(1 - z**2)
    directions = np.stack([np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(z, np.ones(24))])
    values = hemispherical_harmonics(directions, 3)
    solid_angle = np.outer(weights / 2, np.full(24, 2 * np.pi / 24))
    products = np.einsum("irc,jrc,rc->ij", values, values, solid_angle)
    np.testing.assert_allclose(products, np.eye(16), atol=1e-12)


def test_light_straight_from_above_is_no_pole():
    values = hemispherical_harmonics(np.array([0.0, 0.0, 1.0]), 3)
    for value, (_, degree) in zip(values, names(3), strict=True):
        assert np.isfinite(value)
        if degree:
            assert value == pytest.approx(0, abs=1e-12)


def test_second_order_has_nine_coefficients_and_third_sixteen():
    assert [coefficient_count(order) for order in (2, 3)] == [9, 16]
    assert [order_of(count) for count in (9, 16)] == [2, 3]
    with pytest.raises(RelightError, match="10 coefficients"):
        order_of(10)
