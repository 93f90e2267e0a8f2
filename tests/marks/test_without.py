from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.beside import beside
from lightdome.marks.lift import lift_of
from lightdome.marks.paint import painted
from lightdome.marks.without import CONTINUED, MEASURED, TAKEN_OFF, without
from lightdome.raster import Grid
from lightdome.synthetic import truth
from lightdome.synthetic.drawing import SCRATCH, Cut, Drawing, EtchedArea, EtchedLine
from lightdome.synthetic.plates import make_surface

SHAPE = (160, 220)
LINE = np.array([[40.0, 5.0], [110.0, 214.0]])


def made_height(drawing, grid, seed):
    return truth.height_um(make_surface(drawing, grid, 3, seed), (0, grid.shape[0]))[0]


def plate_with_and_without(pitch_mm=0.02):
    """A scratch over land, letters' strokes and a grained field; the same metal never scratched; mask and trace."""
    grid = Grid((200, 300), pitch_mm)
    strokes = tuple(EtchedLine(((x, -1.8), (x + 0.3, 1.8)), 110.0, 24.0) for x in (-2.2, -1.7, -1.2, -0.7))
    field = EtchedArea(((0.4, -1.7), (2.6, -1.7), (2.6, 1.7), (0.4, 1.7)), 13.0, grain_mm=0.045, tops=0.85)
    cut = Cut(((-2.8, 0.9), (2.8, -0.6)), 110.0, 13.0, SCRATCH, removed_fraction=0.1, taper=0.03, lean=0.2)
    scratched = Drawing(etched=(*strokes, field), cuts=(cut,))
    height, true = (made_height(drawing, grid, 5) for drawing in (scratched, replace(scratched, cuts=())))
    x, y = np.array(cut.points_mm).T
    trace = np.stack(grid.to_pixel(x, y), axis=1)
    reach_px = 110e-3 * (1 + 2 * max(cut.ridges_um) / 13.0) / pitch_mm
    return height, true, painted(grid.shape, [(trace, reach_px + 2)]), trace


def rms(values):
    return float(np.sqrt(np.mean(np.square(values, dtype=float))))


def test_a_plate_without_its_scratch_is_the_plate_never_scratched_within_a_micrometre():
    # the same seed gives the same metal without the scratch (lightdome.synthetic, which knows no fill)
    height, true, mask, trace = plate_with_and_without()
    found, how = without(height, mask, [trace], 0.3)
    assert rms(found - true) < 1.0
    assert rms((found - true)[mask]) < 1.5
    # the mask alone, without a trace, must do without the section: this is what the section is worth
    plain, _ = without(height, mask, [], 0.3)
    assert rms((found - true)[mask]) < 0.5 * rms((plain - true)[mask])
    assert set(np.unique(how[mask])) <= {MEASURED, TAKEN_OFF, CONTINUED}
    np.testing.assert_array_equal(how[~mask], MEASURED)
    np.testing.assert_array_equal(found[~mask], height[~mask])


def test_the_section_taken_off_is_the_v_with_its_ridges(v_with_ridges, away):
    angle = np.degrees(np.arctan2(-70, 209))
    off = away(SHAPE, tuple(LINE[0]), angle)
    height = 3 + v_with_ridges(off, 9, 15.0, 0.1)
    lift = lift_of(height.astype(np.float32), LINE, 13.0)
    offsets = np.linspace(-12, 12, 97)
    expected = v_with_ridges(np.abs(offsets), 9, 15.0, 0.1)
    # between pixels heights are read by straight lines: at the V's tip and the ridges' tops a sampled curve is cut off
    np.testing.assert_allclose(lift.at(np.full(97, 100.0), offsets), expected, atol=1.6)
    assert np.mean(np.abs(lift.at(np.full(97, 100.0), offsets) - expected)) < 0.4
    assert lift.groove_px == pytest.approx((-4.5, 4.5), abs=1.1)


