"""Holes of lamp layouts, expected tilt, and the quick look, against closed forms and scipy."""

import numpy as np
import pytest
from scipy.spatial import SphericalVoronoi

from lightdome.session.coverage import coverage, lamp_place_noise, largest_empty_cap, tilt_uncertainty_deg
from lightdome.session.preview import integrated, preview


def cone(count, slant_deg):
    turn, slant = np.arange(count) * 2 * np.pi / count, np.radians(slant_deg)
    flat = np.sin(slant)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), np.full(count, np.cos(slant))], axis=1)


@pytest.mark.parametrize(("lamps", "degrees"), [(12, 0.29), (24, 0.20), (48, 0.14), (96, 0.10)])
def test_noise_of_one_percent_at_the_best_slant(lamps, degrees):
    # N lamps on a cone: A'A = N diag(sin^2 / 2, sin^2 / 2, cos^2), so u = s sqrt(3 / N) at 54.74 degrees
    found = tilt_uncertainty_deg(cone(lamps, np.degrees(np.arccos(1 / np.sqrt(3)))), 0.01)
    assert found == pytest.approx((degrees, degrees), abs=0.005)
    assert found[0] == pytest.approx(np.degrees(0.01 * np.sqrt(3 / lamps)), rel=1e-9)


def test_the_propagation_agrees_with_monte_carlo():
    rng = np.random.default_rng(3)
    lamps = np.concatenate([cone(7, 60), cone(5, 25)])
    noise = rng.uniform(0.005, 0.03, len(lamps))
    light = lamps[:, 2] + noise * rng.standard_normal((200_000, len(lamps)))
    normals = light @ np.linalg.pinv(lamps).T
    tilt = np.degrees(normals[:, :2] / normals[:, 2:]).std(axis=0)
    assert tilt_uncertainty_deg(lamps, noise) == pytest.approx(tilt, rel=0.02)


def test_an_unsure_place_turns_the_light_as_much_as_geometry_says():
    place = np.array([[300.0, 0, 400.0]])
    step = np.array([[0.8, 0, -0.6]])  # across the ray, in its upright plane
    moved = place + 1.0 * step
    change = place[0, 2] / np.linalg.norm(place) - moved[0, 2] / np.linalg.norm(moved)
    assert lamp_place_noise(place, 1.0)[0] == pytest.approx(change, rel=0.01)


def test_a_ring_leaves_the_zenith_open():
    found = coverage(cone(12, 55))
    assert found.empty_cap[0] == pytest.approx(55, abs=1)
    assert found.empty_cap[2] > 88
    assert found.azimuth_holes[1][2:4] == (12, pytest.approx(30))
    assert found.azimuth_holes[0][2:4] == (0, 360)
    assert found.elevation_hole_deg == pytest.approx((35, 65))


def test_a_missing_sector_is_found():
    lamps = np.concatenate([cone(12, 70)[:9], cone(12, 40)])
    _, _, count, hole, at = coverage(lamps).azimuth_holes[0]
    # lamps at 0, 30 ... 240 degrees: from 240 to 360 there is none
    assert (count, hole, at) == (9, pytest.approx(120), pytest.approx(300))


def test_the_largest_empty_cap_is_that_of_the_voronoi_vertices():
    rng = np.random.default_rng(5)
    lamps = rng.normal(size=(40, 3))
    lamps[:, 2] = np.abs(lamps[:, 2])
    lamps /= np.linalg.norm(lamps, axis=1, keepdims=True)
    vertices = SphericalVoronoi(lamps).vertices
    vertices = vertices[vertices[:, 2] > np.sin(np.radians(15))]
    expected = np.degrees(np.arccos((vertices @ lamps.T).max(axis=1))).max()
    assert largest_empty_cap(lamps)[0] == pytest.approx(expected, abs=1.2)


def test_the_quick_look_has_the_slopes_and_height_of_a_matt_bowl():
    rows, cols, pitch_mm = 40, 50, 0.1
    x = (np.arange(cols) + 0.5 - cols / 2) * pitch_mm
    y = (rows / 2 - np.arange(rows) - 0.5) * pitch_mm
    height = 0.02 * (x[None] ** 2 - 0.5 * y[:, None] ** 2)
    slope_x, slope_y = np.broadcast_to(0.04 * x, (rows, cols)), np.broadcast_to(-0.02 * y[:, None], (rows, cols))
    normal = np.stack([-slope_x, -slope_y, np.ones((rows, cols))]) / np.sqrt(1 + slope_x**2 + slope_y**2)
    lamps = cone(8, 50)
    light = 0.7 * np.tensordot(lamps, normal, 1).reshape(8, -1)
    light[2, 17] = np.nan
    plate = np.ones((rows, cols), bool)
    quick = preview(light.astype(np.float32), lambda k, _: (lamps[k][:, None], np.ones(1)), plate, pitch_mm)
    assert quick.slope_x == pytest.approx(slope_x, abs=1e-4)
    assert quick.slope_y == pytest.approx(slope_y, abs=1e-4)
    assert np.nanmedian(quick.facing) == pytest.approx(0.7, rel=1e-4)
    assert quick.height_mm == pytest.approx(height - height.mean(), abs=2e-4)


def test_unknown_slopes_stay_unknown():
    slope = np.zeros((12, 9))
    slope[3, 4] = np.nan
    height = integrated(slope, slope.copy(), 0.1)
    assert np.isnan(height[3, 4])
    assert np.isfinite(np.delete(height.ravel(), 3 * 9 + 4)).all()
    assert np.isnan(integrated(np.full((8, 8), np.nan), slope[:8, :8], 0.1)).all()
