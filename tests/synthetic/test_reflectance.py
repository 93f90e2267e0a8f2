"""The microfacet lobe against its defining integrals (scipy quadrature) and the Fresnel equations' known values."""

import numpy as np
import pytest
from scipy.integrate import dblquad, quad

from lightdome.synthetic.reflectance import MATTE, ZINC, conductor_fresnel, cover_of, distribution, masking, response


@pytest.mark.parametrize("alpha", [0.1, 0.25, 0.4, 1.0])
def test_facet_areas_project_to_one(alpha):
    # definition of a facet distribution: the integral of D cos over the hemisphere is 1 (Walter et al. 2007, eq. 4)
    total, _ = quad(lambda t: 2 * np.pi * np.sin(t) * np.cos(t) * distribution(np.cos(t), alpha), 0, np.pi / 2)
    assert total == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("view_deg", [0.0, 30.0, 70.0])
def test_visible_facets_fill_the_view(view_deg):
    # definition of masking: G1 times the integral of max(0, v.h) D is cos of the view angle (Heitz 2014, eq. 14)
    alpha, v = 0.35, np.radians(view_deg)

    def seen(azimuth, t):
        toward = np.sin(t) * np.cos(azimuth) * np.sin(v) + np.cos(t) * np.cos(v)
        return max(toward, 0.0) * distribution(np.cos(t), alpha) * np.sin(t)

    total, _ = dblquad(seen, 0, np.pi / 2, 0, 2 * np.pi, epsabs=1e-6, epsrel=1e-6)
    assert masking(np.cos(v), alpha) * total == pytest.approx(np.cos(v), abs=1e-4)


def test_a_metal_reflects_what_the_fresnel_equations_say():
    # normal incidence: ((n - 1)^2 + k^2) / ((n + 1)^2 + k^2); grazing: 1 (textbook optics)
    assert conductor_fresnel(np.array(1.0), (1.2, 4.0)) == pytest.approx((0.2**2 + 16) / (2.2**2 + 16))
    assert conductor_fresnel(np.array(0.0), (1.2, 4.0)) == pytest.approx(1)


def test_glass_at_brewsters_angle_reflects_half_of_its_s_wave():
    # no extinction: at tan(angle) = n the p wave vanishes and the s wave reflects ((n^2 - 1) / (n^2 + 1))^2
    n = 1.5
    cos_i = np.cos(np.arctan(n))
    assert conductor_fresnel(np.array(cos_i), (n, 0.0)) == pytest.approx(0.5 * ((n**2 - 1) / (n**2 + 1)) ** 2)


def test_lobe_is_dark_where_the_lamp_is_behind():
    behind = response(np.array([-0.1]), np.array([1.0]), np.array([0.6]), np.array([0.6]), np.array(0.3))
    assert behind == 0


def test_a_white_metal_gives_back_no_more_light_than_it_gets():
    # albedo of the lobe for a camera along the normal: the integral over lamps of light / pi. Facets steeper than 45
    # degrees send it below the horizon; those flatter cover 1 / (1 + alpha^2), by integrating D cos to 45 degrees
    alpha = 0.35

    def light(t):
        half = np.cos(t / 2)
        lobe = response(np.array(np.cos(t)), np.array(1.0), np.array(half), np.array(half), np.array(alpha))
        return float(lobe) / np.pi * 2 * np.pi * np.sin(t)

    albedo, _ = quad(light, 0, np.pi / 2)
    assert 0.9 / (1 + alpha**2) < albedo < 1 / (1 + alpha**2)


def test_residue_darkens_and_a_film_dulls():
    clean = cover_of(ZINC, np.array(0.0), np.array(0.0), None)
    inked = cover_of(ZINC, np.array(1.0), np.array(0.0), None)
    filmed = cover_of(ZINC, np.array(0.0), np.array(1.0), None)
    assert inked.diffuse < 0.5 * clean.diffuse
    assert filmed.specular < clean.specular
    assert filmed.roughness > clean.roughness


def test_a_matte_plate_has_no_colour_of_its_own():
    red, blue = (cover_of(MATTE, np.array(0.0), np.array(0.0), channel).diffuse for channel in (0, 2))
    assert red == blue == MATTE.diffuse
