import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.reference import CUTOFF_TO_SIGMA
from lightdome.marks.relief import fill_across, form_of


@pytest.mark.parametrize(("ratio", "kept"), [(0.5, 0.0625), (1, 0.5), (2, 0.841), (3, 0.926), (5, 0.973)])
def test_form_keeps_the_share_of_a_wave_that_iso_16610_61_says(ratio, kept):
    # amplitude kept at wavelength over cut-off, 2^-(cut-off / wavelength)^2 (ISO 16610-61)
    cutoff_px = 30.0
    wave = 10 * np.cos(2 * np.pi * np.arange(600) / (ratio * cutoff_px)) * np.ones((90, 1))
    form = form_of(wave.astype(np.float32), cutoff_px)
    inner = (slice(40, 50), slice(150, 450))
    assert np.ptp(form[inner]) / np.ptp(wave[inner]) == pytest.approx(kept, abs=0.002)


def test_form_is_the_normalised_gaussian_mean_of_scipy():
    # scipy.ndimage.gaussian_filter of heights over that of the known pixels
    rng = np.random.default_rng(1)
    height = rng.normal(500, 20, (150, 210))
    height[40:70, 60:110] = np.nan
    known = np.isfinite(height)
    sigma = CUTOFF_TO_SIGMA * 25
    kernel = {"sigma": sigma, "mode": "constant", "radius": 25}
    expected = gaussian_filter(np.where(known, height, 0), **kernel) / gaussian_filter(known.astype(float), **kernel)
    form = form_of(height.astype(np.float32), 25.0)
    np.testing.assert_allclose(form[known], expected[known], atol=2e-4)
    assert np.isnan(form[~known]).all()


def test_form_of_a_constant_plate_is_the_plate():
    np.testing.assert_allclose(form_of(np.full((30, 40), 7.25, np.float32), 12.0), 7.25, atol=1e-6)


def test_form_of_an_unknown_plate_is_unknown():
    assert np.isnan(form_of(np.full((5, 6), np.nan, np.float32), 3.0)).all()


@pytest.mark.parametrize("surface", ["plane", "saddle", "cubic"])
def test_fill_restores_a_harmonic_surface_exactly(surface):
    # analytic: these solve Laplace's equation, on the five-point star too
    y, x = np.mgrid[:50, :70] - 25.0
    heights = {"plane": 2 * x - y + 3, "saddle": x * y / 20, "cubic": (x**3 - 3 * x * y**2) / 500}[surface]
    taken = (np.abs(y - 0.3 * x + 8) < 3) & (x > -15) & (x < 30)
    scratched = np.where(taken, heights - 40, heights)
    np.testing.assert_allclose(fill_across(scratched, taken), heights, atol=2e-4)


def test_fill_leaves_everything_else_as_it_is():
    rng = np.random.default_rng(2)
    height = rng.normal(0, 5, (60, 80)).astype(np.float32)
    taken = np.zeros(height.shape, bool)
    taken[20:24, 10:70] = True
    filled = fill_across(height, taken)
    np.testing.assert_array_equal(filled[~taken], height[~taken])
    assert filled[taken].std() < height[taken].std()


def test_fill_reaches_over_the_edge_of_the_field_and_past_unknown_pixels():
    height = np.full((20, 30), 4.0, np.float32)
    height[8:12, :] = -10
    height[9, 14] = np.nan
    taken = np.zeros(height.shape, bool)
    taken[8:12, :] = True
    filled = fill_across(height, taken)
    assert np.isnan(filled[9, 14])
    filled[9, 14] = 4
    np.testing.assert_allclose(filled, 4, atol=1e-5)


def test_fill_with_nothing_beside_leaves_the_piece():
    height = np.full((10, 10), np.nan, np.float32)
    height[4:6, 4:6] = [[1, 2], [3, 4]]
    taken = np.zeros(height.shape, bool)
    taken[4:6, 4:6] = True
    np.testing.assert_array_equal(fill_across(height, taken), height)


def test_nothing_taken_nothing_filled():
    height = np.random.default_rng(3).normal(0, 1, (8, 9)).astype(np.float32)
    np.testing.assert_array_equal(fill_across(height, np.zeros(height.shape, bool)), height)
