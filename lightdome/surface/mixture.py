"""Mean slope of a pixel that holds several slopes: its light as a sum of lobes, none of them negative.

Where one lobe does not explain a pixel (walls, lines about a pixel wide), the peak of the lobe is not the mean slope that
height is integrated from. The light is then taken as a sum of lobes of the neighbourhood's roughness on a polar grid of
slopes, the pixel's own lobe and a diffuse part, with strengths not below zero (non-negative least squares). The strengths together equal the
neighbourhood's specular reflectance: what the lamps do not see of a pixel still is there, at slopes that explain the
rest. The mean slope is the mean over the strengths, since each is a share of the pixel's area.

The lobes, the weights and the normal matrix are shared by all pixels of one roughness in a patch of `PATCH_PX`, over
which the lamps' directions hardly change (0.1 degree at 50 um and 250 mm).
"""

import numba
import numpy as np

from lightdome.surface.facet_light import COMPILE
from lightdome.surface.lobe import KNOTS, Lobe
from lightdome.surface.non_negative import non_negative

PATCH_PX = 16
RINGS = ((0.0, 1), (0.1, 6), (0.2, 12), (0.31, 16), (0.44, 18), (0.6, 20), (0.8, 20), (1.05, 18))
"""Slopes of the rings of the grid and lobes on each; the steepest lies where most lamps see only a lobe's tail."""
CELL = 0.4
RIDGE = np.float32(1e-4)
"""Pull of the strengths toward zero, over the largest diagonal element."""
TOTAL = np.float32(1.25)
"""Relative standard deviation of the sum of the strengths about the neighbourhood's, over the squared roughness: what
narrow lobes leave between the lamps must be tied, what broad ones do is seen. Grid, ridge and tie were swept on plates rendered with rough conductors of roughness 0.2 and 0.4: see benchmarks/metal.py."""


