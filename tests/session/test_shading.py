"""Feigned movement is a made function of the lamps; real movement is added to it."""

import numpy as np
import pytest

from lightdome.session.shading import feigned, lamp_terms

LAMPS = 24


def lamps():
    azimuth = np.radians(np.arange(LAMPS) * 45.0)
    elevation = np.radians(np.repeat([20.0, 45.0, 70.0], 8))
    level = np.cos(elevation)
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)], axis=1)


TERMS = lamp_terms(lamps())
SHADED = TERMS @ np.random.default_rng(1).normal(0, 0.15, (5, 2))
SHADED -= SHADED.mean(axis=0)


def left(real):
    noise = np.random.default_rng(4).normal(0, 0.02, SHADED.shape)
    found = feigned(SHADED + real + noise, TERMS, np.ones(LAMPS, bool), np.ones(2))
    return np.sqrt(np.mean((found - SHADED) ** 2))


def some_bumped():
    real = np.zeros((LAMPS, 2))
    real[[3, 7, 8, 15, 20]] = np.random.default_rng(2).uniform(-5, 5, (5, 2))
    return real


@pytest.mark.parametrize(
    "real",
    [
        np.zeros((LAMPS, 2)),
        np.where(np.arange(LAMPS)[:, None] >= 12, (4.0, -2.0), 0.0),
        np.where(np.arange(LAMPS)[:, None] >= 4, (1.0, 1.0), 0.0),
        np.outer(np.arange(LAMPS), (0.2, -0.1)),
        some_bumped(),
    ],
    ids=["still", "nudged halfway", "nudged in a ring", "drifting", "bumped"],
)
def test_what_shading_feigns_is_told_from_movement(real):
    assert np.sqrt(np.mean(SHADED**2)) > 0.08
    assert left(real) < 0.035


def test_few_frames_tell_nothing():
    assert (feigned(SHADED[:8], TERMS[:8], np.ones(8, bool), np.ones(2)) == 0).all()
    reliable = np.arange(LAMPS) < 8
    assert (feigned(SHADED, TERMS, reliable, np.ones(2)) == 0).all()
