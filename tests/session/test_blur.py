"""Blur against the other photographs, blur of the set, and noise, on pictures of known blur and noise."""

import numpy as np
import pytest
from scipy import ndimage

from lightdome.session.resolved import resolved
from lightdome.session.sharp import compare_sharpness, edge_blur_px

SIDE, FRAMES, PLACES, NOISE = 96, 12, 4, 0.01


@pytest.fixture(scope="module")
def patches():
    """Slopes of one relief, lit from all around; noise is added by the tests."""
    rng = np.random.default_rng(1)
    relief = ndimage.gaussian_filter(rng.standard_normal((PLACES, SIDE, SIDE)), (0, 1.2, 1.2), mode="wrap")
    down, along = np.gradient(relief / relief.std(), axis=(1, 2))
    turn = np.arange(FRAMES) * 2 * np.pi / FRAMES
    return np.stack([0.5 + 0.15 * (np.cos(angle) * along + np.sin(angle) * down) for angle in turn])


def noisy(patches, seed=2):
    return patches + np.random.default_rng(seed).normal(0, NOISE, patches.shape)


def test_the_noise_is_that_which_was_added(patches):
    assert compare_sharpness(noisy(patches), np.zeros((FRAMES, 2))).noise == pytest.approx(NOISE, rel=0.1)


@pytest.mark.parametrize(("blur_px", "least", "most"), [(0.7, 0.6, 0.8), (1.0, 0.85, 1.15), (3.0, 1.2, 9)])
def test_a_gaussian_blur_is_measured(patches, blur_px, least, most):
    one = patches.copy()
    one[5] = ndimage.gaussian_filter(one[5], (0, blur_px, blur_px))
    sharp = compare_sharpness(noisy(one), np.zeros((FRAMES, 2)))
    assert least < sharp.blur_px[5] < most
    assert np.argmin(sharp.contrast) == 5
    assert np.delete(sharp.blur_px, 5).max() < 0.3


def test_motion_along_one_direction_is_seen(patches):
    one = patches.copy()
    one[5] = ndimage.uniform_filter1d(one[5], 3, axis=1)
    sharp = compare_sharpness(noisy(one), np.zeros((FRAMES, 2)))
    # a box of three pixels has a standard deviation of sqrt((3^2 - 1) / 12) = 0.82 pixels
    assert sharp.blur_px[5] == pytest.approx(np.sqrt(8 / 12), abs=0.15)


def test_a_known_shift_is_no_blur(patches):
    shifts = np.zeros((FRAMES, 2))
    shifts[4] = 2.0, -3.0
    moved = patches.copy()
    moved[4] = np.roll(moved[4], (2, -3), (1, 2))
    assert compare_sharpness(noisy(moved), shifts).contrast.min() > 0.8


@pytest.mark.parametrize("blur_px", [0.8, 1.2, 2.0])
def test_the_blur_of_edges_is_that_of_the_lens(blur_px):
    y, x = np.indices((SIDE, SIDE)) - SIDE / 2
    # a half plane and a disc, sampled eight times finer than the pixel, so that the pixel's own aperture is in
    fine = np.linspace(-0.5, 0.5, 9)[:-1] + 1 / 16
    disc = np.mean([np.hypot(x + a, y + b) < 20 for a in fine for b in fine], axis=0)
    edge = np.mean([(x + a) + 0.3 * (y + b) > 3 for a in fine for b in fine], axis=0)
    patches = ndimage.gaussian_filter(np.stack([disc, edge]).astype(float), (0, blur_px, blur_px))
    patches = patches + np.random.default_rng(0).normal(0, 0.003, patches.shape)
    whole = np.hypot(blur_px, np.sqrt(1 / 12))
    assert edge_blur_px(patches, 0.003) == pytest.approx(whole, rel=0.2)


def test_the_smallest_mark_follows_three_pixels_and_the_sampling_efficiency():
    flat = np.full((4, 2, 64, 64), 0.5)
    none = resolved(noisy(flat), np.full(4, NOISE), 0.02)
    # at 20 um a pixel three pixels are 60 um (a rule of thumb of the trade)
    assert (none.width_um, np.isnan(none.blur_px)) == (60.0, True)
    x = np.indices((64, 64))[1]
    step = np.broadcast_to(ndimage.gaussian_filter((x > 31.5).astype(float), 2.0), (4, 2, 64, 64))
    soft = resolved(noisy(step), np.full(4, NOISE), 0.02)
    # a Gaussian of 2 px leaves 10 % at sqrt(ln 10 / 2) / (2 pi) = 0.171 cycles a pixel, 0.34 of Nyquist
    assert soft.sampling_efficiency == pytest.approx(0.34, abs=0.05)
    assert soft.width_um == pytest.approx(60 / soft.sampling_efficiency)


def test_photographs_without_detail_tell_nothing():
    sharp = compare_sharpness(noisy(np.full((FRAMES, 2, SIDE, SIDE), 0.5)), np.zeros((FRAMES, 2)))
    assert np.isnan(sharp.blur_px).all()
