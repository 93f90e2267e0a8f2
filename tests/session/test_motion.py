"""Shifts of a plate whose shading changes with every lamp; see `grooved_plate.py`."""

from functools import cache

import numpy as np
import pytest
from grooved_plate import LAMPS, SIZE, lamps, photograph, plate, some_moved

from lightdome.raster import Window
from lightdome.session.edges import edge_spectra, middles_px, patch_windows
from lightdome.session.motion import measure_motion, stand_together


def measured(shifts_px, gloss):
    return measured_of(tuple(map(tuple, shifts_px)), gloss)


@cache
def measured_of(shifts_px, gloss, lamps_known=False):
    windows = patch_windows(Window(0, SIZE, 0, SIZE))
    weight = np.ones((len(windows), *windows[0].shape), np.float32)
    spectra = []
    for index, (shift, toward) in enumerate(zip(shifts_px, lamps(), strict=True)):
        image = photograph(plate(shift), toward, gloss, index)
        spectra.append(edge_spectra(np.stack([image[window.slices] for window in windows]), weight))
    middles = middles_px(windows, (SIZE, SIZE)) if lamps_known else None
    return measure_motion(np.stack(spectra), windows[0].shape[0], middles, lamps() if lamps_known else None)


def test_subpixel_shifts_are_found_within_a_tenth_of_a_pixel_though_the_lamps_differ():
    shifts = some_moved()
    motion = measured(shifts, gloss=0)
    assert motion.reliable.all()
    assert np.abs(motion.shift_px - shifts).max() < 0.1


@pytest.mark.parametrize("gloss", [0, 0.9])
def test_with_known_lamps_shifts_are_found_within_a_twentieth_of_a_pixel(gloss):
    shifts = some_moved()
    motion = measured_of(tuple(map(tuple, shifts)), gloss, lamps_known=True)
    error = motion.measured_px - shifts
    assert motion.reliable.all()
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert np.abs(error.mean(axis=0)).max() < 0.03
    assert (motion.turn == 0).all()


def test_a_bump_of_35_pixels_is_found_within_a_fifth_of_a_pixel():
    shifts = np.zeros((LAMPS, 2))
    shifts[-1] = (31, -17)
    motion = measured(shifts, gloss=0)
    assert np.abs(motion.shift_px - shifts).max() < 0.2


def test_a_slow_drift_is_found_within_a_tenth_of_a_pixel():
    shifts = np.outer(np.arange(LAMPS) - (LAMPS - 1) / 2, (0.5, -0.8))
    motion = measured(shifts, gloss=0)
    assert motion.reliable.all()
    assert np.abs(motion.measured_px - shifts).max() < 0.1


def test_shifts_of_a_glossy_plate_are_found_within_a_third_of_a_pixel():
    shifts = some_moved()
    motion = measured(shifts, gloss=0.9)
    assert np.abs(motion.shift_px - shifts)[motion.reliable].max() < 0.33
    assert np.sqrt(np.mean((motion.shift_px - shifts) ** 2)) < 0.12


@pytest.mark.parametrize("gloss", [0, 0.9])
def test_shading_alone_is_no_shift(gloss):
    motion = measured(np.zeros((LAMPS, 2)), gloss)
    assert (motion.shift_px == 0).all()
    assert motion.reliable.all()


def test_the_uncertainty_covers_the_error():
    shifts = some_moved()
    motion = measured(shifts, gloss=0.9)
    errors = np.hypot(*(motion.measured_px - shifts).T)
    # length of a two-dimensional normal error: 95 % within 2.45 standard deviations (Rayleigh distribution)
    assert (errors < 2.45 * motion.u_px).mean() >= 0.9


@pytest.mark.parametrize("turning", [False, True])
@pytest.mark.parametrize(("size", "seed"), [(72, 1), (72, 2), (72, 3), (320, 1), (320, 2), (700, 3)])
def test_pictures_with_nothing_in_common_are_left_alone(size, seed, turning):
    windows = patch_windows(Window(0, size, 0, size))
    weight = np.ones((len(windows), *windows[0].shape), np.float32)
    noise = np.random.default_rng(seed).normal(0.5, 0.05, (8, len(windows), *windows[0].shape))
    spectra = np.stack([edge_spectra(patches, weight) for patches in noise])
    motion = measure_motion(spectra, windows[0].shape[0], middles_px(windows, (size, size)) if turning else None)
    assert not motion.reliable.any()
    assert (motion.shift_px == 0).all()
    assert np.isnan(motion.u_px).all()


def test_an_even_picture_is_left_alone():
    windows = patch_windows(Window(0, SIZE, 0, SIZE))
    weight = np.ones((len(windows), *windows[0].shape), np.float32)
    even = np.stack([edge_spectra(np.full_like(weight, 0.5), weight)] * 5)
    motion = measure_motion(even, windows[0].shape[0])
    assert (motion.shift_px == 0).all()
    assert not motion.reliable.any()


def test_where_most_stand_is_the_first_half_of_a_plate_nudged_halfway():
    moved = np.zeros((12, 4, 2))
    moved[6:] = (4, 0)
    assert stand_together(moved, np.ones(12, bool)).tolist() == [True] * 6 + [False] * 6
    drifting = np.repeat(np.arange(12.0)[:, None, None], 4, axis=1) * np.ones(2)
    assert stand_together(drifting, np.ones(12, bool)).all()


@pytest.mark.parametrize(
    ("shape", "count"), [((4000, 6000), 9), ((320, 320), 4), ((72, 96), 2), ((30, 31), 1), ((5, 9), 2)]
)
def test_patches_lie_inside_the_picture(shape, count):
    windows = patch_windows(Window(0, shape[0], 0, shape[1]))
    assert len(windows) == count
    assert all(window.row1 <= shape[0] and window.col1 <= shape[1] for window in windows)
    assert len({window.shape for window in windows}) == 1


def test_patches_follow_the_plate():
    windows = patch_windows(Window(700, 990, 10, 300))
    assert all(window.row0 >= 700 and window.col1 <= 300 for window in windows)
