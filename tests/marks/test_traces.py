import numpy as np
import pytest
from skimage.draw import line as pixels_of_line

from lightdome.marks.lines import LineMaps
from lightdome.marks.traces import branches, join, smooth_line, traces


def drawn(shape, *segments):
    image = np.zeros(shape, bool)
    for r0, c0, r1, c1 in segments:
        image[pixels_of_line(r0, c0, r1, c1)] = True
    return image


def traced(image, below=None, gap_px=20.0, shortest_px=5.0):
    maps = LineMaps(np.where(image, 10.0, 0.0).astype(np.float32), np.zeros(image.shape, np.uint8))
    below = np.zeros(image.shape, bool) if below is None else below
    return traces(maps, below, (2.0,), "valley", (6.0, gap_px, shortest_px))


def test_two_lines_that_cross_are_two_traces():
    found = traced(drawn((120, 160), (10, 10, 110, 150), (100, 20, 20, 140)))
    assert len(found) == 2
    lengths = sorted(trace.length_px for trace in found)
    assert lengths[1] == pytest.approx(np.hypot(100, 140), rel=0.02)
    assert lengths[0] == pytest.approx(np.hypot(80, 120), rel=0.02)


def test_a_gap_in_a_straight_line_is_bridged_and_a_corner_is_not():
    straight = traced(drawn((60, 200), (30, 10, 30, 80), (30, 95, 30, 180)))
    assert [trace.length_px for trace in straight] == [pytest.approx(170, abs=1.5)]
    bent = traced(drawn((120, 200), (30, 10, 30, 80), (45, 84, 110, 84)))
    assert len(bent) == 2


def test_a_line_runs_on_behind_a_mark_that_hides_it():
    image = drawn((60, 120), (30, 10, 30, 40), (30, 58, 30, 80))
    hiding = np.zeros(image.shape, bool)
    hiding[:, 43:56] = True
    assert len(traced(image)) == 2
    assert len(traced(image, below=hiding)) == 1


def test_dashes_farther_apart_than_half_their_length_stay_dashes():
    dashes = [(30, 10 + 30 * k, 30, 26 + 30 * k) for k in range(5)]
    assert len(traced(drawn((60, 180), *dashes))) == 5


@pytest.mark.parametrize("degrees", [0, 10, 22.5, 30, 45, 77])
def test_length_of_a_slanted_line_is_right_within_2_percent(degrees):
    # analytic: the drawn length; the pixel staircase alone would be up to 8 % too long
    way = 150 * np.array([-np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])
    start = np.array([180, 20])
    end = np.rint(start + way).astype(int)
    (found,) = traced(drawn((200, 200), (*start, *end)))
    assert found.length_px == pytest.approx(np.linalg.norm(end - start), rel=0.02)


def test_length_of_a_circle_is_right_within_3_percent():
    row, col = np.mgrid[:120, :120]
    ring = np.abs(np.hypot(row - 60, col - 60) - 40) < 0.8
    (found,) = traced(ring)
    assert found.length_px == pytest.approx(2 * np.pi * 40, rel=0.03)


def test_every_pixel_of_a_skeleton_away_from_junctions_is_in_one_branch():
    image = drawn((80, 80), (5, 5, 70, 70), (5, 70, 70, 5))
    found = branches(image)
    pixels = {tuple(point) for branch in found for point in branch.astype(int)}
    assert sum(len(branch) for branch in found) == len(pixels)
    assert len(pixels) > 0.9 * image.sum()


def test_ends_of_a_smoothed_line_stay():
    points = np.array([[0, 0], [0, 1], [1, 2], [1, 3], [2, 4], [2, 5], [3, 6]], float)
    smooth = smooth_line(points)
    np.testing.assert_allclose(smooth[[0, -1]], points[[0, -1]], atol=0.01)


def test_no_crest_is_no_trace():
    assert traced(np.zeros((30, 30), bool)) == []
    assert join([], 10.0, np.zeros((3, 3), bool), lambda at: at[:, 0]) == []