def test_walls_that_the_scratch_crosses_do_not_count_for_its_section(v_with_ridges, away):
    off = away(SHAPE, tuple(LINE[0]), np.degrees(np.arctan2(-70, 209)))
    scratch = v_with_ridges(off, 9, 15.0, 0.1)
    col = np.indices(SHAPE)[1]
    walls = np.where(col % 40 < 8, -20.0, 0.0)
    clean, crossed = (lift_of(height.astype(np.float32), LINE, 13.0) for height in (scratch, scratch + walls))
    at = np.full(97, 100.0), np.linspace(-12, 12, 97)
    np.testing.assert_allclose(crossed.at(*at), clean.at(*at), atol=0.8)


def test_a_wall_goes_on_under_the_groove_where_a_smooth_fill_smears_it():
    row, col = np.indices(SHAPE)
    wall = gaussian_filter(np.where(col - 0.5 * row < 60, 0.0, -20.0), 0.8).astype(np.float32)
    mask = np.abs(row - 80) < 6
    found, how = without(np.where(mask, wall - 30, wall).astype(np.float32), mask, [], 0.1)
    assert rms((found - wall)[mask]) < 0.8
    assert (how[mask] == CONTINUED).all()


def test_a_plane_is_continued_exactly():
    row, col = np.indices(SHAPE)
    plane = (0.3 * row - 0.1 * col).astype(np.float32)
    mask = (np.abs(row - 80) < 5) & (col > 20) & (col < 200)
    found, _ = without(np.where(mask, plane - 9, plane).astype(np.float32), mask, [], 0.1)
    np.testing.assert_allclose(found, plane, atol=0.05)


def test_unknown_stays_unknown_and_a_piece_with_nothing_beside_stays_as_measured():
    height = np.full((20, 30), 4.0, np.float32)
    height[8:12, :] = -10
    height[9, 14] = np.nan
    mask = np.zeros(height.shape, bool)
    mask[8:12, :] = True
    found, how = without(height, mask, [], 0.1)
    assert np.isnan(found[9, 14])
    assert how[9, 14] == MEASURED
    found[9, 14] = 4
    np.testing.assert_allclose(found, 4, atol=0.02)
    island = np.full((10, 10), np.nan, np.float32)
    island[4:6, 4:6] = [[1, 2], [3, 4]]
    same, how = without(island, np.isfinite(island), [np.array([[4.0, 4.0], [5.0, 5.0]])], 0.1)
    np.testing.assert_array_equal(same, island)
    assert not how.any()


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (8, 8)])
def test_small_fields_and_empty_masks_do_no_harm(shape):
    height = np.random.default_rng(1).normal(0, 1, shape).astype(np.float32)
    for mask in (np.zeros(shape, bool), np.ones(shape, bool)):
        found, _ = without(height, mask, [np.array([[0.0, 0.0], [1.0, 1.0]])], 0.1)
        assert np.isfinite(found).all()
        np.testing.assert_array_equal(found[~mask], height[~mask])


def test_pixels_are_told_their_trace_the_way_along_it_and_the_side():
    mask = np.ones((30, 40), bool)
    near = beside(mask, [np.array([[10.0, 2.0], [10.0, 37.0]]), np.array([[2.0, 20.0], [28.0, 20.0]])], [4.0, 3.0])
    at = {int(pixel): place for place, pixel in enumerate(near.pixels)}
    one = at[13 * 40 + 30]  # three rows below the first trace, which runs to the right
    assert (near.trace[0, one], near.trace[1, one]) == (0, -1)
    assert (near.along_px[0, one], near.offset_px[0, one]) == (28.0, -3.0)
    both = at[11 * 40 + 20]
    assert set(near.trace[:, both]) == {0, 1}
    assert near.trace[0, both] == 1  # on its centre line
    assert near.trace[0, at[25 * 40 + 2]] == -1
