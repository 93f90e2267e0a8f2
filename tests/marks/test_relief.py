import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.reference import CUTOFF_TO_SIGMA
from lightdome.marks.relief import form_of


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
