"""The plate's lobe learned from light that `lobe.reflect` made of a known one."""

import numpy as np
import pytest
from lobes import coordinates, flat_list, light_of, lobe_of, near_dome, noise_of, noisy, reflectance_of

from lightdome.lights.field import lamp_field, view_field
from lightdome.surface.learning import FEWEST_PIXELS, learn_lobe
from lightdome.surface.lobe import KNOTS, unstretch
from lightdome.surface.sample import Sample, sample_of

LAMPS = near_dome(48)
SHAPE = (36, 40)
KNOTS_W = np.linspace(0, 1, KNOTS)


def sample(lobe, diffuse, specular, anisotropy=1.0, direction_deg=0.0, shape=SHAPE):
    """Noisy light of a plate of small random slopes, and the light itself."""
    rng = np.random.default_rng(8)
    slopes, roughness = rng.normal(0, 0.07, (2, *shape)), lobe.roughness * rng.uniform(0.95, 1.05, shape)
    reflectance = reflectance_of(shape, diffuse, specular, roughness, anisotropy, direction_deg)
    light = light_of(lobe, LAMPS, slopes, reflectance)
    x_mm, y_mm = coordinates(shape)
    toward, irradiance = lamp_field(LAMPS, x_mm, y_mm)
    parts = (noisy(light, lobe.noise), toward, irradiance, view_field(LAMPS, x_mm, y_mm))
    return Sample(*(flat_list(part) for part in parts)), light


def density(lobe):
    """D over its value at the peak, at the knots."""
    return (1 - KNOTS_W) ** 2 * lobe.table / lobe.table[0]


def same_noise(found, true, data, light):
    """Standard deviations over the true ones, medians over dim, middling and bright samples."""
    light = flat_list(light)
    largest = (light / data.irradiance).max(axis=0) * data.irradiance
    powers = np.stack([np.ones_like(light), light, light**2, largest**2])
    ratio = np.sqrt(np.tensordot(found, powers, 1) / np.tensordot(true, powers, 1))
    part = np.searchsorted(np.quantile(light, [0.33, 0.67]), light)
    return np.array([np.median(ratio[part == number]) for number in range(3)])


@pytest.mark.parametrize("tail", [2.0, 3.0, np.inf])
@pytest.mark.parametrize(("diffuse", "specular"), [(0.0, 0.6), (0.2, 0.3)])
def test_the_family_of_a_metal_is_found(tail, diffuse, specular):
    true = lobe_of(tail)
    data, light = sample(true, diffuse, specular)
    found = learn_lobe([data])
    np.testing.assert_allclose(density(found), density(true), atol=0.01)
    # where Trowbridge-Reitz and Beckmann differ most, their tables are 1 and 0.1
    np.testing.assert_allclose(found.table[48], true.table[48], atol=0.07)
    np.testing.assert_allclose(found.roughness, true.roughness, rtol=0.02)
    assert unstretch(*found.stretched)[0] == pytest.approx(1, abs=1e-6)
    np.testing.assert_allclose(same_noise(found.noise, true.noise, data, light), 1, atol=0.25)
    # only bare metal holds the diffuse part at zero
    assert (found.matte_pull > 0) == (diffuse == 0)


@pytest.mark.parametrize("tail", [2.0, np.inf])
@pytest.mark.parametrize("direction_deg", [40.0, 175.0])
def test_the_strokes_of_a_brushed_metal_are_found(tail, direction_deg):
    true = lobe_of(tail, 2.0, direction_deg)
    data, _ = sample(true, 0.05, 0.5, 2.0, direction_deg)
    found = learn_lobe([data])
    anisotropy, direction_rad = unstretch(*found.stretched)
    assert anisotropy == pytest.approx(2, rel=0.05)
    assert abs((np.degrees(direction_rad) - direction_deg + 90) % 180 - 90) < 3
    np.testing.assert_allclose(density(found), density(true), atol=0.02)


@pytest.mark.parametrize("curvature", [-0.1, 0.0, 0.4])
def test_the_curvature_of_a_matte_plate_is_found(curvature):
    true = lobe_of(2.0, curvature=curvature)
    data, light = sample(true, 0.5, 0.0)
    found = learn_lobe([data])
    assert found.diffuse_curvature == pytest.approx(curvature, abs=0.05)
    assert found.matte_pull == 0
    np.testing.assert_allclose(same_noise(found.noise, true.noise, data, light), 1, atol=0.25)


@pytest.mark.parametrize("gain", [0.005, 0.03])
def test_the_noise_of_the_photographs_is_found(gain):
    true = lobe_of(2.0, noise=noise_of(0.002, shot=0.001, gain=gain))
    data, light = sample(true, 0.1, 0.5)
    np.testing.assert_allclose(same_noise(learn_lobe([data]).noise, true.noise, data, light), 1, atol=0.25)


def test_the_same_sample_gives_the_same_lobe():
    data, _ = sample(lobe_of(), 0.1, 0.5, shape=(24, 25))
    half = data.light.shape[1] // 2
    parts = [
        Sample(data.light[:, at], data.toward[:, :, at], data.irradiance[:, at], data.view[:, at])
        for at in (slice(0, half), slice(half, None))
    ]
    assert learn_lobe([data]).as_dict() == learn_lobe([data]).as_dict() == learn_lobe(parts).as_dict()


def test_too_few_pixels_teach_nothing():
    data, _ = sample(lobe_of(), 0.1, 0.5, shape=(7, 7))
    assert FEWEST_PIXELS > 7 * 7
    assert learn_lobe([data]) is None


def test_pixels_that_few_lamps_see_are_not_in_the_sample():
    light = np.full((48, 40, 40), 0.1)
    light[7:, :, :20] = np.nan
    x_mm, y_mm = coordinates((40, 40))
    taken = sample_of(light, LAMPS, x_mm, y_mm, 10_000)
    assert taken.light.shape == (48, 800)
    assert taken.toward.shape == (48, 3, 800)
    assert taken.irradiance.shape == (48, 800)
    assert taken.view.shape == (3, 800)
    assert np.isfinite(taken.light).all()
