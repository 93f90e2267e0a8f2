"""Light of a block of pixels by the lobe and the diffuse part of `surface/lobe.py`, its slopes, and its strengths.

`state` (5, BLOCK): slopes x and y, logarithm of the roughness, diffuse and specular strength; for the rest see
`surface/block.py`.
"""

import numba
import numpy as np

from lightdome.surface.block import BLOCK, COMPILE, LOG_A, MATTE, SLOPE_X, SLOPE_Y, SPECULAR, Block, Law
from lightdome.surface.lobe import KNOTS

CUT = np.float32(4.0)
"""Residuals beyond this many standard deviations count less and less."""
COST, SQUARES, LOBES, BRIGHT, LEFT, WITHIN = range(20, 26)
SUMS = 26
"""Rows of the sums over the samples: 15 entries of the lower triangle of J'WJ, 5 of J'Wr, then the robust cost, the
squared weighted residuals, the light of the lobe and of the whole model, the squared residuals and the number of
samples within the lobe."""


@numba.njit(**COMPILE)
def shadow(block: Block, law: Law, state: np.ndarray) -> None:
    """Shadowing and masking of the facets over the cosine to the camera; slow in the slopes, so that it is kept for
    some steps."""
    one, two = np.float32(1), np.float32(2)
    least = np.float32(1e-3)
    lamp, eye = block.lamp, block.eye
    a2 = law.shadowing * law.shadowing * np.exp(two * state[LOG_A])
    norm = one / np.sqrt(one + state[SLOPE_X] ** 2 + state[SLOPE_Y] ** 2)
    x, y = state[SLOPE_X].copy(), state[SLOPE_Y].copy()
    masked, shade = np.empty(BLOCK, np.float32), np.empty(BLOCK, np.float32)
    for p in range(BLOCK):
        c = max((eye[2, p] - x[p] * eye[0, p] - y[p] * eye[1, p]) * norm[p], least)
        masked[p] = two / (c + np.sqrt(c * c + a2[p] * (one - c * c)))
    for k in range(lamp.shape[1]):
        for p in range(BLOCK):
            c = max((lamp[2, k, p] - x[p] * lamp[0, k, p] - y[p] * lamp[1, k, p]) * norm[p], least)
            shade[p] = masked[p] * two * c / (c + np.sqrt(c * c + a2[p] * (one - c * c)))
        for p in range(BLOCK):
            block.shade[k, p] = shade[p]


@numba.njit(**COMPILE)
def spread(block: Block, law: Law, state: np.ndarray, spread: np.ndarray, lit: np.ndarray) -> None:
    """Light of the lobe at strength 1 and cosine to the lamp (not below zero) of every sample, (L, BLOCK) both."""
    lamp, half, shade, table, stretched = block.lamp, block.half, block.shade, law.table, law.stretched
    zero, one, two = np.float32(0), np.float32(1), np.float32(2)
    steps = np.float32(KNOTS - 1)
    xx, xy, yy = stretched[0], stretched[1], stretched[2]
    here = np.empty((6, BLOCK), np.float32)
    part = np.empty((6, BLOCK), np.float32)
    for p in range(BLOCK):
        here[0, p], here[1, p] = state[SLOPE_X, p], state[SLOPE_Y, p]
        here[2, p] = np.exp(-two * state[LOG_A, p])
        here[3, p] = one / (one + here[0, p] * here[0, p] + here[1, p] * here[1, p])
        here[4, p] = np.sqrt(here[3, p])
        here[5, p] = one / (here[3, p] * here[3, p])
    for k in range(lamp.shape[1]):
        for p in range(BLOCK):
            along = max(one + here[0, p] * half[0, k, p] + here[1, p] * half[1, k, p], np.float32(0.05))
            dx, dy = half[0, k, p] - here[0, p], half[1, k, p] - here[1, p]
            cross = here[0, p] * half[1, k, p] - here[1, p] * half[0, k, p]
            inverse2 = one / (along * along)
            u = (xx * dx * dx + two * xy * dx * dy + yy * dy * dy + cross * cross) * here[2, p] * inverse2
            rest = one / (one + u)
            w = u * rest
            w = w if w > zero else zero
            part[0, p] = min(w, np.float32(0.99999)) * steps
            part[1, p] = inverse2
            part[2, p] = rest
        for p in range(BLOCK):
            knot = np.uint32(part[0, p])
            part[3, p] = table[knot] + (part[0, p] - np.float32(knot)) * (table[knot + np.uint32(1)] - table[knot])
        for p in range(BLOCK):
            cosine = (lamp[2, k, p] - here[0, p] * lamp[0, k, p] - here[1, p] * lamp[1, k, p]) * here[4, p]
            facing = one if cosine > zero else zero
            part[4, p] = cosine * facing
            slow = shade[k, p] * half[2, k, p] * part[1, p] * part[1, p] * here[5, p]
            part[5, p] = facing * slow * part[2, p] * part[2, p] * part[3, p]
        for p in range(BLOCK):
            lit[k, p], spread[k, p] = part[4, p], part[5, p]


