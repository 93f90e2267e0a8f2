import io

import imageio.v3 as iio
import numpy as np
import pytest
from finished import mark

from lightdome.publish import class_map, flag_map, pictures
from lightdome.publish.records import Sheet
from lightdome.publish.scale import legend_span, length_words, number, scale_bar_mm, with_uncertainty
from lightdome.surface.region import FLAGS

SURROUND = 0xDE


def look(png):
    return iio.imread(io.BytesIO(png))[..., :3].astype(int)


def longest_black_run(line):
    """Length of the longest run of black pixels in a row of the picture."""
    edges = np.diff(np.concatenate([[0], (line.max(axis=1) < 8).astype(int), [0]]))
    runs = np.flatnonzero(edges < 0) - np.flatnonzero(edges > 0)
    return runs.max(initial=0)


@pytest.mark.parametrize(
    ("shape", "width_mm"), [((60, 80), 4.0), ((90, 50), 0.31), ((700, 1200), 240.0), ((40, 333), 77.0)]
)
def test_the_scale_bar_is_as_long_as_it_says(shape, width_mm):
    png = pictures.draw_map(np.ones(shape), "um", "gray", "from-zero", Sheet("Height", "TP-017", width_mm))
    picture = look(png)
    map_width_px = round(shape[1] * pictures.enlargement(shape))
    strip = picture[-pictures.BOTTOM_PX + 10 :, : picture.shape[1] // 3]
    drawn_px = max(longest_black_run(line) for line in strip)
    stated_px = scale_bar_mm(width_mm) / width_mm * map_width_px
    assert drawn_px == pytest.approx(stated_px, abs=1)


def test_the_map_is_as_wide_as_the_scale_takes_it_to_be():
    for shape in ((60, 80), (700, 1200)):
        light = pictures.draw_light(np.ones(shape), 1.0, 0.0, 20.0, Sheet("Light", "TP-017", 10.0))
        middle = look(light)[pictures.TOP_PX + 20]
        white = (middle.min(axis=1) > 250).sum()
        assert white == round(shape[1] * pictures.enlargement(shape))


def test_scale_bars_are_round_lengths():
    assert [scale_bar_mm(width) for width in (4, 16, 100, 240, 0.31)] == [1, 2, 20, 50, pytest.approx(0.05)]
    assert [length_words(length) for length in (20, 1, 0.05)] == ["20 mm", "1 mm", "50 µm"]


def test_unknown_pixels_are_told_from_known_ones():
    values = np.full((60, 80), 5.0)
    whole = look(pictures.draw_map(values, "um", "viridis", "low-high", Sheet("Height", "TP-017", 4.0)))
    values[20:40, 20:60] = np.nan
    partly = look(pictures.draw_map(values, "um", "viridis", "low-high", Sheet("Height", "TP-017", 4.0)))
    centre = partly[pictures.TOP_PX + 400 : pictures.TOP_PX + 460, 500:700]
    # grey with a hatching: no colour, and not all alike
    assert np.ptp(centre, axis=2).max() <= 6
    assert centre.std() > 5
    assert np.ptp(whole[pictures.TOP_PX + 400 : pictures.TOP_PX + 460, 500:700], axis=2).min() > 30


def test_nothing_known_still_gives_a_picture_and_a_legend():
    png = pictures.draw_map(np.full((30, 40), np.nan), "um", "viridis", "about-zero", Sheet("Height", "TP-017", 2.0))
    assert look(png).shape[1] > 1000


def test_a_legend_spans_the_values_and_not_a_few_wild_pixels():
    values = np.linspace(-1, 1, 10_001)
    values[:3] = 1e6
    low, high = legend_span(values, "low-high")
    # numpy.percentile of the plain values
    assert (low, high) == pytest.approx((-0.99, 0.99), abs=0.01)
    assert legend_span(np.array([-3.0, 1.0]), "about-zero")[0] == -legend_span(np.array([-3.0, 1.0]), "about-zero")[1]
    assert legend_span(np.zeros(5), "from-zero")[0] == 0
    assert legend_span(np.zeros(5), "about-zero")[1] > 0
    assert legend_span(np.full(5, 7.0), "low-high")[1] > 7 > legend_span(np.full(5, 7.0), "low-high")[0]


def test_light_is_encoded_as_srgb():
    # IEC 61966-2-1: linear 0.2140 is code value 0.5, linear 0.0031308 is the end of the straight part
    np.testing.assert_allclose(
        pictures.encode(np.array([0.0, 0.0031308, 0.2140, 1.0, 2.0]), 1.0), [0, 0.04045, 0.5, 1, 1], atol=2e-4
    )


def test_a_lamp_on_the_left_is_drawn_on_the_left_of_its_sign():
    light = np.ones((600, 800))
    left, right = (look(pictures.draw_light(light, 1.0, turn, 20.0, Sheet("", "", 8.0))) for turn in (180, 0))
    box = np.s_[-112:-8, -124:-20]
    white_left, white_right = ((picture[box].min(axis=2) > 250).nonzero()[1].mean() for picture in (left, right))
    assert white_left < 45
    assert white_right > 60


def test_classes_differ_in_pattern_and_not_in_colour_alone():
    drawn = [class_map.patterned(code, (24, 24)) for code in range(1, 7)]
    without_colour = [np.all(picture == 1.0, axis=2) for picture in drawn]
    lined = [code for code, pattern in enumerate(without_colour, 1) if 0.1 < pattern.mean() < 0.6]
    assert lined == [2, 3, 4, 5]
    for one in lined:
        for other in lined:
            assert one == other or (without_colour[one - 1] != without_colour[other - 1]).any()
    # etched and pit are both plain, and differ in lightness instead (relative luminance, WCAG 2.2)
    luminance = [picture.mean(axis=(0, 1)) ** 2.2 @ [0.2126, 0.7152, 0.0722] for picture in (drawn[0], drawn[5])]
    assert (luminance[0] + 0.05) / (luminance[1] + 0.05) > 3


def test_flags_differ_in_pattern_and_the_gravest_is_shown():
    flags = np.array([[0, 1, 8, 9, 12, 16, 40, 63]], np.uint8)
    assert flag_map.gravest(flags).tolist() == [[0, 1, 8, 1, 4, 16, 32, 16]]
    assert set(flag_map.LOOKS) == set(FLAGS)
    looks = list(flag_map.LOOKS.values())
    assert len({pattern for pattern, _ in looks}) == len(looks) - 1  # two are plain: black and light blue
    assert len({colour for _, colour in looks}) == len(looks)
    field = np.zeros((60, 80), np.uint8)
    field[:, 40:] = 4
    picture = look(flag_map.draw_flags(field, Sheet("Flags", "TP-017", 4.0)))
    middle = picture[pictures.TOP_PX + 100]
    assert (middle[200:500] == 255).all()
    assert (np.abs(middle[800:1100].astype(int) - [213, 94, 0]).max(axis=1) < 3).mean() > 0.5
    assert "light that the model does not explain 50.0 %" in flag_map.alt_text(field, "TP-017")
    assert flag_map.alt_text(0 * field, "TP-017").endswith("none.")


def test_a_class_map_shows_the_mark_where_it_lies():
    classes = np.zeros((60, 80), np.uint8)
    sheet = Sheet("What made each mark", "TP-017", 4.0)
    empty = look(class_map.draw_classes(classes, None, [], sheet))
    lines = look(class_map.draw_classes(classes, None, [mark(5)], sheet))
    changed = (np.abs(empty - lines).max(axis=2) > 20)[pictures.TOP_PX : -class_map.BOTTOM_PX]
    row, col = np.nonzero(changed)
    zoom = pictures.enlargement((60, 80))
    # the line runs over x = -1.5 ... 1.5 mm at y = 0.1 ... 0.2 mm on a field of 4 x 3 mm
    assert (col.min() - pictures.MARGIN_PX) / zoom * 0.05 - 2 == pytest.approx(-1.5, abs=0.06)
    assert (col.max() - pictures.MARGIN_PX) / zoom * 0.05 - 2 == pytest.approx(1.5, abs=0.06)
    assert 1.5 - np.median(row) / zoom * 0.05 == pytest.approx(0.15, abs=0.1)


def test_later_marks_are_named_before_the_pictures_own_lines():
    marks = [mark(1, "etched", length_mm=90.0), mark(2, "scratch", length_mm=1.0), mark(3, "tooled", length_mm=5.0)]
    assert [one["properties"]["id"] for one in class_map.numbered(marks)] == ["m0003", "m0002", "m0001"]


def test_numbers_carry_their_expanded_uncertainty_to_two_figures():
    # U = 2 u to two figures and the value to the same place (JCGM 100, 7.2.6)
    assert with_uncertainty(18.25, 0.61) == "18.2 ± 1.2"
    assert with_uncertainty(120.0, 5.0) == "120 ± 10"
    assert with_uncertainty(0.01234, 0.00021) == "0.01234 ± 0.00042"
    assert with_uncertainty(3.14159, None) == "3.14 (U unknown)"
    assert with_uncertainty(None, 1.0) == "–"
    assert number(-0.001, 1) == "0.0"
    assert number(-2.5, 1) == "−2.5"
