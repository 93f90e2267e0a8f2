"""Pixels taken out of a region a block at a time, as the inner loops of the lobe fit want them.

The pixel is the innermost index everywhere, every loop runs over a whole block, and lanes without a pixel have no
weight: a pixel meets the same instructions in any block.
"""

from typing import NamedTuple

import numba
import numpy as np

from lightdome.lights.field import Lamps, aim
from lightdome.lights.lamps import LampSet
from lightdome.surface.lobe import Lobe

BLOCK = 128
SLOPE_X, SLOPE_Y, LOG_A, MATTE, SPECULAR = range(5)
"""Rows of a state (5, BLOCK); both strengths in units of the pixel's largest sample."""
# fused multiply-add is allowed: a pixel meets the same instructions in any block
COMPILE = {"cache": True, "nogil": True, "error_model": "numpy", "fastmath": {"contract", "nsz", "arcp"}}


class Law(NamedTuple):
    """What all pixels of a plate share, float32: see `surface/lobe.py`."""

    table: np.ndarray
    curvature: np.float32
    pull: np.float32
    lobe_pull: np.float32
    shadowing: np.float32
    stretched: np.ndarray
    noise: np.ndarray

    @classmethod
    def of(cls, lobe: Lobe) -> "Law":
        """Single precision for the inner loops."""
        return cls(
            table=np.ascontiguousarray(lobe.table, np.float32),
            curvature=np.float32(lobe.diffuse_curvature),
            pull=np.float32(lobe.matte_pull),
            lobe_pull=np.float32(lobe.lobe_pull),
            shadowing=np.float32(lobe.shadowing),
            stretched=np.ascontiguousarray(lobe.stretched, np.float32),
            noise=np.ascontiguousarray(lobe.noise, np.float32),
        )


class Seen(NamedTuple):
    """P pixels under L lamps, float32."""

    light: np.ndarray
    """(L, P), NaN where a sample is not to be used."""
    eye: np.ndarray
    """(3, P): unit vectors to the camera."""
    toward: np.ndarray
    """(L, 3, P): unit vectors to the lamps; (L, 3, 0) where the lamps tell."""
    irradiance: np.ndarray
    """(L, P) or (L, 0)."""
    lamps: Lamps
    """No lamps where the rays are given."""
    x_mm: np.ndarray
    """(P,) or (0,)."""
    y_mm: np.ndarray

    @classmethod
    def under(cls, light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, view: np.ndarray) -> "Seen":
        """Pixels at x_mm, y_mm (P,), whose rays are made where they are wanted: that is faster than to read them."""
        none = np.empty((len(light), 3, 0), np.float32)
        return cls(_single(light), _single(view), none, none[:, 0], Lamps.of(lamps), _single(x_mm), _single(y_mm))

    @classmethod
    def given(cls, light: np.ndarray, toward: np.ndarray, irradiance: np.ndarray, view: np.ndarray) -> "Seen":
        """Pixels of given rays; arrays as the fields say."""
        none = np.empty((0, 3), np.float32)
        lamps = Lamps(none, none, none[:, 0], np.float32(0), True, False)
        return cls(_single(light), _single(view), _single(toward), _single(irradiance), lamps, none[:, 0], none[:, 0])


