import numpy as np
import pytest

from lightdome.marks.detect import Settings, find
from lightdome.marks.field import field_of
from lightdome.marks.glints import glint_map, steps

PITCH_MM = 0.05
SHAPE = (240, 260)


def land(seed):
    return np.random.default_rng(seed).normal(0, 0.05, SHAPE).astype(np.float32)


def doubt(seed, raised=1.0, where=None):
    """Uncertainty of the tilt, degrees: noise of 3 %, times `raised` where a line is."""
    values = 0.02 * np.exp(0.03 * np.random.default_rng(seed).standard_normal(SHAPE))
    return np.where(where, raised * values, values).astype(np.float32) if where is not None else values


def found(height, u_tilt):
    from dataclasses import replace

    field = replace(field_of(height, np.full(SHAPE, 0.02, np.float32), 8.0 / PITCH_MM), u_tilt_deg=u_tilt)
    return find(field, Settings.of(PITCH_MM, 500.0, 6.0, 1500.0, 0.25)).traces


def straight():
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.abs((row - 40) - 0.6 * (col - 20)) < 0.6, (col > 20) & (col < 220)


@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_shows_no_line(seed):
    assert found(land(seed), doubt(seed)) == ()


def test_a_line_that_no_height_shows_is_found_in_its_whole_length():
    line, inside = straight()
    traces = found(land(1), doubt(1, 1.5, line & inside))
    assert len(traces) == 1
    assert traces[0].glint_share > 0.9
    assert traces[0].length_px == pytest.approx(200 * np.hypot(1, 0.6), rel=0.05)
    assert found(land(1), doubt(1)) == ()


def test_the_walls_of_a_wide_line_are_no_lines():
    row, _ = np.mgrid[: SHAPE[0], : SHAPE[1]]
    height = land(2) - 15 * np.clip((5 - np.abs(row - 120.0)) / 2, 0, 1)
    walls = (np.abs(np.abs(row - 120) - 4) < 1.5) & (np.abs(row - 120) > 1)
    traces = [trace for trace in found(height, doubt(2, 20.0, walls)) if trace.kind == "valley"]
    assert len(traces) == 1
    assert np.abs(traces[0].points_px[:, 0] - 120).max() < 1.5


def test_a_dip_is_no_step_and_a_wall_is():
    row, _ = np.mgrid[:60, :60]
    dip = -5.0 * (row == 30)
    assert not steps(dip, 4.0)[30].any()
    assert steps(np.where(row < 30, 0.0, -10.0), 4.0)[29:31].all()


def test_unknown_uncertainty_tells_nothing():
    assert not glint_map(np.full((20, 30), np.nan)).any()
    mixed = doubt(3)
    mixed[:, :40] = np.nan
    assert not glint_map(mixed)[:, :40].any()
