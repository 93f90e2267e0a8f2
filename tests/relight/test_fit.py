import numpy as np
import pytest

from lightdome.lights.lamps import directions
from lightdome.relight.basis import hemispherical_harmonics
from lightdome.relight.fit import _penalty, fit_light, highest_order
from lightdome.relight.left_out import judge, left_out_lamps, orders_to_try, predict_left_out
from lightdome.relight.render import render, render_lamp


def dome(count):
    """Lamps evenly over elevations 15-75 degrees, on a golden-angle spiral."""
    step = np.arange(count) + 0.5
    height = np.sin(np.radians(15)) + step / count * (np.sin(np.radians(75)) - np.sin(np.radians(15)))
    return directions(step * 137.50776 % 360, np.degrees(np.arcsin(height))).astype(np.float32)


def smooth_lobe(toward, sharpness, rows=6, cols=7):
    """Light of pixels whose lobe (a power of the cosine to a peak near the zenith) leans another way each."""
    lean = np.linspace(-0.3, 0.3, rows * cols)
    peaks = np.stack([lean, lean[::-1] * 0.5, np.ones_like(lean)])
    peaks /= np.linalg.norm(peaks, axis=0)
    return (np.clip(toward @ peaks, 0, None) ** sharpness).reshape(len(toward), rows, cols).astype(np.float32)


def every_pixel(per_lamp, shape):
    return np.broadcast_to(per_lamp[..., None, None], (*per_lamp.shape, *shape)).copy()


def test_least_squares_agrees_with_numpy_lstsq():
    # numpy.linalg.lstsq of the rows sqrt(w) H, with the penalty as further rows
    lamps = dome(48)
    light = smooth_lobe(lamps, 5)
    irradiance = np.linspace(0.5, 1.5, 48).astype(np.float32)
    weight = irradiance**2
    fitted = fit_light(light, lamps, irradiance, weight, 3)
    design = hemispherical_harmonics(lamps.T.astype(float), 3).T
    rows = np.concatenate([np.sqrt(weight)[:, None] * design, np.diag(np.sqrt(_penalty(3) * weight.sum()))])
    right = np.concatenate(
        [np.sqrt(weight)[:, None] * (light.reshape(48, -1) / irradiance[:, None]), np.zeros((16, 42))]
    )
    expected = np.linalg.lstsq(rows, right, rcond=None)[0]
    np.testing.assert_allclose(fitted.reshape(16, -1), expected, atol=2e-5)


def test_lamps_given_pixel_by_pixel_give_the_same_as_shared_ones():
    lamps = dome(32)
    light = smooth_lobe(lamps, 4)
    irradiance = np.linspace(0.8, 1.2, 32).astype(np.float32)
    shared = fit_light(light, lamps, irradiance, irradiance**2, 3)
    per_pixel = every_pixel(irradiance, light.shape[1:])
    own = fit_light(light, every_pixel(lamps, light.shape[1:]), per_pixel, per_pixel**2, 3)
    np.testing.assert_allclose(own, shared, atol=2e-5)


def test_a_matte_plate_is_relit_within_two_percent_of_lambert():
    lamps = dome(48)
    tilt = np.radians(np.linspace(-12, 12, 20))
    normals = np.stack([np.sin(tilt), np.zeros(20), np.cos(tilt)])
    light = (0.5 * np.clip(lamps @ normals, 0, None)).reshape(48, 4, 5).astype(np.float32)
    fitted = fit_light(light, lamps, np.ones(48, np.float32), np.ones(48, np.float32), 3)
    for azimuth, elevation in ((40, 30), (130, 45), (250, 60), (300, 75)):
        # Lambert's law, 0.5 n.l
        expected = 0.5 * normals.T @ directions(np.array(azimuth), np.array(elevation))
        np.testing.assert_allclose(render_lamp(fitted, azimuth, elevation).ravel(), expected, atol=0.01)


def test_error_on_lamps_left_out_falls_with_the_order_on_a_smooth_lobe():
    lamps = dome(60)
    light = smooth_lobe(lamps, 6)
    ones = np.ones(60, np.float32)
    out = left_out_lamps(60)
    names = tuple(str(lamp) for lamp in out)
    errors = [
        judge(names, light[out], predict_left_out(light, lamps, ones, ones, order)).relative_rms for order in (1, 2, 3)
    ]
    assert errors[0] > 1.5 * errors[1] > 1.5 * errors[2]


def test_clipped_samples_are_left_out_and_not_filled():
    lamps = dome(48)
    light = smooth_lobe(lamps, 3)
    ones = np.ones(48, np.float32)
    clipped = light.copy()
    clipped[[3, 17], 2, 4] = np.nan
    whole, partly = (fit_light(values, lamps, ones, ones, 2) for values in (light, clipped))
    others = np.delete(np.arange(48), [3, 17])
    np.testing.assert_allclose(
        partly[:, 2, 4], fit_light(light[others], lamps[others], ones[others], ones[others], 2)[:, 2, 4], atol=1e-5
    )
    changed = np.abs(whole - partly).max(axis=0) > 1e-5
    assert changed.sum() <= 1


def test_a_pixel_under_few_lamps_gets_a_lower_order_and_under_three_stays_unknown():
    lamps = dome(24)
    light = smooth_lobe(lamps, 3)
    light[10:, 0, 0] = np.nan
    light[3:, 0, 1] = np.nan
    light[:, 0, 2] = np.nan
    ones = np.ones(24, np.float32)
    fitted = fit_light(light, lamps, ones, ones, 3)
    assert (fitted[9:, 0, 0] == 0).all()
    np.testing.assert_allclose(
        fitted[:9, 0, 0], fit_light(light[:10], lamps[:10], ones[:10], ones[:10], 2)[:, 0, 0], atol=1e-5
    )
    assert np.isnan(fitted[:, 0, 1:3]).all()
    assert np.isfinite(fitted[:, 0, 3:]).all()


def test_light_is_never_below_zero():
    coefficients = np.array([0.1, 0, -2.0, 0])[:, None]
    assert render(coefficients, np.array([0.0, 0.0, 1.0])) == pytest.approx(0)


def test_more_unknowns_than_lamps_are_never_asked_for():
    assert [highest_order(lamps) for lamps in (4, 8, 9, 15, 16, 60)] == [1, 1, 2, 2, 3, 3]
    assert orders_to_try(60) == (2, 3)
    assert orders_to_try(18) == (2,)
    assert orders_to_try(8) == (1,)
    assert orders_to_try(4) == (0,)


def test_every_sixth_lamp_is_left_out():
    assert left_out_lamps(18).tolist() == [5, 11, 17]
    assert left_out_lamps(4).tolist() == [3]


def test_signal_to_noise_is_that_of_the_picture_scaled_to_its_white():
    # PSNR = 20 log10(white / rms): an error of 1 % of the white everywhere is 40 dB
    picture = np.full((1, 20, 20), 0.3, np.float32)
    error = judge(("L1",), picture, picture * 1.01)
    assert error.lamps[0].psnr_db == pytest.approx(40, abs=0.01)
    assert error.as_dict()["psnr_db"] == pytest.approx(40, abs=0.01)
    unknown = judge(("L1",), picture * np.nan, picture)
    assert unknown.as_dict()["psnr_db"] is None
