"""The fit of one lobe and a diffuse part to light made by `lobe.reflect`, and its kernels against that function."""

from dataclasses import replace

import numpy as np
import pytest
from lobes import coordinates, flat_list, light_of, lobe_of, near_dome, noise_of, noisy, reflectance_of

from lightdome.lights.field import lamp_field, view_field
from lightdome.surface.block import Seen
from lightdome.surface.lobe import reflect
from lightdome.surface.many_facets import lobes, unit_law
from lightdome.surface.microfacet import fit_lobes

LAMPS = near_dome(48)
SHAPE = (24, 25)
NOISE = noise_of(0.003, gain=0.03)
KINDS = {"metal": (0.0, 0.6), "half": (0.2, 0.3), "matte": (0.5, 0.0)}
"""Diffuse and specular reflectance."""


def rays(shape=SHAPE):
    """Directions to lamps and camera and irradiances, one a pixel."""
    x_mm, y_mm = coordinates(shape)
    toward, irradiance = lamp_field(LAMPS, x_mm, y_mm)
    return flat_list(toward), flat_list(irradiance), flat_list(view_field(LAMPS, x_mm, y_mm))


def fit(lobe, light, lines_of_sight, iterations=10):
    roughness = np.full(light.shape[1], lobe.roughness, np.float32)
    return fit_lobes(Seen.given(light, *lines_of_sight), lobe, roughness, True, iterations)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("tail", "anisotropy", "curvature"), [(2.0, 1.0, 0.0), (2.0, 1.6, 0.2), (np.inf, 1.0, 0.2), (np.inf, 1.6, 0.0)]
)
def test_slopes_and_reflectance_of_light_without_noise_are_found(kind, tail, anisotropy, curvature):
    rng = np.random.default_rng(2)
    slopes, roughness = rng.uniform(-0.12, 0.12, (2, *SHAPE)), rng.uniform(0.25, 0.35, SHAPE)
    lobe = lobe_of(tail, anisotropy, 40.0, curvature, noise=NOISE)
    diffuse, specular = KINDS[kind]
    truth = reflectance_of(SHAPE, diffuse, specular, roughness, anisotropy, 40.0)
    found = fit(lobe, flat_list(light_of(lobe, LAMPS, slopes, truth)), rays())
    off_deg = np.degrees(np.hypot(*(found.slopes - flat_list(slopes))))
    assert np.percentile(off_deg, 99) < 0.01
    assert (off_deg < 0.1).mean() > 0.995
    assert np.percentile(np.abs(found.diffuse - diffuse), 99) < 2e-3
    assert np.percentile(np.abs(found.specular - specular), 99) < 5e-3 * max(specular, 1e-3)
    assert (found.usable == 48).all()
    if specular:
        assert np.percentile(np.abs(found.roughness / roughness.ravel() - 1), 99) < 5e-3
    lobes_share = {"metal": (0.99, 1.001), "half": (0.3, 0.95), "matte": (0.0, 0.01)}[kind]
    assert ((found.shiny >= lobes_share[0]) & (found.shiny <= lobes_share[1])).mean() > 0.99


@pytest.mark.parametrize("tail", [2.0, np.inf])
@pytest.mark.parametrize("anisotropy", [1.0, 1.6])
def test_light_of_the_model_is_that_of_the_reference(tail, anisotropy):
    # whatever the fit has found, of light that is no lobe's: its model is what `reflect` says of its own answer
    lobe = replace(lobe_of(tail, anisotropy, 40.0, 0.2, noise=NOISE), shadowing=0.7)
    lines_of_sight = rays()
    toward, irradiance, view = lines_of_sight
    slopes = np.random.default_rng(3).uniform(-0.15, 0.15, (2, *SHAPE))
    light = light_of(lobe, LAMPS, slopes, reflectance_of(SHAPE, 0.1, 0.4, 0.3, anisotropy, 40.0))
    found = fit(lobe, noisy(flat_list(light), NOISE), lines_of_sight)
    shaped = np.broadcast_to(np.array([[anisotropy], [40.0]]), (2, found.diffuse.size))
    reflectance = np.concatenate([np.stack([found.diffuse, found.specular, found.roughness]), shaped]).astype(float)
    expected = irradiance * reflect(lobe, toward.astype(float), view.astype(float), *found.slopes, reflectance)
    # the shadowing of the facets is that of an early step; the rest is single precision
    np.testing.assert_allclose(found.model, expected, atol=2e-3 * expected.max())
    assert np.median(np.abs(found.model - expected)) < 2e-4 * expected.max()


@pytest.mark.parametrize("tail", [2.0, 3.0, np.inf])
@pytest.mark.parametrize("anisotropy", [1.0, 1.6])
def test_lobes_of_the_mixture_are_those_of_the_reference(tail, anisotropy):
    lobe = replace(lobe_of(tail, anisotropy, 40.0), shadowing=0.7)
    toward, _, view = (array[..., 77] for array in rays())
    rng = np.random.default_rng(4)
    slopes, roughness = rng.uniform(-1, 1, (2, 300)), rng.uniform(0.1, 0.6, 300)
    found = np.empty((48, 300), np.float32)
    single = [np.ascontiguousarray(array, np.float32) for array in (toward, view, slopes, roughness)]
    lobes(single[0].T, single[1], unit_law(lobe), single[2], single[3], found)
    ones = np.ones(300)
    expected = reflect(
        lobe,
        np.broadcast_to(toward[:, :, None], (48, 3, 300)).astype(float),
        np.broadcast_to(view[:, None], (3, 300)).astype(float),
        *slopes,
        np.stack([0 * ones, ones, roughness, anisotropy * ones, 40 * ones]),
    )
    # held at a thousandth, the cosine of a lamp at the horizon of a steep slope differs there
    np.testing.assert_allclose(found, expected, rtol=1e-3, atol=2e-4 * expected.max())


