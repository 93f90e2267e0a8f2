import numpy as np
import pytest

from lightdome.surface.filters import smooth


@pytest.mark.parametrize(
    ("ratio", "kept"), [(1 / 3, 0.00195), (1 / 2, 0.0625), (1, 0.5), (2, 0.841), (3, 0.926), (5, 0.973), (10, 0.993)]
)
def test_gaussian_filter_keeps_the_tabled_share_of_a_wave(ratio, kept):
    # ISO 16610-61: transmission 2^-(cut-off / wavelength)^2, table of wavelength over cut-off
    cutoff_px = 24.0
    wave = np.broadcast_to(np.cos(2 * np.pi * np.arange(801) / (ratio * cutoff_px)), (3 * 24 + 1, 801))
    middle = smooth(wave.astype(np.float32), cutoff_px)[36, 300:501]
    assert np.dot(middle, wave[36, 300:501]) / np.dot(wave[36, 300:501], wave[36, 300:501]) == pytest.approx(
        kept, abs=0.0008
    )


def test_unknown_pixels_stay_unknown_and_do_not_pull():
    values = np.full((40, 50), 7.0, np.float32)
    values[10:20, 10:15] = np.nan
    found = smooth(values, 9)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(values))
    np.testing.assert_allclose(found[np.isfinite(found)], 7, rtol=1e-6)
