from itertools import pairwise

import numpy as np
import pytest

from lightdome.marks.centre import centred
from lightdome.marks.crossings import dense
from lightdome.marks.events import events
from lightdome.marks.joins import rejoin_corners, split_at_corners
from lightdome.marks.records import Trace
from lightdome.marks.traces import smooth_line


def path(*corners):
    """Pixels along a polyline, row and column."""
    found = [np.array(corners[0], float)]
    for start, end in pairwise(corners):
        count = int(max(abs(np.array(end) - start)))
        found += [start + (np.array(end) - start) * step / count for step in range(1, count + 1)]
    return np.rint(np.array(found))


def test_a_path_is_cut_at_its_corner_and_a_circle_is_not():
    pieces = split_at_corners(path((20, 10), (20, 60), (70, 80)))
    assert len(pieces) == 2
    assert abs(len(pieces[0]) - 50) <= 3
    theta = np.linspace(0, 2 * np.pi, 130)
    circle = np.stack([50 + 15 * np.sin(theta), 50 + 15 * np.cos(theta)], axis=1)
    assert len(split_at_corners(circle)) == 1
    assert len(split_at_corners(path((20, 10), (20, 100)))) == 1


def test_pieces_that_meet_in_a_corner_are_one_line_unless_they_are_of_another_kind():
    one, other = path((20, 10), (20, 60)), path((22, 61), (70, 80))
    assert len(rejoin_corners([one, other], [1, 1])) == 1
    assert len(rejoin_corners([one, other], [1, 0])) == 2
    third = path((18, 61), (5, 90))
    assert len(rejoin_corners([one, other, third], [1, 1, 1])) == 3


@pytest.mark.parametrize("degrees", [0, 20, 45])
def test_a_centre_line_lies_within_a_tenth_of_a_pixel(degrees):
    # analytic: a straight V groove of 9 pixels, crossed by another
    angle = np.radians(degrees)
    row, col = np.mgrid[:160, :160] - 79.5
    away = row * np.cos(angle) + col * np.sin(angle) - 0.3
    height = -10 * np.clip(1 - np.abs(away) / 4.5, 0, 1)
    height = np.minimum(height, -6 * np.clip(1 - np.abs(row * np.sin(angle) - col * np.cos(angle)) / 3, 0, 1))
    height += np.random.default_rng(degrees).normal(0, 0.05, height.shape)
    along = np.linspace(-55, 55, 110)
    points = np.rint(np.stack([-along * np.sin(angle) + 80.5, along * np.cos(angle) + 79.5], axis=1))
    found = dense(centred(Trace(smooth_line(points), 4.5, "valley"), height).points_px) - 79.5
    off = found[:, 0] * np.cos(angle) + found[:, 1] * np.sin(angle) - 0.3
    assert np.sqrt((off**2).mean()) < 0.1


def test_lines_that_run_beside_each_other_in_a_chain_are_one_event():
    beside = {0: {1}, 1: {0, 2}, 2: {1}, 5: {6}, 6: {5}, 9: set()}
    assert events(beside) == {0: 1, 1: 1, 2: 1}  # two alone may be chance
    assert events({}) == {}
    assert events({3: {7}}) == {}  # a neighbour that is no scratch
