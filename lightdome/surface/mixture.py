"""Mean slope of a pixel that holds several slopes: its light as a sum of lobes, none of them negative.

Where one lobe does not explain a pixel (walls, lines about a pixel wide), the peak of the lobe is not the mean slope
that height is integrated from. The light is then taken as a sum of lobes of the neighbourhood's roughness on a polar
grid of slopes, the pixel's own lobe and a diffuse part, with strengths not below zero (non-negative least squares). The
strengths together equal the neighbourhood's specular reflectance: what the lamps do not see of a pixel still is there,
at slopes that explain the rest. The mean slope is the mean over the strengths, each of which is a share of the area.

The lobes, the weights and the normal matrix are shared by all pixels of one roughness in a patch of `PATCH_PX`, over
which the lamps' directions hardly change (0.1 degree at 50 um and 250 mm).
"""

from functools import cache
from typing import NamedTuple

import numba
import numpy as np

from lightdome.lights.field import Lamps, aim_all
from lightdome.surface.block import COMPILE, Law
from lightdome.surface.lobe import Lobe
from lightdome.surface.many_facets import lobes, shine, unit_law
from lightdome.surface.non_negative import MOST_LOBES, non_negative

PATCH_PX = 32
ALIKE = np.float32(0.08)
"""Relative difference in roughness up to which pixels share a set of lobes."""
RINGS = ((0.0, 1), (0.1, 6), (0.2, 12), (0.31, 16), (0.44, 18), (0.6, 20), (0.8, 20), (1.05, 18))
"""Slopes of the rings of the grid and lobes on each; the steepest lies where most lamps see only a lobe's tail."""
CELL = 0.55
"""What half the gap between two rings adds to the roughness of the lobes, in squares: a wall spreads over the gap."""
RIDGE = np.float32(0.06)
"""Pull of the strengths toward zero, over the largest diagonal element and the fourth power of the roughness: the
broader the lobes, the more alike they are, and the more a small fault of the model is blown up."""
TOTAL = np.float32(1.0)
"""Relative standard deviation of the sum of the strengths about the neighbourhood's, over the squared roughness: what
narrow lobes leave between the lamps must be tied, what broad ones do is seen. Grid, cells, ridge and tie were swept on
plates rendered with rough conductors of roughness 0.12, 0.2 and 0.4: see benchmarks/metal.py."""


class Strip(NamedTuple):
    """Some rows of a region, float32."""

    light: np.ndarray
    """(L, rows, columns): NaN where a sample is not to be used."""
    lamps: Lamps
    x_mm: np.ndarray
    """(columns,)."""
    y_mm: np.ndarray
    """(rows,)."""
    eye: np.ndarray
    """(3, rows, columns): unit vectors to the camera."""
    slopes: np.ndarray
    """(2, rows, columns): of the pixels' own lobes."""
    specular: np.ndarray
    """(rows, columns): specular reflectance of the pixels' neighbourhoods."""
    diffuse: np.ndarray
    """(rows, columns): diffuse strength of the pixels' neighbourhoods."""


