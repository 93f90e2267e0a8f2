"""Mean slope of a pixel that holds several slopes: its light as a sum of lobes, none of them negative.

Where one lobe does not explain a pixel (walls, lines about a pixel wide), the peak of the lobe is not the mean slope
that height is integrated from. The light is then taken as a sum of lobes of the neighbourhood's roughness on a polar
grid of slopes, the pixel's own lobe and a diffuse part, with strengths not below zero (non-negative least squares). The
strengths together equal the neighbourhood's specular reflectance: what the lamps do not see of a pixel still is there,
at slopes that explain the rest. The mean slope is the mean over the strengths, each of which is a share of the area.

The lobes, the weights and the normal matrix are shared by all pixels of one roughness in a patch of `PATCH_PX`, over
which the lamps' directions hardly change (0.1 degree at 50 um and 250 mm).
"""

from dataclasses import dataclass

import numba
import numpy as np

from lightdome.surface.block import COMPILE
from lightdome.surface.lobe import KNOTS, Lobe
from lightdome.surface.non_negative import MOST_LOBES, non_negative

PATCH_PX = 16
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


@dataclass(frozen=True)
class Strip:
    """Some rows of a region, float32."""

    sample: np.ndarray
    """(L, rows, columns): light over irradiance, NaN where a sample is not to be used."""
    toward: np.ndarray
    """(L, 3, rows, columns): unit vectors to the lamps."""
    view: np.ndarray
    """(3, rows, columns): unit vectors to the camera."""
    slopes: np.ndarray
    """(2, rows, columns): of the pixels' own lobes."""
    specular: np.ndarray
    """(rows, columns): specular reflectance of the pixels' neighbourhoods."""
    diffuse: np.ndarray
    """(rows, columns): diffuse strength of the pixels' neighbourhoods."""


