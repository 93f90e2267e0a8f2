import numpy as np
import pytest

from lightdome.surface.curvature import curvatures

PITCH_MM = 0.05
SCALE_MM = 0.3


def plate(rows=120, cols=160):
    return np.meshgrid((np.arange(cols) + 0.5 - cols / 2) * PITCH_MM, (rows / 2 - np.arange(rows) - 0.5) * PITCH_MM)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("masked", [False, True])
def test_dome_is_positive_and_bowl_negative(side, masked):
    # analytic sphere of 15 mm, tilts up to 19 degrees: both principal curvatures 1/R everywhere, to the very edge
    x, y = plate()
    z = np.sqrt(15.0**2 - x**2 - y**2)
    known = np.hypot(x, y) < 2.7 if masked else np.ones(x.shape, bool)
    mean, gauss, k1, k2 = curvatures(
        np.where(known, -side * x / z, np.nan), np.where(known, -side * y / z, np.nan), PITCH_MM, SCALE_MM
    )
    np.testing.assert_allclose(mean[known], side / 15, rtol=0.01)
    np.testing.assert_allclose(gauss[known], 1 / 15**2, rtol=0.02)
    np.testing.assert_allclose(k1[known], side / 15, rtol=0.01)
    np.testing.assert_allclose(k2[known], side / 15, rtol=0.01)
    assert np.isnan(mean[~known]).all()


@pytest.mark.parametrize("azimuth_deg", [0, 30, 90, 135])
def test_cylinder_bends_one_way(azimuth_deg):
    # analytic cylinder of 12 mm in any direction, on its flank as on its crown: k1 = 1/R, k2 = 0
    x, y = plate()
    c, s = np.cos(np.radians(azimuth_deg)), np.sin(np.radians(azimuth_deg))
    across = c * x + s * y
    slope = -across / np.sqrt(12.0**2 - across**2)
    mean, gauss, k1, k2 = curvatures(c * slope, s * slope, PITCH_MM, SCALE_MM)
    inner = np.s_[8:-8, 8:-8]
    np.testing.assert_allclose(k1[inner], 1 / 12, rtol=0.005)
    np.testing.assert_allclose(k2[inner], 0, atol=5e-4)
    np.testing.assert_allclose(mean[inner], 1 / 24, rtol=0.01)
    np.testing.assert_allclose(gauss[inner], 0, atol=5e-5)


def test_saddle_bends_both_ways():
    # z = (x^2 - y^2) / 2a: differential geometry gives H and K in closed form at every slope
    a = 10.0
    x, y = plate()
    mean, gauss, k1, k2 = curvatures(x / a, -y / a, PITCH_MM, SCALE_MM)
    metric = 1 + (x**2 + y**2) / a**2
    expected_gauss = -1 / a**2 / metric**2
    expected_mean = -((1 + y**2 / a**2) - (1 + x**2 / a**2)) / a / (2 * metric**1.5)
    np.testing.assert_allclose(gauss, expected_gauss, rtol=0.01)
    np.testing.assert_allclose(mean, expected_mean, atol=2e-4)
    assert (k1 >= k2).all()
    assert (k1 > 0).all()
    assert (k2 < 0).all()
    np.testing.assert_allclose(k1[60, 80], 1 / a, rtol=0.01)


def test_lone_pixels_and_single_rows_are_unknown():
    slope = np.full((30, 30), np.nan)
    slope[5, 5] = 0.1
    slope[20, :] = 0.2
    assert np.isnan(curvatures(slope, slope, PITCH_MM, SCALE_MM)).all()


@pytest.mark.parametrize("shape", [(1, 1), (2, 3)])
def test_tiny_plates_raise_no_error(shape):
    assert curvatures(np.zeros(shape), np.zeros(shape), PITCH_MM, SCALE_MM).shape == (4, *shape)