def slope_grid() -> np.ndarray:
    """Slopes (2, J) of the lobes."""
    slopes = []
    for index, (slope, number) in enumerate(RINGS):
        angle = 2 * np.pi * (np.arange(number) + 0.5 * (index % 2)) / number
        slopes.append(slope * np.stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(slopes, axis=1).astype(np.float32)


def mix(
    lobe: Lobe,
    patch: tuple[np.ndarray, np.ndarray],
    pixels: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    around: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> np.ndarray:
    """Mean slopes x and y, spread of the slopes, relative residual: (4, P), of P pixels of one patch.

    patch : directions to the lamps (L, 3) and to the camera (3,) at its middle.
    pixels : light over irradiance (L, P), NaN where a sample is not to be used; directions to the lamps (L, 3, P) and to
    the camera (3, P); slopes (2, P) of the pixels' own lobes.
    around : roughness, specular reflectance and diffuse strength (P,) of the pixels' neighbourhoods.
    """
    sample, toward, view, own_slopes = (np.ascontiguousarray(array, np.float32) for array in pixels)
    roughness, specular, diffuse = around
    table = (lobe.table / lobe.integral).astype(np.float32)
    stretched = lobe.stretched.astype(np.float32)
    middle_toward, middle_view = (np.ascontiguousarray(array, np.float32) for array in patch)
    grid, middle = slope_grid(), np.float32(np.median(roughness))
    shared = np.empty((len(sample), grid.shape[1]), np.float32)
    lobes(middle_toward, middle_view, table, stretched, np.sqrt(middle**2 + slope_cells() ** 2), grid, shared)
    own = np.empty(sample.shape, np.float32)
    own_lobes(toward, view, table, stretched, roughness, own_slopes, own)
    missing = ~np.isfinite(sample)
    if missing.any():  # a clipped sample: what the pixel's own lobe would send
        sample = np.where(missing, own * specular, sample)
    result = np.empty((4, sample.shape[1]), np.float32)
    mean_slopes(sample, own, own_slopes, specular, diffuse, shared, grid, middle_toward[:, 2].copy(), middle, result)
    return result


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
    stretched: np.ndarray,
    roughness: np.ndarray,
    slopes: np.ndarray,
    light: np.ndarray,
) -> None:
    """Light (L, J) of facets of J slopes (2, J) under lamps (L, 3) of unit irradiance, specular reflectance 1 / integral.

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
            masked = two / (seen + np.sqrt(seen * seen + a2 * (one - seen * seen)))
            c = max(lit, np.float32(1e-3))
            masked *= two * c / (c + np.sqrt(c * c + a2 * (one - c * c)))
            spread = rest * rest * value * masked / (cosine2 * cosine2)
            light[k, j] = spread / (np.float32(4) * a2) if lit > zero else zero


@numba.njit(**COMPILE)
def mean_slopes(
    sample: np.ndarray,
    own: np.ndarray,
    own_slopes: np.ndarray,
    specular: np.ndarray,
    diffuse: np.ndarray,
    lobe_light: np.ndarray,
    slopes: np.ndarray,
    matte_light: np.ndarray,
    roughness: np.float32,
    result: np.ndarray,
) -> None:
    """Mean slopes of the P pixels of one patch and one roughness.

    sample : (L, P), light over irradiance.  own : (L, P), light of the pixel's own lobe at specular reflectance 1.
    own_slopes : (2, P).  specular, diffuse : (P,), those of the neighbourhood.
    lobe_light : (L, J), see `lobes`, at specular reflectance 1.  slopes : (2, J).  matte_light : (L,), diffuse light.
    result : (4, P), written: mean slopes x and y, root mean square spread of the slopes about them, root mean square of
    the residual over the largest expected light.
    """
    lamps, pixels = sample.shape
    count = lobe_light.shape[1]
    zero, one = np.float32(0), np.float32(1)
    middle_specular, middle_diffuse = np.float32(np.median(specular)), np.float32(np.median(diffuse))
    largest = np.float32(1e-9)  # what a flat pixel of the patch would send
    for k in range(lamps):
        largest = max(largest, middle_specular * lobe_light[k, 0] + middle_diffuse * matte_light[k])
    weight = one / (largest * largest)
    columns = np.empty((count + 1, lamps), np.float32)
    columns[:count] = lobe_light.T
    columns[count] = matte_light
    weighted = columns * weight
    normal = np.dot(weighted, columns.T)
    right = np.dot(weighted, sample)
    cross = np.dot(weighted, own)
    # the sum of all strengths, as one more row of the design
    tied = TOTAL * roughness * roughness
    total = np.float32(lamps) * np.float32(2.5e-5) / (tied * tied)
    total /= max(middle_specular * middle_specular, np.float32(1e-12))
    most = zero
    for j in range(count):
        most = max(most, normal[j, j])
    for j in range(count + 1):
        normal[j, j] += RIDGE * most
    # unknowns: the shared lobes, the diffuse part, the pixel's own lobe
    matrix = np.zeros((count + 2, count + 2))
    wanted = np.empty(count + 2)
    strength = np.zeros((count + 2, pixels), np.float32)
    for p in range(pixels):
        own_square, own_right, brightest = zero, zero, zero
        for k in range(lamps):
            brightest = max(brightest, sample[k, p])
            own_square += weight * own[k, p] * own[k, p]
            own_right += weight * own[k, p] * sample[k, p]
        # a dark pixel's light counts as much, against the sum, as a bright one's
        tie = total * (brightest * brightest) / (largest * largest)
        add = tie * specular[p]
        matrix[: count + 1, : count + 1] = normal
        matrix[:count, :count] += tie
        for j in range(count + 1):
            both = tie if j < count else zero
            wanted[j] = right[j, p] + both * specular[p]
            matrix[count + 1, j] = matrix[j, count + 1] = cross[j, p] + both
        matrix[count + 1, count + 1] = own_square + RIDGE * most + tie
        wanted[count + 1] = own_right + add
        strength[:, p] = non_negative(matrix, wanted, count + 1)
    _moments(strength, slopes, own_slopes, result)
    light = np.dot(columns.T, strength[: count + 1])
    for p in range(pixels):
        residual = zero
        for k in range(lamps):
            r = sample[k, p] - light[k, p] - own[k, p] * strength[count + 1, p]
            residual += r * r
        result[3, p] = np.sqrt(residual / np.float32(lamps)) / max(largest, np.float32(1e-12))


@numba.njit(**COMPILE)
def _moments(strength: np.ndarray, slopes: np.ndarray, own_slopes: np.ndarray, result: np.ndarray) -> None:
    """Mean slopes and their spread over the strengths; the last but one strength is the diffuse part, without a slope."""
    count = slopes.shape[1]
    for p in range(strength.shape[1]):
        own = strength[count + 1, p]
        total = own + np.float32(1e-12)
        x, y = own * own_slopes[0, p], own * own_slopes[1, p]
        square = own * (own_slopes[0, p] ** 2 + own_slopes[1, p] ** 2)
        for j in range(count):
            s = strength[j, p]
            total += s
            x += s * slopes[0, j]
            y += s * slopes[1, j]
            square += s * (slopes[0, j] ** 2 + slopes[1, j] ** 2)
        x, y = x / total, y / total
        result[0, p], result[1, p] = x, y
        result[2, p] = np.sqrt(max(square / total - x * x - y * y, np.float32(0)))


@numba.njit(**COMPILE)
def own_lobes(
    toward: np.ndarray,
    view: np.ndarray,
    table: np.ndarray,
    stretched: np.ndarray,
    roughness: np.ndarray,
    slopes: np.ndarray,
    light: np.ndarray,
) -> None:
    """Light (L, P) of every pixel's own lobe: arguments as of `lobes`, one direction, roughness and slope a pixel."""
    one_light = np.empty((toward.shape[0], 1), np.float32)
    for p in range(slopes.shape[1]):
        rays, eye = np.ascontiguousarray(toward[:, :, p]), np.ascontiguousarray(view[:, p])
        lobes(rays, eye, table, stretched, roughness[p : p + 1], np.ascontiguousarray(slopes[:, p : p + 1]), one_light)
        light[:, p] = one_light[:, 0]
