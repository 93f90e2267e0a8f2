from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.detect import Settings, find
from lightdome.marks.field import field_of
from lightdome.marks.lines import halo_px, line_widths_px, rises

PITCH_MM = 0.05


def found_on(height, u_um=0.3, tile_px=512, threshold=5.0, shortest_mm=0.5):
    field = field_of(height.astype(np.float32), np.full(height.shape, u_um, np.float32), 8 / PITCH_MM)
    return find(field, Settings.of(PITCH_MM, 500.0, threshold, 1500.0, shortest_mm), tile_px=tile_px)


def rolled_metal(seed, shape=(300, 400)):
    """Streaks along x, 0.3 um high, and white noise."""
    rng = np.random.default_rng(seed)
    streaks = gaussian_filter(rng.normal(0, 1, shape), (0.7, 8), mode="wrap")
    return 0.3 * streaks / streaks.std() + rng.normal(0, 0.1, shape)


def test_widths_reach_from_two_pixels_to_the_widest_line():
    widths = line_widths_px(0.05, 500.0)
    assert widths[0] == 2.0
    assert widths[-1] == pytest.approx(10.0)
    assert all(b / a <= 2.0 + 1e-9 for a, b in pairwise(widths))


def test_a_groove_answers_with_most_of_its_depth_and_a_wall_does_not_answer():
    _, col = np.mgrid[:120, :120]
    groove = np.where(np.abs(col - 60) < 4, -10.0, 0.0).astype(np.float32)
    step = np.where(col > 60, -10.0, 0.0).astype(np.float32)
    keep = halo_px([8.0])
    answer = np.max([valley for valley, _ in rises(groove, 8.0, keep)], axis=0)
    assert answer.max() == pytest.approx(8.5, abs=1.5)
    assert np.max([valley for valley, _ in rises(step, 8.0, keep)]) < 0.5


def test_direction_of_a_groove_is_found_counter_clockwise_from_x(away):
    for degrees in (0, 45, 105):
        keep = halo_px([4.0])
        height = -np.clip(3 - away((150, 150), (75, 75), degrees), 0, None).astype(np.float32)
        at_centre = [valley[75 - keep, 75 - keep] for valley, _ in rises(height, 4.0, keep)]
        off = abs(np.argmax(at_centre) * 15 - degrees)
        assert min(off, 180 - off) <= 15


@pytest.mark.parametrize("seed", [1, 2])
def test_rolled_metal_holds_few_false_lines(seed):
    # the threshold of 5 was chosen here: at 4 there are fifteen lines on such a plate, at 5 one or none
    lines = found_on(rolled_metal(seed)).traces
    assert sum(line.length_px for line in lines) * PITCH_MM < 0.01 * 15 * 20  # mm per mm2 of plate


@pytest.mark.parametrize("seed", [1, 2])
def test_white_noise_holds_no_line(seed):
    noise = np.random.default_rng(seed).normal(0, 1.0, (300, 400))
    assert len(found_on(noise, u_um=0.0).traces) == 0


def test_height_uncertainty_hides_what_it_covers(away):
    height = -np.clip(3 - away((200, 260), (100, 130), 20), 0, None) + rolled_metal(4, (200, 260)) * 0.1
    assert any(line.length_px > 200 for line in found_on(height, u_um=0.1).traces)
    assert not found_on(height, u_um=5.0).traces


def test_pits_are_marked_as_pits_and_not_as_lines(examine):
    row, col = np.mgrid[:200, :200]
    height = rolled_metal(5, (200, 200))
    for radius, (r, c) in ((3, (50, 50)), (4, (120, 60)), (6, (100, 150))):
        height -= 15 * np.clip(1 - ((row - r) ** 2 + (col - c) ** 2) / radius**2, 0, None)
    marks = examine(height)
    assert [mark["properties"]["class"] for mark in marks.marks()] == ["pit"] * 3
    for pit in marks.of_class("pit"):
        assert pit["depth_um"] == pytest.approx(15.0, rel=0.2)


def test_an_etched_field_with_a_granular_floor_is_one_area_without_lines_along_its_wall():
    row, col = np.mgrid[:240, :300]
    rng = np.random.default_rng(6)
    inside = ((row - 120) / 60) ** 2 + ((col - 150) / 90) ** 2 < 1
    grains = gaussian_filter(rng.normal(0, 1, inside.shape), 1.5)
    height = rolled_metal(6, inside.shape) + np.where(inside, -25 + 2.5 * grains / grains.std(), 0)
    found = found_on(height)
    assert found.wide == 1
    assert ((found.labels == 1) != inside).sum() < 0.03 * inside.sum()
    wall = np.abs(np.sqrt(((row - 120) / 60) ** 2 + ((col - 150) / 90) ** 2) - 1) < 0.08
    on_wall = sum(wall[tuple(np.rint(line.points_px).astype(int).T)].all() for line in found.traces)
    assert on_wall == 0


@pytest.mark.parametrize("tile_px", [64, 150])
def test_tiles_leave_traces_and_areas_unchanged(tile_px, away):
    row, col = np.mgrid[:210, :330]
    height = rolled_metal(7, (210, 330)) - 8 * np.clip(1 - away((210, 330), (100, 160), 30) / 3, 0, None)
    height -= np.where((row - 60) ** 2 + (col - 250) ** 2 < 30**2, 20, 0)
    height[150:160, 40:60] = np.nan
    whole, tiled = found_on(height, tile_px=1000), found_on(height, tile_px=tile_px)
    assert len(whole.traces) == len(tiled.traces) > 0
    for one, other in zip(whole.traces, tiled.traces, strict=True):
        np.testing.assert_array_equal(one.points_px, other.points_px)
        assert one.width_px == other.width_px
    np.testing.assert_array_equal(whole.labels, tiled.labels)


def test_lines_are_not_made_of_the_edge_of_what_is_known():
    height = rolled_metal(8, (200, 260)) + 0.2 * np.arange(260)
    height[:, 130:] = np.nan
    found = found_on(height)
    assert not any((np.abs(line.points_px[:, 1] - 130) < 6).all() for line in found.traces)