def _single(values: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(values, np.float32)


class Block(NamedTuple):
    """A block of pixels, float32."""

    sample: np.ndarray
    """(L, BLOCK): light over irradiance, over the pixel's largest; zero where not to be used."""
    weight: np.ndarray
    """(L, BLOCK): inverse variance of the samples; zero where not to be used."""
    power: np.ndarray
    """(L, BLOCK): irradiance."""
    lamp: np.ndarray
    """(3, L, BLOCK): unit vectors to the lamps."""
    half: np.ndarray
    """(3, L, BLOCK): slopes of the half vectors, and the square of 1 + slope^2."""
    shade: np.ndarray
    """(L, BLOCK): what `facet_light.shadow` left."""
    eye: np.ndarray
    """(3, BLOCK): unit vectors to the camera."""
    peak: np.ndarray
    """(BLOCK,): largest light over irradiance."""
    usable: np.ndarray
    """(BLOCK,): number of samples to be used."""


@numba.njit(**COMPILE)
def empty_block(lamps: int) -> Block:
    """A block to load pixels into."""
    return Block(
        np.empty((lamps, BLOCK), np.float32),
        np.empty((lamps, BLOCK), np.float32),
        np.empty((lamps, BLOCK), np.float32),
        np.empty((3, lamps, BLOCK), np.float32),
        np.empty((3, lamps, BLOCK), np.float32),
        np.empty((lamps, BLOCK), np.float32),
        np.empty((3, BLOCK), np.float32),
        np.empty(BLOCK, np.float32),
        np.empty(BLOCK, np.float32),
    )


@numba.njit(**COMPILE)
def load(seen: Seen, which: np.ndarray, law: Law, block: Block) -> None:
    """Load the pixels of these numbers, at most BLOCK."""
    n = len(which)
    for axis in range(3):
        for p in range(n):
            block.eye[axis, p] = seen.eye[axis, which[p]]
        for p in range(n, BLOCK):
            block.eye[axis, p] = seen.eye[axis, which[0]]
    given = len(seen.lamps.vectors) == 0
    ray, x, y = np.empty((4, BLOCK), np.float32), np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32)
    if not given:
        for p in range(BLOCK):
            at = which[min(p, n - 1)]
            x[p], y[p] = seen.x_mm[at], seen.y_mm[at]
    for k in range(len(seen.light)):
        if given:
            for p in range(BLOCK):
                at = which[min(p, n - 1)]
                for axis in range(3):
                    ray[axis, p] = seen.toward[k, axis, at]
                ray[3, p] = seen.irradiance[k, at]
        else:
            aim(seen.lamps, k, x, y, ray)
        for p in range(BLOCK):
            block.lamp[0, k, p], block.lamp[1, k, p], block.lamp[2, k, p] = ray[0, p], ray[1, p], ray[2, p]
            block.power[k, p] = ray[3, p]
        for p in range(n):
            block.sample[k, p] = seen.light[k, which[p]]
        for p in range(n, BLOCK):
            block.sample[k, p] = np.float32(np.nan)
    _prepare(law, block)


@numba.njit(**COMPILE)
def _prepare(law: Law, block: Block) -> None:
    """From light to samples, inverse variances and half vectors."""
    zero, one = np.float32(0), np.float32(1)
    noise0, noise1, noise2, noise3 = law.noise[0], law.noise[1], law.noise[2], law.noise[3]
    part = np.empty((5, BLOCK), np.float32)
    total = np.empty((2, BLOCK), np.float32)
    total[0] = np.float32(1e-12)
    total[1] = zero
    for k in range(len(block.sample)):
        for p in range(BLOCK):
            value, power = block.sample[k, p], block.power[k, p]
            good = (abs(value) < np.float32(1e30)) & (power > zero)
            part[0, p] = value / power if good else zero
            bright = max(value, zero)
            variance = noise0 + noise1 * bright + noise2 * bright * bright
            part[1, p] = power * power / variance if good else zero
            total[1, p] += one if good else zero
            total[0, p] = max(total[0, p], part[0, p])
        for p in range(BLOCK):
            z = block.lamp[2, k, p] + block.eye[2, p]
            x, y = -(block.lamp[0, k, p] + block.eye[0, p]) / z, -(block.lamp[1, k, p] + block.eye[1, p]) / z
            s = one + x * x + y * y
            part[2, p], part[3, p], part[4, p] = x, y, s * s
        for p in range(BLOCK):
            block.sample[k, p], block.weight[k, p] = part[0, p], part[1, p]
            block.half[0, k, p], block.half[1, k, p], block.half[2, k, p] = part[2, p], part[3, p], part[4, p]
    block.peak[:] = total[0]
    block.usable[:] = total[1]
    for k in range(len(block.sample)):
        for p in range(BLOCK):
            part[0, p] = block.sample[k, p] / total[0, p]
            relative = total[0, p] * total[0, p] * block.weight[k, p]
            part[1, p] = relative / (one + noise3 * relative)
        for p in range(BLOCK):
            block.sample[k, p], block.weight[k, p] = part[0, p], part[1, p]