@cache
def slope_grid() -> np.ndarray:
    """Slopes (2, J) of the lobes."""
    slopes = []
    for index, (slope, number) in enumerate(RINGS):
        angle = 2 * np.pi * (np.arange(number) + 0.5 * (index % 2)) / number
        slopes.append(slope * np.stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(slopes, axis=1).astype(np.float32)


@cache
def slope_cells() -> np.ndarray:
    """What the width of the cell that each lobe (J,) of the grid stands for adds to its roughness, in squares."""
    radii = np.array([slope for slope, _ in RINGS])
    gaps = np.diff(radii, append=2 * radii[-1] - radii[-2])
    gaps[1:] = (gaps[1:] + gaps[:-1]) / 2
    gaps[0] = 0
    return np.concatenate([np.full(number, CELL * gap) for gap, (_, number) in zip(gaps, RINGS, strict=True)]).astype(
        np.float32
    )


def mix(lobe: Lobe, strip: Strip, wanted: np.ndarray, roughness: np.ndarray, found: np.ndarray) -> None:
    """Mean slopes of the wanted pixels of a strip; an answer replaces one of a larger residual.

    wanted : (rows, columns), bool.  roughness : (rows, columns), to be tried.
    found : (4, rows, columns), written: mean slopes x and y, root mean square spread of the slopes about them, root
    mean square of the residual over the largest light that a flat pixel of the patch would send.
    """
    _mix(strip, wanted, roughness, unit_law(lobe), slope_grid(), slope_cells(), found)


@numba.njit(**COMPILE)
def _mix(
    strip: Strip,
    wanted: np.ndarray,
    roughness: np.ndarray,
    law: Law,
    grid: np.ndarray,
    cells: np.ndarray,
    found: np.ndarray,
) -> None:
    lamps, rows, cols = strip.light.shape
    left, rays = wanted.copy(), np.empty((4, lamps), np.float32)
    at_row, at_col = np.empty(PATCH_PX * PATCH_PX, np.int64), np.empty(PATCH_PX * PATCH_PX, np.int64)
    for row in range(0, rows, PATCH_PX):
        for col in range(0, cols, PATCH_PX):
            last_row, last_col = min(row + PATCH_PX, rows), min(col + PATCH_PX, cols)
            middle_row, middle_col = (row + last_row) // 2, (col + last_col) // 2
            aim_all(strip.lamps, strip.x_mm[middle_col], strip.y_mm[middle_row], rays)
            eye = np.ascontiguousarray(strip.eye[:, middle_row, middle_col])
            for r in range(row, last_row):
                for c in range(col, last_col):
                    if not left[r, c]:
                        continue
                    # all pixels of the patch that are about as rough share a set of lobes
                    first, size, total = roughness[r, c], 0, np.float32(0)
                    for r2 in range(r, last_row):
                        for c2 in range(col, last_col):
                            if left[r2, c2] and abs(roughness[r2, c2] - first) < ALIKE * first:
                                at_row[size], at_col[size] = r2, c2
                                left[r2, c2] = False
                                total += roughness[r2, c2]
                                size += 1
                    shared = np.empty((lamps, grid.shape[1]), np.float32)
                    middle = total / np.float32(size)
                    lobes(rays, eye, law, grid, np.sqrt(middle * middle + cells * cells), shared)
                    _mix_set(
                        strip, roughness, law, grid, shared, rays, middle, at_row[:size], at_col[:size], found
                    )  # fmt: skip


@numba.njit(**COMPILE)
def _mix_set(
    strip: Strip,
    roughness: np.ndarray,
    law: Law,
    grid: np.ndarray,
    shared: np.ndarray,
    rays: np.ndarray,
    middle: np.float32,
    at_row: np.ndarray,
    at_col: np.ndarray,
    found: np.ndarray,
) -> None:
    """Solve the pixels that share a set of lobes; samples in units of the largest light of a flat pixel."""
    lamps, count = shared.shape
    zero = np.float32(0)
    pixels = len(at_row)
    strong, dull = np.empty(pixels, np.float32), np.empty(pixels, np.float32)
    for p in range(pixels):
        strong[p], dull[p] = strip.specular[at_row[p], at_col[p]], strip.diffuse[at_row[p], at_col[p]]
    usual_specular, usual_diffuse = np.float32(np.median(strong)), np.float32(np.median(dull))
    largest = np.float32(1e-9)
    for k in range(lamps):
        largest = max(largest, usual_specular * shared[k, 0] + usual_diffuse * rays[2, k])
    unit = np.float32(1) / largest
    columns = np.empty((lamps, count + 1), np.float32)
    for k in range(lamps):
        column, light = columns[k], shared[k]
        for j in range(count):
            column[j] = light[j] * unit
        column[count] = rays[2, k] * unit
    normal = np.zeros((count + 1, count + 1), np.float32)
    for i in range(count + 1):
        products = normal[i]
        for k in range(lamps):
            row = columns[k]
            value = row[i]
            for j in range(count + 1):
                products[j] += value * row[j]
    most = zero
    for j in range(count):
        most = max(most, normal[j, j])
    ridge = RIDGE * middle * middle * middle * middle * most
    for j in range(count + 1):
        normal[j, j] += ridge
    tied = TOTAL * middle * middle
    tie = (
        np.float32(lamps) * np.float32(2.5e-5) / (tied * tied * max(usual_specular * usual_specular, np.float32(1e-12)))
    )
    own, y = np.empty(lamps, np.float32), np.empty(lamps, np.float32)
    own_rays, eye = np.empty((4, lamps), np.float32), np.empty(3, np.float32)
    own_slopes, own_roughness = np.empty((2, lamps), np.float32), np.empty(lamps, np.float32)
    wanted, cross = np.empty(count + 2, np.float32), np.empty(count + 1, np.float32)
    # a pixel starts from the lobes of the one before it; the first from its own
    members, size, strength = np.empty(MOST_LOBES, np.int64), np.int64(1), np.empty(count + 2, np.float32)
    members[0] = count + 1
    for p in range(pixels):
        r, c = at_row[p], at_col[p]
        own_x, own_y = strip.slopes[0, r, c], strip.slopes[1, r, c]
        own_slopes[0], own_slopes[1], own_roughness[:] = own_x, own_y, roughness[r, c]
        for axis in range(3):
            eye[axis] = strip.eye[axis, r, c]
        aim_all(strip.lamps, strip.x_mm[c], strip.y_mm[r], own_rays)
        shine(own_rays, eye, law, own_slopes, own_roughness, own)
        own_square, own_light, brightest = zero, zero, zero
        for k in range(lamps):
            own[k] *= unit
            value = unit * strip.light[k, r, c] / own_rays[3, k]
            # a clipped sample: what the pixel's own lobe would send
            y[k] = value if abs(value) < np.float32(1e30) else own[k] * strong[p]
            brightest = max(brightest, y[k])
            own_square += own[k] * own[k]
            own_light += own[k] * y[k]
        _project(columns, y, own, wanted, cross)
        wanted[count + 1] = own_light
        # a dark pixel's light counts as much, against the sum of the strengths, as a bright one's
        pixel_tie = tie * brightest * brightest
        for j in range(count + 2):
            wanted[j] += pixel_tie * strong[p] if j != count else zero
        size = non_negative(normal, cross, own_square + ridge, pixel_tie, wanted, members, size, strength)
        for k in range(lamps):
            y[k] -= own[k] * strength[count + 1]
        for j in range(count + 1):
            if strength[j] > zero:
                for k in range(lamps):
                    y[k] -= columns[k, j] * strength[j]
        residual = zero
        for k in range(lamps):
            residual += y[k] * y[k]
        residual = np.sqrt(residual / np.float32(lamps))
        if residual < found[3, r, c]:
            x_mean, y_mean, spread = _moments(strength, grid, own_x, own_y)
            found[0, r, c], found[1, r, c], found[2, r, c], found[3, r, c] = x_mean, y_mean, spread, residual


@numba.njit(**COMPILE)
def _project(columns: np.ndarray, y: np.ndarray, own: np.ndarray, wanted: np.ndarray, cross: np.ndarray) -> None:
    """Products of the columns (L, J) with y (L,), to the first J of wanted, and with own (L,), to cross (J,)."""
    lamps, count = columns.shape
    one, two = np.zeros(count, np.float32), np.zeros(count, np.float32)
    for k in range(0, lamps - 1, 2):
        row, next_row = columns[k], columns[k + 1]
        y0, y1, own0, own1 = y[k], y[k + 1], own[k], own[k + 1]
        for j in range(count):
            one[j] += y0 * row[j] + y1 * next_row[j]
            two[j] += own0 * row[j] + own1 * next_row[j]
    if lamps % 2:
        row, y0, own0 = columns[lamps - 1], y[lamps - 1], own[lamps - 1]
        for j in range(count):
            one[j] += y0 * row[j]
            two[j] += own0 * row[j]
    for j in range(count):
        wanted[j], cross[j] = one[j], two[j]


@numba.njit(**COMPILE)
def _moments(
    strength: np.ndarray, slopes: np.ndarray, own_x: np.float32, own_y: np.float32
) -> tuple[np.float32, np.float32, np.float32]:
    """Mean slopes and the spread about them; the last but one strength is the diffuse part and has no slope."""
    count = slopes.shape[1]
    own = strength[count + 1]
    total = own + np.float32(1e-12)
    x, y = own * own_x, own * own_y
    square = own * (own_x * own_x + own_y * own_y)
    for j in range(count):
        s = strength[j]
        total += s
        x += s * slopes[0, j]
        y += s * slopes[1, j]
        square += s * (slopes[0, j] * slopes[0, j] + slopes[1, j] * slopes[1, j])
    x, y = x / total, y / total
    return x, y, np.sqrt(max(square / total - x * x - y * y, np.float32(0)))
