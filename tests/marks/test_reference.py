import numpy as np
import pytest

from lightdome.marks.reference import at_pixels, block_means, reference_surface, upper_scale


def test_reference_stays_on_the_land_where_two_thirds_of_a_plate_are_etched():
    rng = np.random.default_rng(1)
    height = rng.normal(0, 0.4, (60, 90))
    height[:, :60] -= 30
    reference = reference_surface(height, cutoff_blocks=24)
    assert np.abs(reference).max() < 3.0


def test_reference_follows_a_bent_plate():
    y, x = np.mgrid[-1:1:60j, -1:1:90j]
    bent = 40 * x**2 - 15 * x * y + 8 * y + 100
    height = bent + np.random.default_rng(2).normal(0, 0.2, bent.shape)
    height[20:40, 30:50] -= 25
    assert np.abs(reference_surface(height, 24) - bent).max() < 1.0


def test_reference_of_an_unknown_field_is_flat():
    assert not reference_surface(np.full((4, 5), np.nan), 24).any()


def test_upper_scale_is_the_standard_deviation_of_normal_heights():
    # numpy's own normal values are the truth
    assert upper_scale(np.random.default_rng(3).normal(0, 2.0, 200_000)) == pytest.approx(2.0, rel=0.02)


def test_block_means_leave_unknown_pixels_out():
    values = np.arange(35, dtype=np.float32).reshape(5, 7)
    values[0, 0] = np.nan
    values[:2, 3:6] = np.nan
    found = block_means(values, 3)
    assert found.shape == (2, 3)
    for row in range(2):
        for col in range(3):
            block = values[3 * row : 3 * row + 3, 3 * col : 3 * col + 3]
            assert found[row, col] == pytest.approx(np.nanmean(block))


def test_a_plane_on_blocks_is_the_plane_at_the_pixels():
    row, col = np.mgrid[:40, :48]
    plane = 0.5 * row - 0.25 * col
    found = at_pixels(block_means(plane, 8), 8, np.arange(10, 30), np.arange(12, 36))
    np.testing.assert_allclose(found, plane[10:30, 12:36], atol=1e-5)
