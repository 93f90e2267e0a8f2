import numpy as np
import pytest

from lightdome.surface.normals import FEWEST_ROBUST, solve_pixels
from lightdome.surface.tilt import tilt_uncertainty


def on_pixels(lamps, pixels):
    """Directions (L, 3, P) and irradiance (L, P) of distant lamps."""
    toward = np.broadcast_to(lamps.unit_vectors.astype(np.float32)[:, :, None], (len(lamps.names), 3, pixels))
    return toward, np.broadcast_to(lamps.power.astype(np.float32)[:, None], (len(lamps.names), pixels))


def unit(vectors):
    return vectors / np.linalg.norm(vectors, axis=0)


def facing(count, seed=0, steepest=0.6):
    """Normals (3, count) of random slopes."""
    slope = np.random.default_rng(seed).uniform(-steepest, steepest, (2, count))
    return unit(np.stack([-slope[0], -slope[1], np.ones(count)]))


def error_deg(found, truth):
    return np.degrees(np.arccos(np.clip((unit(found) * truth).sum(axis=0), -1, 1)))


def test_least_squares_is_that_of_numpy_lstsq(lamp_dome):
    # numpy.linalg.lstsq, pixel by pixel, on the samples that are known
    lamps = lamp_dome(20)
    toward, irradiance = on_pixels(lamps, 300)
    rng = np.random.default_rng(1)
    light = rng.uniform(0.05, 0.9, (20, 300)).astype(np.float32)
    light[rng.random(light.shape) < 0.2] = np.nan
    found = solve_pixels(light, toward, irradiance, robust=False).m
    checked = 0
    for pixel in range(300):
        known = np.isfinite(light[:, pixel])
        samples = light[known, pixel].astype(float) / lamps.power[known]
        expected = np.linalg.lstsq(lamps.unit_vectors[known], samples, rcond=None)[0]
        if expected[2] > 0:
            np.testing.assert_allclose(found[:, pixel], expected, atol=5e-6)
            checked += 1
    assert checked > 250


@pytest.mark.parametrize("robust", [False, True])
def test_matte_plate_without_noise_is_found_exactly(lamp_dome, robust):
    lamps, truth = lamp_dome(24), facing(200, steepest=0.3)
    toward, irradiance = on_pixels(lamps, 200)
    light = 0.4 * irradiance * np.einsum("lip,ip->lp", toward, truth)
    fit = solve_pixels(light, toward, irradiance, robust)
    assert error_deg(fit.m, truth).max() < 0.06  # float32 cosines near 1 resolve no better than 0.04
    np.testing.assert_allclose(np.linalg.norm(fit.m, axis=0), 0.4, rtol=1e-4)


def test_robust_sees_through_highlights_and_cast_shadows(lamp_dome):
    lamps, truth = lamp_dome(48), facing(500)
    toward, irradiance = on_pixels(lamps, 500)
    rng = np.random.default_rng(2)
    light = 0.3 * irradiance * np.clip(np.einsum("lip,ip->lp", toward, truth), 0, None)
    half = unit((toward + np.array([0, 0, 1])[None, :, None]).transpose(1, 0, 2)).transpose(1, 0, 2)
    light = light + irradiance * np.clip(np.einsum("lip,ip->lp", half, truth), 0, None) ** 80  # Blinn's lobe
    light[rng.random(light.shape) < 0.1] = 0.0
    plain = error_deg(solve_pixels(light, toward, irradiance, robust=False).m, truth)
    robust = error_deg(solve_pixels(light, toward, irradiance, robust=True).m, truth)
    assert np.median(plain) > 5
    assert np.median(robust) < 1
    assert robust.mean() < plain.mean() / 4


@pytest.mark.parametrize(("turn", "axis", "sign"), [((1, 0), 0, 1), ((-1, 0), 0, -1), ((0, 1), 1, 1), ((0, -1), 1, -1)])
@pytest.mark.parametrize("method", ["microfacet", "robust", "least-squares"])
def test_plate_tilted_toward_an_axis_leans_that_way(field, lamp_dome, light_of, turn, axis, sign, method):
    # a plane whose normal leans 10 degrees toward +x, -x, +y, -y: only that component is there, and so is its sign
    from lightdome.surface.steps import solve_normals

    lean = np.sin(np.radians(10))
    normal = np.array([turn[0] * lean, turn[1] * lean, np.cos(np.radians(10))])
    lamps = lamp_dome(16, "near")
    x_mm, y_mm = (np.arange(9) - 4.0) * 5, -(np.arange(7) - 3.0) * 5
    light = light_of(lamps, np.broadcast_to(normal[:, None, None], (3, 7, 9)), 0.5, x_mm, y_mm)
    field.write_stack(light.astype(np.float32), lamps, pitch_mm=5.0)
    products = [field.folder / name for name in ("n.tif", "u.tif", "r.tif", "f.tif", "l.json")]
    solve_normals(field.stack, field.lamps, *products, method=method)
    found = field.read("n.tif")
    np.testing.assert_allclose(found[axis], sign * lean, atol=2e-5)
    np.testing.assert_allclose(found[1 - axis], 0, atol=2e-5)


