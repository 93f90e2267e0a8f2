"""Movement against what the other frames predict, on a plate of known formula (see `grooved_plate.py`)."""

from functools import cache

import numpy as np
import pytest
from grooved_plate import LAMPS, SIZE, lamps, photograph, plate, some_moved

from lightdome.raster import Window
from lightdome.session.alignment import aligned
from lightdome.session.edges import edge_spectra, middles_px, patch_windows
from lightdome.session.motion import measure_motion, moved_by

WINDOWS = patch_windows(Window(0, SIZE, 0, SIZE))
PLACES_PX = middles_px(WINDOWS, (SIZE, SIZE))
CORNERS_PX = np.array([(row, col) for row in (-0.5, 0.5) for col in (-0.5, 0.5)]) * SIZE


def both(patches, weight=None, lamps_known=False):
    """Motion by edges alone, and then against the prediction."""
    weight = np.ones((len(WINDOWS), *WINDOWS[0].shape), np.float32) if weight is None else weight
    spectra = np.stack([edge_spectra(frame, weight) for frame in patches])
    motion = measure_motion(spectra, WINDOWS[0].shape[0], PLACES_PX, lamps() if lamps_known else None)
    return motion, aligned(motion, lambda place: patches[:, place], weight, PLACES_PX, 1)


def patches_of(movements, gloss):
    """Patches (frames, patch, P, P) of the plate, moved by parameters (frames, 4)."""
    frames = []
    for index, (movement, toward) in enumerate(zip(movements, lamps(), strict=True)):
        image = photograph(plate(tuple(movement[:2]), tuple(movement[2:])), toward, gloss, index).astype(np.float32)
        frames.append([image[window.slices] for window in WINDOWS])
    return np.array(frames)


@cache
def of_some_moved(gloss, lamps_known=False):
    return both(patches_of(np.hstack([some_moved(), np.zeros((LAMPS, 2))]), gloss), lamps_known=lamps_known)


@pytest.mark.parametrize("lamps_known", [True, False])
@pytest.mark.parametrize("gloss", [0, 0.9])
def test_shifts_are_found_within_a_twentieth_of_a_pixel(gloss, lamps_known):
    _, motion = of_some_moved(gloss, lamps_known)
    error = motion.shift_px - some_moved()
    assert np.abs(error).max() < 0.05
    assert (motion.turn == 0).all()


def test_of_a_matt_plate_a_hundredth_of_a_pixel_is_left():
    edges, motion = of_some_moved(0)
    moved = some_moved().any(axis=1)
    left = np.sqrt(np.mean((motion.shift_px - some_moved())[moved] ** 2))
    assert left < 0.01
    assert left < 0.3 * np.sqrt(np.mean((edges.shift_px - some_moved())[moved] ** 2))


@pytest.mark.parametrize("gloss", [0, 0.9])
def test_the_uncertainty_covers_the_error(gloss):
    edges, motion = of_some_moved(gloss)
    moved = some_moved().any(axis=1)
    # length of a two-dimensional normal error: 95 % within 2.45 standard deviations (Rayleigh distribution)
    assert (np.hypot(*(motion.measured_px - some_moved())[moved].T) < 2.45 * motion.u_px[moved]).all()
    assert (motion.u_px[moved] < edges.u_px[moved]).all()


def test_a_plate_turned_and_grown_is_found_at_its_corners():
    movements = np.zeros((LAMPS, 4))
    movements[-3] = (1.2, -0.7, 1.004 * np.cos(0.003) - 1, 1.004 * np.sin(0.003))
    movements[-1] = (0, 0, np.cos(0.002) - 1, -np.sin(0.002))
    _, motion = both(patches_of(movements, 0))
    assert (motion.turn[[-3, -1]] != 0).all()
    assert (motion.turn[: LAMPS - 3] == 0).all()
    error = motion.displacement_px(CORNERS_PX) - moved_by(movements, CORNERS_PX)
    assert np.abs(error).max() < 0.05


def test_frames_that_stand_still_are_left_alone():
    _, motion = both(patches_of(np.zeros((LAMPS, 4)), 0.9))
    assert (motion.shift_px == 0).all()
    assert motion.reliable.all()


def test_shifts_of_a_tenth_of_a_pixel_are_found_that_edges_cannot_tell():
    movements = np.zeros((LAMPS, 4))
    movements[4, :2], movements[9, :2] = (0.12, -0.1), (-0.05, 0.15)
    edges, motion = both(patches_of(movements, 0), lamps_known=True)
    assert (edges.shift_px == 0).all()
    assert np.abs(motion.shift_px - movements[:, :2]).max() < 0.02


def test_what_lies_beside_the_plate_does_not_hold_it():
    # the table under the plate stays where it is while the plate is moved
    movements = np.zeros((LAMPS, 4))
    movements[-1, :2] = (1.4, 0.8)
    patches = patches_of(movements, 0)
    weight = np.ones((len(WINDOWS), *WINDOWS[0].shape), np.float32)
    still = patches_of(np.zeros((LAMPS, 4)), 0)
    patches[:, :, :, :60], weight[:, :, :60] = still[:, :, :, :60], 0
    _, motion = both(patches, weight)
    assert np.abs(motion.shift_px - movements[:, :2]).max() < 0.02


def test_a_patch_beside_the_plate_has_no_say():
    movements = np.zeros((LAMPS, 4))
    movements[-1, :2] = (1.4, 0.8)
    patches = patches_of(movements, 0)
    weight = np.ones((len(WINDOWS), *WINDOWS[0].shape), np.float32)
    patches[:, 0], weight[0] = 0.5, 0
    edges, motion = both(patches, weight)
    assert motion.u_px[-1] < edges.u_px[-1]
    assert np.abs(motion.shift_px - movements[:, :2]).max() < 0.02


def test_too_few_frames_to_predict_from_keep_what_the_edges_say():
    patches = patches_of(np.hstack([some_moved(), np.zeros((LAMPS, 2))]), 0)[-6:]
    edges, motion = both(patches)
    assert motion is edges
