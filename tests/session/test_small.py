"""Small pictures, means and pixels at white of one pass over a photograph, against plain numpy."""

import numpy as np
import pytest

from lightdome.session.assess import DARKEST, darkest_numbers
from lightdome.session.correlation import kept_waves, surfaces
from lightdome.session.small import at_white, one_pass, share_of


@pytest.fixture
def rng():
    return np.random.default_rng(3)


@pytest.mark.parametrize("channels", [(), (3,)])
@pytest.mark.parametrize(("dtype", "white"), [(np.uint8, 255), (np.uint16, 65535), (np.uint16, 60000.5)])
@pytest.mark.parametrize("factor", [1, 4])
def test_one_pass_counts_what_numpy_counts(rng, dtype, white, channels, factor):
    most = np.iinfo(dtype).max
    image = rng.integers(0, most // 2, (27, 38, *channels), dtype)
    image[5:9, 7:30][rng.random((4, 23)) < 0.5] = most
    image[26, 37] = most  # in the rest at the edge
    means, mean, reach_white = one_pass(image, white, factor)
    rows, cols = 27 // factor, 38 // factor
    blocks = image[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor, -1)
    assert means == pytest.approx(blocks.mean(axis=(1, 3)), rel=1e-6)
    assert mean == pytest.approx(image.mean(), rel=1e-12)
    white_pixels = (image.reshape(27, 38, -1) >= white).any(axis=2)
    assert (reach_white == white_pixels.any(axis=1)).all()
    times = np.full((27, 38), 5, np.uint16)
    count, share = at_white(image, white, factor, reach_white, times)
    assert count == white_pixels.sum()
    assert (times == 5 + white_pixels).all()
    inside = white_pixels[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    assert share == pytest.approx(inside.mean(axis=(1, 3)))
    assert at_white(image, white, factor, reach_white, times[:0])[0] == count
    assert share_of(white_pixels, factor) == pytest.approx(inside.mean(axis=(1, 3)))


def test_the_darkest_numbers_are_the_quantile(rng):
    patches = rng.integers(0, 3000, (4, 2, 50, 50), np.uint16)
    on_plate = rng.random((2, 50, 50)) < 0.7
    expected = [np.quantile(one[on_plate], DARKEST) for one in patches]
    assert darkest_numbers(patches, on_plate) == pytest.approx(expected)


@pytest.mark.parametrize("side", [24, 25])
def test_a_surface_is_the_real_part_of_the_inverse_transform(rng, side):
    waves = np.flatnonzero(np.isin(np.fft.fftfreq(side), kept_waves(side)))
    cross = rng.normal(size=(2, len(waves), len(waves), 2)) @ np.array([1, 1j])
    whole = np.zeros((2, side, side), complex)
    whole[:, waves[:, None], waves] = cross
    found = surfaces(cross.astype(np.complex64), side)
    assert found == pytest.approx(np.fft.ifft2(whole).real, abs=1e-6)