def test_few_lamps_make_robust_and_least_squares_the_same(lamp_dome):
    lamps = lamp_dome(FEWEST_ROBUST - 1)
    toward, irradiance = on_pixels(lamps, 100)
    light = np.random.default_rng(3).uniform(0.1, 0.9, irradiance.shape)
    plain, robust = (solve_pixels(light, toward, irradiance, robust) for robust in (False, True))
    np.testing.assert_array_equal(robust.m, plain.m)
    np.testing.assert_array_equal(robust.variance, plain.variance)


def test_three_usable_lamps_give_no_answer_and_four_do(lamp_dome):
    lamps, truth = lamp_dome(8), facing(2, steepest=0.1)
    toward, irradiance = on_pixels(lamps, 2)
    light = (irradiance * np.einsum("lip,ip->lp", toward, truth)).astype(np.float32)
    light[4:, 0] = np.nan
    light[3:, 1] = np.nan
    fit = solve_pixels(light, toward, irradiance, robust=False)
    assert error_deg(fit.m[:, :1], truth[:, :1])[0] < 0.06
    assert np.isnan(fit.m[:, 1]).all()


def test_lamps_in_one_plane_give_no_answer():
    elevation = np.radians(np.linspace(20, 160, 9))
    toward = np.stack([np.cos(elevation), np.zeros(9), np.sin(elevation)], axis=1)
    toward = np.broadcast_to(toward[:, :, None].astype(np.float32), (9, 3, 5))
    fit = solve_pixels(toward[:, 2], toward, np.ones((9, 5)), robust=False)
    assert np.isnan(fit.m).all()


def test_no_normal_turns_away_from_the_camera(lamp_dome):
    toward, irradiance = on_pixels(lamp_dome(24), 4000)
    light = np.random.default_rng(4).uniform(-1, 1, irradiance.shape)
    for robust in (False, True):
        m = solve_pixels(light, toward, irradiance, robust).m
        known = np.isfinite(m[2])
        assert known.any()
        assert not known.all()
        assert (m[2][known] > 0).all()


def coverage(error, u):
    """Share of tangential errors (2, P) within 1.96 standard uncertainties (P,)."""
    return float((np.abs(error) < 1.96 * u).mean())


def tangential(found, truth):
    """Error of unit normals along two axes across the truth, radians, (2, P)."""
    first = unit(np.cross(truth.T, [0.0, 1.0, 0.0]).T)
    second = np.cross(truth.T, first.T).T
    off = unit(found) - truth
    return np.stack([(off * first).sum(axis=0), (off * second).sum(axis=0)])


@pytest.mark.parametrize(("count", "robust"), [(5, False), (8, False), (24, False), (16, True), (24, True), (48, True)])
def test_95_percent_intervals_of_tilt_hold_the_truth_of_a_noisy_matte_plate(lamp_dome, count, robust):
    # Monte Carlo (JCGM 101): 1 % noise, independent in each photograph
    lamps, truth = lamp_dome(count), facing(20_000, steepest=0.2)
    toward, irradiance = on_pixels(lamps, 20_000)
    rng = np.random.default_rng(count)
    light = 0.5 * irradiance * (np.einsum("lip,ip->lp", toward, truth) + rng.normal(0, 0.01, irradiance.shape))
    fit = solve_pixels(light, toward, irradiance, robust)
    u = tilt_uncertainty(fit, toward, np.full(count, np.nan), False)
    assert 0.90 < coverage(tangential(fit.m, truth), u) < 0.98


@pytest.mark.parametrize("flat_divided", [False, True])
def test_95_percent_intervals_of_tilt_hold_the_truth_under_uncertain_lamps(lamp_dome, flat_divided):
    # Monte Carlo: every lamp of every trial stands 1 degree about each axis from where the table says
    lamps, truth = lamp_dome(16), facing(10_000, steepest=0.2)
    toward, irradiance = on_pixels(lamps, 10_000)
    rng = np.random.default_rng(5)
    stands = toward + rng.normal(0, np.radians(1.0), toward.shape)
    stands /= np.linalg.norm(stands, axis=1, keepdims=True)
    if flat_divided:
        light, irradiance = np.einsum("lip,ip->lp", stands, truth) / stands[:, 2], 1 / toward[:, 2]
    else:
        light = irradiance * np.einsum("lip,ip->lp", stands, truth)
    fit = solve_pixels(light, toward, irradiance, robust=False)
    error = tangential(fit.m, truth)
    u = tilt_uncertainty(fit, toward, np.full(16, np.radians(1.0)), flat_divided)
    assert 0.90 < coverage(error, u) < 0.98
    assert np.sqrt((error**2).mean()) == pytest.approx(np.sqrt((u**2).mean()), rel=0.15)
