"""Plates that are mostly matte, by the fit of lobes: no lobes of noise, and lobes where there are some.

Truth is the light that `lobe.reflect` makes of slopes drawn here; without a lobe it is Lambert's law under near lamps.
"""

from dataclasses import replace

import numpy as np
import pytest
from lobes import coordinates, flat_list, light_of, lobe_of, near_dome, noise_of, noisy, reflectance_of

from lightdome.lights.field import lamp_field, view_field
from lightdome.surface.block import Seen
from lightdome.surface.learning import learn_lobe
from lightdome.surface.lobe import reflect
from lightdome.surface.microfacet import fit_lobes
from lightdome.surface.sample import sample_of
from lightdome.surface.solve import solve_region

LAMPS = near_dome(24)
NOISE = noise_of(0.001, shot=0.004, gain=0.002)
SHAPE = (60, 100)
STATED_DEG = np.degrees(np.sqrt(-2 * np.log(0.05)))
"""Radius that holds 95 % of a normal distribution of a unit, a radian, along each of two axes."""


def plate(slopes, diffuse, specular, tail=2.0, noise=NOISE, pitch_mm=0.5):
    """Noisy light of a plate, its coordinates, and the lobe learned from it."""
    lobe = lobe_of(tail, roughness=0.25, noise=noise)
    reflectance = reflectance_of(slopes.shape[1:], diffuse, specular, 0.25)
    light = noisy(light_of(lobe, LAMPS, slopes, reflectance, pitch_mm), noise)
    x_mm, y_mm = coordinates(slopes.shape[1:], pitch_mm)
    return light, x_mm, y_mm, learn_lobe([sample_of(light, LAMPS, x_mm, y_mm, 6000)])


def smooth_error(slopes):
    """Root mean square of the cubic in x and y nearest to slopes (2, rows, columns) that should be zero."""
    rows, cols = np.meshgrid(*(np.linspace(-1, 1, length) for length in slopes.shape[1:]), indexing="ij")
    powers = np.stack([(rows**i * cols**j).ravel() for i in range(4) for j in range(4 - i)], axis=1)
    nearest = powers @ np.linalg.lstsq(powers, flat_list(slopes).T.astype(float), rcond=None)[0]
    return np.sqrt((nearest**2).mean())


def test_noise_does_not_bow_a_matte_plate():
    slopes = np.zeros((2, 160, 240))
    light, x_mm, y_mm, lobe = plate(slopes, 0.5, 0.0, pitch_mm=0.9)
    assert abs(lobe.diffuse_curvature) < 1e-3
    assert lobe.lobe_pull > 0
    found = solve_region(light, LAMPS, x_mm, y_mm, "microfacet", lobe)
    plain = solve_region(light, LAMPS, x_mm, y_mm, "least-squares")
    # ten coefficients of the noise of so many pixels are what is left
    left = np.sqrt(10 / found.slopes[0].size) * plain.slopes.std()
    assert smooth_error(plain.slopes) < 1.5 * left
    assert smooth_error(found.slopes) < 2 * left
    held = np.degrees(np.hypot(*found.slopes)) < STATED_DEG * found.u_tilt_rad
    assert held.mean() == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize("curvature", [-0.1, 0.4])
def test_the_curvature_of_a_matte_plate_is_found_to_a_part_in_a_thousand(curvature):
    slopes = np.random.default_rng(1).normal(0, 0.05, (2, *SHAPE))
    lobe = lobe_of(curvature=curvature, noise=NOISE)
    light = noisy(light_of(lobe, LAMPS, slopes, reflectance_of(SHAPE, 0.5, 0.0, 0.3)), NOISE)
    found = learn_lobe([sample_of(light, LAMPS, *coordinates(SHAPE), 6000)])
    assert found.diffuse_curvature == pytest.approx(curvature, abs=2e-3)


@pytest.mark.parametrize(("tail", "diffuse", "specular"), [(np.inf, 0.0, 0.6), (2.0, 0.1, 0.3)])
def test_metal_on_a_plate_that_is_mostly_matte_is_let_go(tail, diffuse, specular):
    metal = np.arange(SHAPE[1]) < 0.2 * SHAPE[1]
    slopes = np.random.default_rng(2).normal(0, 0.05, (2, *SHAPE))
    light, x_mm, y_mm, lobe = plate(slopes, np.where(metal, diffuse, 0.5), np.where(metal, specular, 0.0), tail)
    assert lobe.lobe_pull > 0
    assert lobe.metal == pytest.approx(0.2, abs=0.02)
    found = solve_region(light, LAMPS, x_mm, y_mm, "microfacet", lobe)
    off_deg = np.degrees(np.hypot(*(found.slopes - slopes)))
    assert np.percentile(off_deg[:, metal], 99) < 0.3
    assert np.percentile(off_deg[:, ~metal], 99) < 0.6
    specular_of = found.reflectance[1]
    np.testing.assert_allclose(np.median(specular_of[:, metal]), specular, rtol=0.02)
    assert np.percentile(specular_of[:, ~metal], 95) < 0.005


def test_a_plate_of_weak_lobes_is_not_pulled():
    slopes = np.random.default_rng(3).normal(0, 0.05, (2, *SHAPE))
    light, x_mm, y_mm, lobe = plate(slopes, 0.4, 0.05 * (np.arange(SHAPE[1]) % 2))
    assert lobe.lobe_pull == 0
    found = solve_region(light, LAMPS, x_mm, y_mm, "microfacet", lobe)
    shiny = np.arange(SHAPE[1]) % 2 > 0
    assert np.median(found.reflectance[1][:, shiny]) == pytest.approx(0.05, rel=0.1)


def copies_of_a_pixel(lobe, reflectance, copies=500):
    """The fit of so many noisy copies of one pixel that lies level."""
    place = np.array([20.0]), np.array([-15.0])
    toward, irradiance = lamp_field(LAMPS, *place)
    view = view_field(LAMPS, *place)
    level = np.zeros((1, 1))
    light = irradiance * reflect(lobe, toward, view, level, level, reflectance_of((1, 1), *reflectance))
    same = [np.repeat(flat_list(part), copies, axis=-1) for part in (light, toward, irradiance, view)]
    seen = Seen.given(noisy(same[0], lobe.noise, seed=5), *same[1:])
    return fit_lobes(seen, lobe, np.full(copies, 0.3, np.float32), True, 10)


def test_the_stated_covariance_of_held_pixels_is_their_spread():
    # Monte Carlo (JCGM 101): 500 copies of a pixel
    lobe = replace(lobe_of(noise=noise_of(0.001, gain=0.01)), lobe_pull=1 / 0.003**2)
    found = copies_of_a_pixel(lobe, (0.5, 0.0, 0.3))
    stated = np.sqrt(np.median(found.covariance[[0, 2]], axis=1))
    np.testing.assert_allclose(found.slopes.std(axis=1), stated, rtol=0.15)


def test_a_strong_lobe_is_not_pulled():
    free = lobe_of(noise=NOISE)
    pulled = replace(free, lobe_pull=1 / 0.003**2)
    one, other = (copies_of_a_pixel(lobe, (0.2, 0.3, 0.3)) for lobe in (free, pulled))
    # each rests where it is: they are apart by a part of the noise
    for mine, free_one in ((other.slopes, one.slopes), (other.specular[None], one.specular[None])):
        apart = np.abs(mine - free_one) / free_one.std(axis=1, keepdims=True)
        assert np.percentile(apart, 99) < 0.15