def spread_and_stated(lobe, slope, reflectance, copies=500):
    """Standard deviations (2,) of the slopes of so many noisy copies of one pixel, and the stated ones (median)."""
    place = np.array([20.0]), np.array([-15.0])
    toward, irradiance = lamp_field(LAMPS, *place)
    view = view_field(LAMPS, *place)
    light = irradiance * reflect(lobe, toward, view, *np.array(slope)[:, None, None], reflectance[:, None, None])
    same = [np.repeat(flat_list(array), copies, axis=-1) for array in (light, toward, irradiance, view)]
    found = fit(lobe, noisy(same[0], lobe.noise, seed=5), same[1:])
    return found.slopes.std(axis=1), np.sqrt(np.median(found.covariance[[0, 2]], axis=1))


@pytest.mark.parametrize(("kind", "tail"), [("metal", np.inf), ("half", np.inf), ("matte", 2.0), ("matte", np.inf)])
@pytest.mark.parametrize("gain", [0.01, 0.03])
def test_the_stated_covariance_is_the_spread_of_noisy_copies(kind, tail, gain):
    # Monte Carlo (JCGM 101): 500 copies of a pixel
    lobe = lobe_of(tail, noise=noise_of(0.001, gain=gain))
    reflectance = np.array([*KINDS[kind], 0.3, 1.0, 0.0])
    spread, stated = spread_and_stated(lobe, (0.05, -0.08), reflectance)
    np.testing.assert_allclose(spread, stated, rtol=0.15)


def test_samples_that_are_not_known_are_left_out():
    lobe = lobe_of(2.0, noise=NOISE)
    slopes = np.random.default_rng(6).uniform(-0.12, 0.12, (2, *SHAPE))
    light = flat_list(light_of(lobe, LAMPS, slopes, reflectance_of(SHAPE, 0.1, 0.4, 0.3)))
    light[light > 0.9] = np.nan
    light[np.random.default_rng(7).random(light.shape) < 0.3] = np.nan
    light[:, 0] = np.nan
    light[:3, 1], light[3:, 1] = 0.1, np.nan
    light[:, 2] = 0
    found = fit(lobe, light, rays())
    answers = (*found.slopes, found.diffuse, found.specular, found.roughness, found.misfit, found.shiny)
    for answer in answers:
        assert np.isnan(answer[:3]).all()
        assert np.isfinite(answer[3:]).all()
    np.testing.assert_array_equal(found.usable, np.isfinite(light).sum(axis=0))
    assert (found.model[:, 3:][np.isnan(light[:, 3:])] == 0).all()
    off_deg = np.degrees(np.hypot(*(found.slopes - flat_list(slopes))))[3:]
    assert np.percentile(off_deg, 97) < 0.02


def test_rows_that_follow_the_row_above_find_what_pixels_alone_do():
    rng = np.random.default_rng(8)
    lobe = lobe_of(2.0, noise=noise_of(0.002, gain=0.01))
    slopes, diffuse, specular = rng.normal(0, 0.01, (2, *SHAPE)), np.full(SHAPE, 0.05), np.full(SHAPE, 0.5)
    slopes[0, 8:12] += 0.3
    specular[14:, 5:15], diffuse[14:, 5:15] = 0.25, 0.2
    truth = reflectance_of(SHAPE, diffuse, specular, 0.3)
    light = noisy(flat_list(light_of(lobe, LAMPS, slopes, truth)), lobe.noise)
    light[:, 3] = np.nan
    alone = fit(lobe, light, rays())
    above = np.full((5, SHAPE[1]), np.nan, np.float32)
    start = np.full(light.shape[1], lobe.roughness, np.float32)
    found = fit_lobes(Seen.given(light, *rays()), lobe, start, True, 10, with_model=False, above=above)
    assert found.model.shape == (0, light.shape[1])
    for key in ("slopes", "diffuse", "specular", "roughness", "misfit", "shiny", "covariance", "usable"):
        one, other = getattr(alone, key), getattr(found, key)
        np.testing.assert_array_equal(np.isnan(one), np.isnan(other))
    # each rests where it is: they are apart by a part of the noise
    deviation = np.sqrt((alone.covariance[0] + alone.covariance[2]) / 2)
    apart = np.hypot(*(found.slopes - alone.slopes)) / deviation
    assert np.nanmedian(apart) < 0.1
    assert np.nanpercentile(apart, 98) < 0.5
    assert np.nanpercentile(np.abs(found.specular / alone.specular - 1), 98) < 0.01
    # the last row is left for the rows below
    last = flat_list(np.arange(light.shape[1]).reshape(SHAPE)[-1])
    np.testing.assert_allclose(above[:2], found.slopes[:, last], atol=1e-6)
