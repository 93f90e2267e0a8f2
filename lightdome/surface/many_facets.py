"""Light of many facets, each of its own slopes and roughness: for the mixtures of slopes.

The reference is `lobe.reflect`; this one is for the inner loops. The table of the law is over its integral, so that the
light is that of specular reflectance 1 at normal incidence under unit irradiance.
"""

import numba
import numpy as np

from lightdome.surface.block import COMPILE, Law
from lightdome.surface.lobe import KNOTS, Lobe


def unit_law(lobe: Lobe) -> Law:
    """The law whose lobes have a specular reflectance of 1."""
    law = Law.of(lobe)
    return law._replace(table=law.table / np.float32(lobe.integral))


@numba.njit(**COMPILE)
def lobes(
    toward: np.ndarray, eye: np.ndarray, law: Law, slopes: np.ndarray, roughness: np.ndarray, light: np.ndarray
) -> None:
    """Light (L, J) of facets of J slopes (2, J) and roughnesses (J,) under lamps (3 or more, L), seen from eye (3,)."""
    rays = np.empty((3, slopes.shape[1]), np.float32)
    for k in range(toward.shape[1]):
        for axis in range(3):
            rays[axis] = toward[axis, k]
        shine(rays, eye, law, slopes, roughness, light[k])


@numba.njit(**COMPILE)
def shine(
    rays: np.ndarray, eye: np.ndarray, law: Law, slopes: np.ndarray, roughness: np.ndarray, light: np.ndarray
) -> None:
    """Light (N,) of facets of slopes (2, N) and roughnesses (N,), each under a lamp of its own, rays (3, N)."""
    zero, one, two = np.float32(0), np.float32(1), np.float32(2)
    steps, least = np.float32(KNOTS - 1), np.float32(1e-3)
    xx, xy, yy = law.stretched[0], law.stretched[1], law.stretched[2]
    eye_x, eye_y, eye_z, table, shadowing2 = eye[0], eye[1], eye[2], law.table, law.shadowing * law.shadowing
    count = slopes.shape[1]
    part = np.empty((3, count), np.float32)
    for j in range(count):
        sx, sy, a2 = slopes[0, j], slopes[1, j], roughness[j] * roughness[j]
        lx, ly, lz = rays[0, j], rays[1, j], rays[2, j]
        hz = one / (lz + eye_z)
        hx, hy = -(lx + eye_x) * hz, -(ly + eye_y) * hz
        h2 = one + hx * hx + hy * hy
        scale2 = one / (one + sx * sx + sy * sy)
        scale = np.sqrt(scale2)
        lit = (lz - sx * lx - sy * ly) * scale
        seen = max((eye_z - sx * eye_x - sy * eye_y) * scale, least)
        along = max(one + sx * hx + sy * hy, np.float32(0.05))
        dx, dy, cross = hx - sx, hy - sy, sx * hy - sy * hx
        u = xx * dx * dx + two * xy * dx * dy + yy * dy * dy + cross * cross
        u = u / (a2 * along * along)
        rest = one / (one + u)
        part[0, j] = min(max(u * rest, zero), np.float32(0.99999)) * steps
        cosine2 = along * along * scale2 / h2
        g2 = shadowing2 * a2
        c = max(lit, least)
        masked = two / (seen + np.sqrt(seen * seen + g2 * (one - seen * seen)))
        masked *= two * c / (c + np.sqrt(c * c + g2 * (one - c * c)))
        facing = one if lit > zero else zero
        part[1, j] = facing * rest * rest * masked / (cosine2 * cosine2 * np.float32(4) * a2)
    for j in range(count):
        at = part[0, j]
        knot = np.uint32(at)
        part[2, j] = table[knot] + (at - np.float32(knot)) * (table[knot + np.uint32(1)] - table[knot])
    for j in range(count):
        light[j] = part[1, j] * part[2, j]