@numba.njit(**COMPILE)
def strengths(
    block: Block,
    law: Law,
    weight: np.ndarray,
    spread: np.ndarray,
    lit: np.ndarray,
    state: np.ndarray,
    cost: np.ndarray,
) -> None:
    """Best strengths, not below zero, by least squares with `weight` (L, BLOCK); and their robust cost (BLOCK,)."""
    sample, curvature, pull, lobe_pull = block.sample, law.curvature, law.pull, law.lobe_pull
    zero, one = np.float32(0), np.float32(1)
    total = np.zeros((5, BLOCK), np.float32)
    best = np.empty((2, BLOCK), np.float32)
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            matte = lit[k, p] + curvature * lit[k, p] * lit[k, p]
            wm, ws = weight[k, p] * matte, weight[k, p] * spread[k, p]
            total[0, p] += wm * matte
            total[1, p] += wm * spread[k, p]
            total[2, p] += ws * spread[k, p]
            total[3, p] += wm * sample[k, p]
            total[4, p] += ws * sample[k, p]
    for p in range(BLOCK):
        a, b, c = total[0, p] + np.float32(1e-20), total[1, p], total[2, p] + np.float32(1e-20)
        bottom = max(a * c - b * b, np.float32(1e-6) * a * c)
        matte, metal = (c * total[3, p] - b * total[4, p]) / bottom, (a * total[4, p] - b * total[3, p]) / bottom
        if matte < zero:
            matte, metal = zero, max(total[4, p] / c, zero)
        elif metal < zero:
            matte, metal = max(total[3, p] / a, zero), zero
        best[0, p], best[1, p] = matte, metal
        state[MATTE, p], state[SPECULAR, p] = matte, metal
    spent = np.zeros(BLOCK, np.float32)
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            matte = lit[k, p] + curvature * lit[k, p] * lit[k, p]
            r = sample[k, p] - best[0, p] * matte - best[1, p] * spread[k, p]
            t = r * r * weight[k, p] / (CUT * CUT)
            spent[p] += t / (one + t)
    for p in range(BLOCK):
        t = best[1, p] * best[1, p] * lobe_pull / (CUT * CUT)
        cost[p] = spent[p] + best[0, p] * best[0, p] * pull / (CUT * CUT) + t / (one + t)


