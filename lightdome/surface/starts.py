"""Closed-form starts of the fit of a block of pixels."""

import numba
import numpy as np

from lightdome.surface.block import BLOCK, COMPILE, SLOPE_X, SLOPE_Y, Block


@numba.njit(**COMPILE)
def start_half(block: Block, state: np.ndarray) -> None:
    """Slopes of the mean half vector, weighted by brightness to the power 3/2."""
    zero = np.float32(0)
    sample, half = block.sample, block.half
    total = np.full(BLOCK, np.float32(1e-20))
    state[SLOPE_X] = zero
    state[SLOPE_Y] = zero
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            s = max(sample[k, p], zero)
            w = s * np.sqrt(s / np.sqrt(half[2, k, p]))  # h_z of the unit half vector is half[2]^(-1/4)
            total[p] += w
            state[SLOPE_X, p] += w * half[0, k, p]
            state[SLOPE_Y, p] += w * half[1, k, p]
    for p in range(BLOCK):
        state[SLOPE_X, p] /= total[p]
        state[SLOPE_Y, p] /= total[p]


@numba.njit(**COMPILE)
def start_matte(block: Block, state: np.ndarray) -> None:
    """Slopes by least squares on n.l, reweighted twice so that highlights and shadows count less (Cauchy)."""
    zero, one = np.float32(0), np.float32(1)
    sample, weight, lamp = block.sample, block.weight, block.lamp
    a = np.empty((11, BLOCK), np.float32)
    m = np.zeros((3, BLOCK), np.float32)
    spread = np.full(BLOCK, np.float32(1e20))
    for _ in range(4):
        a[:] = zero
        for k in range(sample.shape[0]):
            for p in range(BLOCK):
                x, y, z, value = lamp[0, k, p], lamp[1, k, p], lamp[2, k, p], sample[k, p]
                used = one if weight[k, p] > zero else zero
                r = value - x * m[0, p] - y * m[1, p] - z * m[2, p]
                w = used / (one + r * r / spread[p])
                a[0, p] += w * x * x
                a[1, p] += w * x * y
                a[2, p] += w * y * y
                a[3, p] += w * x * z
                a[4, p] += w * y * z
                a[5, p] += w * z * z
                a[6, p] += w * x * value
                a[7, p] += w * y * value
                a[8, p] += w * z * value
                a[9, p] += w * r * r
                a[10, p] += w
        for p in range(BLOCK):
            tiny = np.float32(1e-6) * (a[0, p] + a[2, p] + a[5, p]) + np.float32(1e-20)
            xx, yy, zz = a[0, p] + tiny, a[2, p] + tiny, a[5, p] + tiny
            xy, xz, yz = a[1, p], a[3, p], a[4, p]
            cx, cy, cz = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
            inverse = one / (xx * cx + xy * cy + xz * cz)
            m[0, p] = inverse * (cx * a[6, p] + cy * a[7, p] + cz * a[8, p])
            m[1, p] = inverse * (cy * a[6, p] + (xx * zz - xz * xz) * a[7, p] + (xy * xz - xx * yz) * a[8, p])
            m[2, p] = inverse * (cz * a[6, p] + (xy * xz - xx * yz) * a[7, p] + (xx * yy - xy * xy) * a[8, p])
            if spread[p] < np.float32(1e19):
                spread[p] = max(a[9, p] / max(a[10, p], one), np.float32(1e-6))
            else:
                spread[p] = max(np.float32(0.25) * a[9, p] / max(a[10, p], one), np.float32(1e-6))
    for p in range(BLOCK):
        z = max(m[2, p], np.float32(0.3) * np.sqrt(m[0, p] * m[0, p] + m[1, p] * m[1, p]) + np.float32(1e-6))
        state[SLOPE_X, p] = -m[0, p] / z
        state[SLOPE_Y, p] = -m[1, p] / z
