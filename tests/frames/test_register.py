"""A moved picture is moved back. The picture is a formula, so the truth is evaluated where it stood before."""

import numpy as np
import pytest
from scipy import ndimage

from lightdome.frames.register import LOBES, halo_px, lanczos_weights, moved_back


def waves(down, right, shape=(80, 90)):
    """A band-limited picture (finest wave 4 pixels long), moved down and right."""
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(float)
    y, x = rows - down, cols - right
    picture = 2 + np.sin(2 * np.pi * (0.21 * x + 0.05 * y)) + 0.5 * np.cos(2 * np.pi * (0.03 * x - 0.25 * y) + 1)
    return picture.astype(np.float32)


def back(picture, shift):
    return moved_back(picture, shift, 0, len(picture))


@pytest.mark.parametrize("shift", [(3, -2), (-7, 0), (0, 5)])
def test_whole_pixels_are_copied(shift):
    result = back(waves(*shift), shift)
    known = np.isfinite(result)
    assert np.array_equal(result[known], waves(0, 0)[known])
    assert known.sum() == (80 - abs(shift[0])) * (90 - abs(shift[1]))


@pytest.mark.parametrize("shift", [(0.5, -0.5), (2.25, 3.7), (-1.4, 0.0), (0.0, 0.08)])
def test_parts_of_a_pixel_are_interpolated_within_one_percent(shift):
    result = back(waves(*shift), shift)
    inner = (slice(12, -12), slice(12, -12))
    assert np.abs(result[inner] - waves(0, 0)[inner]).max() < 0.01 * 1.5
    # not worse than the cubic spline of scipy on the same picture
    spline = ndimage.shift(waves(*shift).astype(float), [-part for part in shift], order=3)
    worst = np.abs(spline[inner] - waves(0, 0)[inner]).max()
    assert np.abs(result[inner] - waves(0, 0)[inner]).max() < 1.3 * worst


def test_an_even_picture_stays_even():
    assert np.nanmax(np.abs(back(np.full((30, 30), 0.25, np.float32), (0.3, 0.7)) - 0.25)) < 1e-7


def test_weights_add_up_and_pass_through_samples():
    for part in (0.1, 0.5, 0.9):
        assert lanczos_weights(part).sum() == pytest.approx(1, abs=1e-12)
    assert np.abs(lanczos_weights(1e-9) - [0, 0, 0, 1, 0, 0, 0, 0]).max() < 1e-6
    assert lanczos_weights(0.5) == pytest.approx(lanczos_weights(0.5)[::-1])


def test_an_unknown_pixel_makes_only_its_surroundings_unknown():
    picture = waves(0, 0)
    picture[40, 40] = np.nan
    result = back(picture, (0.5, 0.5))
    unknown = np.argwhere(np.isnan(result[10:-10, 10:-10])) + 10
    assert unknown.min() >= 40 - LOBES
    assert unknown.max() <= 40 + LOBES
    assert len(unknown) == (2 * LOBES) ** 2


@pytest.mark.parametrize("shift", [(0.5, -0.25), (3.3, 1.0), (-4.0, 0.4)])
def test_bands_give_what_the_whole_picture_gives(shift):
    picture = waves(*shift)
    whole = back(picture, shift)
    halo = halo_px(shift[0])
    for row in range(0, 80, 16):
        first = max(0, row - halo)
        band = moved_back(picture[first : row + 16 + halo], shift, row - first, 16)
        assert np.array_equal(band, whole[row : row + 16], equal_nan=True)