@numba.njit(**COMPILE)
def evaluate(
    block: Block, law: Law, weight: np.ndarray, share: np.float32, state: np.ndarray, sums: np.ndarray
) -> None:
    """Sums (SUMS, BLOCK) over the samples at a state, with `weight` (L, BLOCK), and of the pulls of the strengths.

    share : 1 where the roughness moves.
    """
    sample, lamp, half, shade = block.sample, block.lamp, block.half, block.shade
    table, curvature, pull, lobe_pull, stretched = law.table, law.curvature, law.pull, law.lobe_pull, law.stretched
    zero, one, two, four = np.float32(0), np.float32(1), np.float32(2), np.float32(4)
    steps = np.float32(KNOTS - 1)
    xx, xy, yy = stretched[0], stretched[1], stretched[2]
    inverse_cut2 = one / (CUT * CUT)
    # arrays made here have rows that the compiler knows to be apart, so that it uses the vector units
    here = np.empty((10, BLOCK), np.float32)
    part = np.empty((8, BLOCK), np.float32)
    total = np.zeros((SUMS, BLOCK), np.float32)
    for p in range(BLOCK):
        here[0, p], here[1, p] = state[SLOPE_X, p], state[SLOPE_Y, p]
        here[2, p], here[3, p] = state[MATTE, p], state[SPECULAR, p]
        here[4, p] = np.exp(-two * state[LOG_A, p])
        here[5, p] = one / (one + here[0, p] * here[0, p] + here[1, p] * here[1, p])
        here[6, p] = np.sqrt(here[5, p])
        here[7, p] = one / (here[5, p] * here[5, p])
    for k in range(sample.shape[0]):
        for p in range(BLOCK):
            along = max(one + here[0, p] * half[0, k, p] + here[1, p] * half[1, k, p], np.float32(0.05))
            dx, dy = half[0, k, p] - here[0, p], half[1, k, p] - here[1, p]
            cross = here[0, p] * half[1, k, p] - here[1, p] * half[0, k, p]
            inverse = one / along
            u = (xx * dx * dx + two * xy * dx * dy + yy * dy * dy + cross * cross) * here[4, p] * inverse * inverse
            part[0, p] = inverse
            part[1, p] = u
            part[2, p] = one / (one + u)
            w = u * part[2, p]
            w = w if w > zero else zero  # not a number becomes zero: it must not leave the table
            part[3, p] = min(w, np.float32(0.99999)) * steps
        for p in range(BLOCK):
            knot = np.uint32(part[3, p])
            part[4, p] = table[knot]
            part[5, p] = table[knot + np.uint32(1)] - table[knot]
        for p in range(BLOCK):
            at = part[3, p]
            part[4, p] += (at - np.floor(at)) * part[5, p]
        for p in range(BLOCK):
            sx, sy, matte, metal = here[0, p], here[1, p], here[2, p], here[3, p]
            lx, ly = lamp[0, k, p], lamp[1, k, p]
            hx, hy = half[0, k, p], half[1, k, p]
            lit = (lamp[2, k, p] - sx * lx - sy * ly) * here[6, p]
            facing = one if lit > zero else zero
            lit = lit * facing
            inverse, u, rest = part[0, p], part[1, p], part[2, p]
            inverse2 = inverse * inverse
            slow = facing * shade[k, p] * half[2, k, p] * (inverse2 * inverse2) * here[7, p]
            rest2 = rest * rest
            spread = slow * rest2 * part[4, p]
            # d spread / du; dw = rest^2 du
            fall = slow * rest2 * rest * (part[5, p] * steps * rest - two * part[4, p])
            dx, dy, cross = hx - sx, hy - sy, sx * hy - sy * hx
            back = u * inverse
            per = here[4, p] * inverse2
            by_x = fall * two * (per * (cross * hy - xx * dx - xy * dy) - back * hx)
            by_y = fall * two * (per * (-cross * hx - xy * dx - yy * dy) - back * hy)
            # the foreshortening of the facets, cos^-4 of their angle to the normal, changes with the slope as well
            by_x += spread * four * (sx * here[5, p] - hx * inverse)
            by_y += spread * four * (sy * here[5, p] - hy * inverse)
            bend = matte * facing * (one + two * curvature * lit)
            j0 = metal * by_x - bend * (lx * here[6, p] + lit * sx * here[5, p])
            j1 = metal * by_y - bend * (ly * here[6, p] + lit * sy * here[5, p])
            j2 = -share * metal * fall * two * u
            j3 = lit + curvature * lit * lit
            shine = metal * spread
            bright = matte * j3 + shine
            r = sample[k, p] - bright
            r2 = r * r
            t = r2 * weight[k, p]
            scaled = t * inverse_cut2
            shrink = one / (one + scaled)
            g = weight[k, p] * shrink * shrink
            g0, g1, g2, g3, g4 = g * j0, g * j1, g * j2, g * j3, g * spread
            total[0, p] += g0 * j0
            total[1, p] += g0 * j1
            total[2, p] += g1 * j1
            total[3, p] += g0 * j2
            total[4, p] += g1 * j2
            total[5, p] += g2 * j2
            total[6, p] += g0 * j3
            total[7, p] += g1 * j3
            total[8, p] += g2 * j3
            total[9, p] += g3 * j3
            total[10, p] += g0 * spread
            total[11, p] += g1 * spread
            total[12, p] += g2 * spread
            total[13, p] += g3 * spread
            total[14, p] += g4 * spread
            total[15, p] += g0 * r
            total[16, p] += g1 * r
            total[17, p] += g2 * r
            total[18, p] += g3 * r
            total[19, p] += g4 * r
            total[COST, p] += scaled * shrink
            total[SQUARES, p] += t
            total[LOBES, p] += shine
            total[BRIGHT, p] += bright
            used = one if weight[k, p] > zero else zero
            total[LEFT, p] += used * r2
            total[WITHIN, p] += used if u < four else zero
    for p in range(BLOCK):
        matte = here[2, p]
        total[9, p] += pull
        total[18, p] -= pull * matte
        total[COST, p] += pull * inverse_cut2 * matte * matte
        metal = here[3, p]
        scaled = lobe_pull * inverse_cut2 * metal * metal
        shrink = one / (one + scaled)
        g = lobe_pull * shrink * shrink
        total[14, p] += g
        total[19, p] -= g * metal
        total[COST, p] += scaled * shrink
    sums[:] = total
