"""Blur against the other photographs, blur of the set, and noise, on pictures of known blur and noise."""

import numpy as np
import pytest
from scipy import ndimage

from lightdome.session.resolved import resolved
from lightdome.session.sharp import compare_sharpness

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


@pytest.mark.parametrize("blur_px", [0.0, 0.7, 1.0, 1.5])
def test_the_fall_of_the_power_shows_the_blur_of_the_set(blur_px):
    # pictures of a power law, as scratched and grained things have, under a lens of a known blur
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(SIDE), np.fft.fftfreq(SIDE), indexing="ij"))
    f[0, 0] = 1
    rng = np.random.default_rng(6)
    waves = np.fft.fft2(rng.standard_normal((2, PLACES, SIDE, SIDE))) / f * np.exp(-2 * (np.pi * blur_px * f) ** 2)
    two = np.fft.ifft2(waves).real
    mix = np.stack([np.cos(k) * two[0] + np.sin(k) * two[1] for k in range(FRAMES)])
    sharp = compare_sharpness(noisy(0.5 + 0.1 * mix / mix.std()), np.zeros((FRAMES, 2)))
    assert np.median(sharp.fall_px) == pytest.approx(blur_px, abs=0.25 if blur_px == 0 else 0.12)


def test_the_smallest_mark_follows_three_pixels_and_the_sampling_efficiency():
    # at 20 um a pixel three pixels are 60 um (a rule of thumb of the trade)
    assert resolved(np.full(4, np.nan), 0.02).width_um == pytest.approx(60)
    assert resolved(np.array([0.5, 0.6, 0.4]), 0.02).width_um == pytest.approx(60)
    # a Gaussian of 2 px leaves 10 % at sqrt(ln 10 / 2) / (2 pi) = 0.171 cycles a pixel, 0.34 of Nyquist
    soft = resolved(np.array([2.0, 2.0, 2.1]), 0.02)
    assert soft.sampling_efficiency == pytest.approx(0.342, abs=0.001)
    assert soft.width_um == pytest.approx(60 / 0.342, rel=0.01)


def test_photographs_without_detail_tell_nothing():
    sharp = compare_sharpness(noisy(np.full((FRAMES, 2, SIDE, SIDE), 0.5)), np.zeros((FRAMES, 2)))
    assert np.isnan(sharp.blur_px).all()
