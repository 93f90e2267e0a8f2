"""From sensor numbers to linear light."""

import numpy as np
import pytest
from skimage.color import rgb2xyz, xyz2rgb

from lightdome.frames.linear import Background, lit_light, response_table
from lightdome.session.response import srgb_to_linear


def test_srgb_is_decoded_as_the_standard_says():
    # IEC 61966-2-1:1999, 5.2: linear part below 0.04045, the power 2.4 above; both meet within the standard's rounding
    assert srgb_to_linear(0.0) == 0
    assert srgb_to_linear(1.0) == pytest.approx(1, abs=1e-12)
    assert srgb_to_linear(0.04045) == pytest.approx(0.0031308, abs=1e-7)
    assert srgb_to_linear(0.5) == pytest.approx(0.2140411, abs=1e-7)
    # 8-bit middle grey 119 is close to 18 % and 188 to 50 % of white (usual check values)
    assert srgb_to_linear(119 / 255) == pytest.approx(0.184, abs=1e-3)
    assert srgb_to_linear(188 / 255) == pytest.approx(0.5029, abs=1e-4)


def test_srgb_agrees_with_another_implementation_on_a_ramp():
    ramp = np.linspace(0, 1, 1001)
    grey = np.repeat(ramp[:, None], 3, axis=1)[None]
    # skimage gives XYZ of the decoded colour; Y of a grey is its linear light (white's Y is 1)
    assert np.abs(srgb_to_linear(ramp) - rgb2xyz(grey)[0, :, 1]).max() < 1e-6


def test_a_linear_ramp_comes_back_from_an_srgb_file_within_its_rounding():
    linear = np.linspace(0.001, 0.99, 500)
    white = np.array(rgb2xyz(np.ones((1, 1, 3))))[0, 0]
    encoded = xyz2rgb((linear[:, None] * white)[None])[0, :, 1]
    numbers = np.round(encoded * 255).astype(np.uint8)
    light = response_table(np.dtype(np.uint8), 0, 256, "srgb")[numbers] * srgb_to_linear(256 / 255)
    # half a step of 8 bits, through the slope of the curve at the top
    table = response_table(np.dtype(np.uint8), 0, 255, "srgb")[numbers]
    assert np.nanmax(np.abs(table - linear)) < 0.5 / 255 * 2.3
    assert np.isfinite(light).all()


def test_black_and_white_levels_frame_the_light():
    table = response_table(np.dtype(np.uint16), 512, 16383, "linear")
    assert table[512] == 0
    assert table[500] == pytest.approx(-12 / 15871, rel=1e-6)
    assert table[16382] == pytest.approx(15870 / 15871, rel=1e-6)
    assert np.isnan(table[16383:]).all()
    assert len(table) == 65536


def test_one_clipped_channel_makes_the_pixel_unknown():
    table = response_table(np.dtype(np.uint8), 0, 255, "linear")
    numbers = np.array([[[10, 20, 30], [10, 255, 30]]], np.uint8)
    light = lit_light(numbers, table, 0.0, 1.0, np.ones(3, np.float32))
    assert np.isfinite(light[0, 0]).all()
    assert np.isnan(light[0, 1]).all()


def test_clipping_is_decided_before_the_dark_level_is_taken_off():
    table = response_table(np.dtype(np.uint8), 0, 255, "linear")
    light = lit_light(np.array([[255, 254]], np.uint8), table, np.float32(0.1), 1.0, np.ones(1, np.float32))
    assert np.isnan(light[0, 0, 0])
    assert light[0, 1, 0] == pytest.approx(254 / 255 - 0.1, rel=1e-6)


def plane(value):
    return np.full((2, 2), value, np.float32)


EVERYTHING = slice(None)


def test_nothing_photographed_is_no_background():
    assert Background([], []).at(1.0, EVERYTHING) == 0


def test_the_ambient_photograph_holds_its_dark_level_already():
    both = Background([(None, plane(0.01))], [(None, plane(0.05))])
    # I - ambient, not I - dark - ambient
    assert both.at(None, EVERYTHING)[0, 0] == pytest.approx(0.05)
    assert Background([(None, plane(0.01))], []).at(None, EVERYTHING)[0, 0] == pytest.approx(0.01)
    assert Background([], [(None, plane(0.05))]).at(None, EVERYTHING)[0, 0] == pytest.approx(0.05)


def test_ambient_light_grows_with_the_exposure_and_the_dark_level_is_that_of_the_exposure():
    background = Background([(1.0, plane(0.01)), (4.0, plane(0.02))], [(1.0, plane(0.05))])
    # dark of 4 s + (ambient - dark of 1 s) x 4
    assert background.at(4.0, EVERYTHING)[0, 0] == pytest.approx(0.02 + 0.04 * 4)
    assert background.at(1.0, EVERYTHING)[0, 0] == pytest.approx(0.05)