def slope_grid() -> np.ndarray:
    """Slopes (2, J) of the lobes."""
    slopes = []
    for index, (slope, number) in enumerate(RINGS):
        angle = 2 * np.pi * (np.arange(number) + 0.5 * (index % 2)) / number
        slopes.append(slope * np.stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(slopes, axis=1).astype(np.float32)


def slope_cells() -> np.ndarray:
    """What the width of the cell that each lobe (J,) of the grid stands for adds to its roughness, in squares."""
    radii = np.array([slope for slope, _ in RINGS])
    gaps = np.diff(radii, append=2 * radii[-1] - radii[-2])
    gaps[1:] = (gaps[1:] + gaps[:-1]) / 2
    gaps[0] = 0
    return np.concatenate([np.full(number, CELL * gap) for gap, (_, number) in zip(gaps, RINGS, strict=True)]).astype(
        np.float32
    )


@numba.njit(**COMPILE)
def lobes(
    toward: np.ndarray,
    view: np.ndarray,
    table: np.ndarray,
    shadowing: np.float32,
    stretched: np.ndarray,
    roughness: np.ndarray,
    slopes: np.ndarray,
    light: np.ndarray,
) -> None:
    """Light (L, J) of facets of J slopes (2, J) under lamps (L, 3) of unit irradiance, specular reflectance 1.

    The reference is `lobe.reflect`; this one is for the inner loops.
    """
    zero, one, two = np.float32(0), np.float32(1), np.float32(2)
    steps = np.float32(KNOTS - 1)
    for k in range(toward.shape[0]):
        hz = toward[k, 2] + view[2]
        hx, hy = -(toward[k, 0] + view[0]) / hz, -(toward[k, 1] + view[1]) / hz
        h2 = one + hx * hx + hy * hy
        for j in range(slopes.shape[1]):
            sx, sy, a2 = slopes[0, j], slopes[1, j], roughness[j] * roughness[j]
            scale2 = one / (one + sx * sx + sy * sy)
            scale = np.sqrt(scale2)
            lit = (toward[k, 2] - sx * toward[k, 0] - sy * toward[k, 1]) * scale
            seen = max((view[2] - sx * view[0] - sy * view[1]) * scale, np.float32(1e-3))
            along = max(one + sx * hx + sy * hy, np.float32(0.05))
            dx, dy, cross = hx - sx, hy - sy, sx * hy - sy * hx
            u = stretched[0] * dx * dx + two * stretched[1] * dx * dy + stretched[2] * dy * dy + cross * cross
            u = u / (a2 * along * along)
            rest = one / (one + u)
            at = min(max(u * rest, zero), np.float32(0.99999)) * steps
            knot = np.uint32(at)
            value = table[knot] + (at - np.float32(knot)) * (table[knot + np.uint32(1)] - table[knot])
            cosine2 = along * along * scale2 / h2
            g2 = shadowing * shadowing * a2
            masked = two / (seen + np.sqrt(seen * seen + g2 * (one - seen * seen)))
            c = max(lit, np.float32(1e-3))
            masked *= two * c / (c + np.sqrt(c * c + g2 * (one - c * c)))
            spread = rest * rest * value * masked / (cosine2 * cosine2)
            light[k, j] = spread / (np.float32(4) * a2) if lit > zero else zero


def mix(lobe: Lobe, strip: Strip, wanted: np.ndarray, roughness: np.ndarray, found: np.ndarray) -> None:
    """Mean slopes of the wanted pixels of a strip; an answer replaces one of a larger residual.

    wanted : (rows, columns), bool.  roughness : (rows, columns), to be tried.
    found : (4, rows, columns), written: mean slopes x and y, root mean square spread of the slopes about them, root
    mean square of the residual over the largest light that a flat pixel of the patch would send.
    """
    table = (lobe.table / lobe.integral).astype(np.float32)
    stretched = lobe.stretched.astype(np.float32)
    arrays = (strip.sample, strip.toward, strip.view, strip.slopes, strip.specular, strip.diffuse)
    _mix(*arrays, wanted, roughness, table, np.float32(lobe.shadowing), stretched, slope_grid(), slope_cells(), found)


@numba.njit(**COMPILE)
def _mix(
    sample: np.ndarray,
    toward: np.ndarray,
    view: np.ndarray,
    slopes: np.ndarray,
    specular: np.ndarray,
    diffuse: np.ndarray,
    wanted: np.ndarray,
    roughness: np.ndarray,
    table: np.ndarray,
    shadowing: np.float32,
    stretched: np.ndarray,
    grid: np.ndarray,
    cells: np.ndarray,
    found: np.ndarray,
) -> None:
    lamps, rows, cols = sample.shape
    left = wanted.copy()
    at_row, at_col = np.empty(PATCH_PX * PATCH_PX, np.int64), np.empty(PATCH_PX * PATCH_PX, np.int64)
    for row in range(0, rows, PATCH_PX):
        for col in range(0, cols, PATCH_PX):
            last_row, last_col = min(row + PATCH_PX, rows), min(col + PATCH_PX, cols)
            middle_row, middle_col = (row + last_row) // 2, (col + last_col) // 2
            rays = np.ascontiguousarray(toward[:, :, middle_row, middle_col])
            eye = np.ascontiguousarray(view[:, middle_row, middle_col])
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
                    lobes(
                        rays, eye, table, shadowing, stretched, np.sqrt(middle * middle + cells * cells), grid, shared
                    )
                    _mix_set(
                        sample, toward, view, slopes, specular, diffuse, roughness, table, shadowing, stretched, grid,
                        shared, rays, middle, at_row[:size], at_col[:size], found,
                    )  # fmt: skip


@numba.njit(**COMPILE)
def _mix_set(
    sample: np.ndarray,
    toward: np.ndarray,
    view: np.ndarray,
    slopes: np.ndarray,
    specular: np.ndarray,
    diffuse: np.ndarray,
    roughness: np.ndarray,
    table: np.ndarray,
    shadowing: np.float32,
    stretched: np.ndarray,
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
        strong[p], dull[p] = specular[at_row[p], at_col[p]], diffuse[at_row[p], at_col[p]]
    usual_specular, usual_diffuse = np.median(strong), np.median(dull)
    largest = np.float32(1e-9)
    for k in range(lamps):
        largest = max(largest, usual_specular * shared[k, 0] + usual_diffuse * rays[k, 2])
    columns = np.empty((lamps, count + 1), np.float32)
    for k in range(lamps):
        for j in range(count):
            columns[k, j] = shared[k, j] / largest
        columns[k, count] = rays[k, 2] / largest
    normal = np.zeros((count + 1, count + 1), np.float32)
    for k in range(lamps):
        row = columns[k]
        for i in range(count + 1):
            value, products = row[i], normal[i]
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
    own_slopes, own_light, rough = (
        np.empty((2, 1), np.float32),
        np.empty((lamps, 1), np.float32),
        np.empty(1, np.float32),
    )
    wanted, cross = np.empty(count + 2, np.float32), np.empty(count + 1, np.float32)
    # a pixel starts from the lobes of the one before it; the first from its own
    members, size, strength = np.empty(MOST_LOBES, np.int64), 1, np.empty(count + 2, np.float32)
    members[0] = count + 1
    for p in range(pixels):
        r, c = at_row[p], at_col[p]
        own_slopes[0, 0], own_slopes[1, 0], rough[0] = slopes[0, r, c], slopes[1, r, c], roughness[r, c]
        pixel_rays, pixel_eye = np.ascontiguousarray(toward[:, :, r, c]), np.ascontiguousarray(view[:, r, c])
        lobes(pixel_rays, pixel_eye, table, shadowing, stretched, rough, own_slopes, own_light)
        wanted[:] = zero
        cross[:] = zero
        own_square, brightest = zero, zero
        for k in range(lamps):
            own[k] = own_light[k, 0] / largest
            value = sample[k, r, c] / largest
            # a clipped sample: what the pixel's own lobe would send
            y[k] = value if abs(value) < np.float32(1e30) else own[k] * strong[p]
            brightest = max(brightest, y[k])
            own_square += own[k] * own[k]
            wanted[count + 1] += own[k] * y[k]
        _project(columns, y, wanted)
        _project(columns, own, cross)
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
            x_mean, y_mean, spread = _moments(strength, grid, own_slopes[0, 0], own_slopes[1, 0])
            found[0, r, c], found[1, r, c], found[2, r, c], found[3, r, c] = x_mean, y_mean, spread, residual


@numba.njit(**COMPILE)
def _project(columns: np.ndarray, light: np.ndarray, total: np.ndarray) -> None:
    """Add the products of light (L,) with the columns (L, J) to total (J or more)."""
    for k in range(columns.shape[0]):
        row, value = columns[k], light[k]
        for j in range(columns.shape[1]):
            total[j] += value * row[j]


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
