"""Normals, reflectance and flags of a region of a plate: one lobe a pixel, and mixtures of slopes where that fails."""

import numpy as np

from lightdome.lights.field import lamp_field, view_field
from lightdome.lights.lamps import LampSet
from lightdome.surface.doubt import lamp_covariance
from lightdome.surface.lobe import Lobe, unstretch
from lightdome.surface.microfacet import fit_lobes
from lightdome.surface.mixture import PATCH_PX, mix
from lightdome.surface.neighbours import local_median, smoother_and_rougher
from lightdome.surface.region import FEW_LAMPS, FLAG_FEW, FLAG_INCONSISTENT, FLAG_NONE, FLAG_SEVERAL, FLAG_TAIL, Region

STRIP_PX = 4096
"""Pixels fitted at a time, so that the directions of all lamps stay in the caches."""
ITERATIONS = 10
METAL = 0.5
"""Share of the lobe in the light above which a neighbourhood counts as metal, and its specular reflectance as known."""
MISFIT = 2.0
"""A pixel whose residuals are larger than the noise by this factor is not one lobe."""
BROADER = 0.08
"""Nor is one whose roughness differs from its neighbourhood's by more than this part."""
DIFFERENT = 1.1
"""Beside a border between two roughnesses both are tried, if they differ by more than this factor."""
INCONSISTENT = 6.0
INCONSISTENT_MIXTURE = 0.12
SPREAD_DOUBT = 0.22
"""Standard uncertainty of the mean of several slopes over their spread: on rendered plates of six materials the 95 %
intervals then hold 95 % of the pixels (benchmarks/metal.py)."""


def solve_facets(light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, lobe: Lobe) -> Region:
    """Solve a region: light (L, rows, columns), NaN where a sample is not to be used; x_mm (columns,), y_mm (rows,)."""
    shape = light.shape[1:]
    fitted = np.concatenate(
        [_fit_strip(light[:, strip], lamps, x_mm, y_mm[strip], lobe) for strip in _strips(shape)], axis=1
    )
    slopes, diffuse, specular, roughness = fitted[:2], fitted[2], fitted[3], fitted[4]
    misfit, covariance, usable, within, shiny = fitted[5], fitted[6:9], fitted[9], fitted[10], fitted[11]
    known = np.isfinite(slopes[0])
    # what the neighbourhood tells
    good = known & (misfit < MISFIT) & (shiny > METAL)
    share = local_median(shiny, known, 0)
    typical = float(np.median(roughness[good])) if good.any() else lobe.roughness
    shared = local_median(roughness, good, typical)
    strong = local_median(specular, good, float(np.median(specular[good])) if good.any() else 0)
    matte = local_median(diffuse, known, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        broad = np.abs(np.log(roughness / shared)) > BROADER
        mixed = known & (share > METAL) & (strong > 0) & ((misfit > MISFIT) | (broad & (misfit > 1)))
    flags = np.zeros(shape, np.uint8)
    flags[known & (usable < FEW_LAMPS)] |= FLAG_FEW
    flags[known & (shiny > METAL) & (within < 3)] |= FLAG_TAIL
    flags[known & (misfit > INCONSISTENT) & ~mixed] |= FLAG_INCONSISTENT
    flags[mixed] |= FLAG_SEVERAL
    variance = covariance * np.maximum(misfit, 1) ** 2
    u_slope2 = (variance[0] + variance[2]) / 2
    if mixed.any():
        mixed_slopes, spread, residual = _mixtures(
            light, lamps, x_mm, y_mm, lobe, mixed, slopes, smoother_and_rougher(shared), strong, matte
        )
        slopes = np.where(mixed, mixed_slopes, slopes)
        flags[mixed & (residual > INCONSISTENT_MIXTURE)] |= FLAG_INCONSISTENT
        u_slope2 = np.where(mixed, np.maximum(u_slope2 * 0, (SPREAD_DOUBT * spread) ** 2), u_slope2)
    flags[~known] = FLAG_NONE
    anisotropy, direction_rad = unstretch(*lobe.stretched)
    direction = np.degrees(direction_rad) if anisotropy > 1 else np.nan
    shaped = np.where(known, np.stack([np.full(shape, anisotropy), np.full(shape, direction)]), np.nan)
    dull = np.where(specular > 0, roughness, np.nan)
    return Region(
        slopes=slopes,
        u_tilt_rad=np.sqrt(u_slope2) / (1 + slopes[0] ** 2 + slopes[1] ** 2) ** 0.75,
        reflectance=np.concatenate([np.stack([diffuse, specular, dull]), shaped]).astype(np.float32),
        flags=flags,
    )


def _strips(shape: tuple[int, int]) -> list[slice]:
    step = max(1, STRIP_PX // shape[1])
    return [slice(row, min(row + step, shape[0])) for row in range(0, shape[0], step)]


def _fit_strip(light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, lobe: Lobe) -> np.ndarray:
    """One lobe a pixel: (12, rows, columns), in the order that `solve_facets` unpacks."""
    count, rows, cols = light.shape
    direction, irradiance = lamp_field(lamps, x_mm, y_mm)
    direction, irradiance = direction.reshape(count, 3, -1), irradiance.reshape(count, -1)
    view = view_field(lamps, x_mm, y_mm).reshape(3, -1)
    roughness = np.full(rows * cols, lobe.roughness, np.float32)
    fit = fit_lobes(light.reshape(count, -1), direction, irradiance, view, lobe, roughness, True, ITERATIONS)
    covariance = fit.covariance + lamp_covariance(fit, lamps)
    parts = [fit.slopes, fit.diffuse[None], fit.specular[None], fit.roughness[None], fit.misfit[None], covariance]
    parts += [fit.usable[None], fit.within[None], fit.shiny[None]]
    return np.concatenate(parts).reshape(12, rows, cols)


def _mixtures(
    light: np.ndarray,
    lamps: LampSet,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    lobe: Lobe,
    mixed: np.ndarray,
    slopes: np.ndarray,
    roughness: tuple[np.ndarray, ...],
    specular: np.ndarray,
    diffuse: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean slopes (2, rows, columns), spread of the slopes and relative residual (rows, columns) of the mixed pixels.

    roughness : the candidates, (rows, columns) each; where they differ, the one with the smaller residual stands.
    """
    _, rows, cols = light.shape
    found = np.zeros((4, rows, cols), np.float32)
    found[3] = np.inf
    for row in range(0, rows, PATCH_PX):
        strip = slice(row, min(row + PATCH_PX, rows))
        if not mixed[strip].any():
            continue
        direction, irradiance = lamp_field(lamps, x_mm, y_mm[strip])
        view = view_field(lamps, x_mm, y_mm[strip])
        with np.errstate(invalid="ignore"):
            sample = light[:, strip] / irradiance
        for number, candidate in enumerate(roughness):
            wanted = mixed[strip] & ((number == 0) | (candidate[strip] > DIFFERENT * roughness[0][strip]))
            for col in range(0, cols, PATCH_PX):
                part = slice(col, min(col + PATCH_PX, cols))
                rough = candidate[strip, part]
                # sets of lobes in steps of a twentieth of the logarithm, so that a patch needs few
                set_of = np.round(np.log(rough) * 20).astype(np.int32)
                for one in np.unique(set_of[wanted[:, part]]):
                    r, c = np.nonzero(wanted[:, part] & (set_of == one))
                    own_rough = rough[r, c]
                    c = c + col
                    middle = (rough.shape[0] // 2, col + rough.shape[1] // 2)
                    patch = (direction[:, :, middle[0], middle[1]], view[:, middle[0], middle[1]])
                    pixels = (sample[:, r, c], direction[:, :, r, c], view[:, r, c], slopes[:, strip][:, r, c])
                    around = (own_rough, specular[strip][r, c], diffuse[strip][r, c])
                    result = mix(lobe, patch, pixels, around)
                    better = result[3] < found[3, strip][r, c]
                    found[:, r[better] + row, c[better]] = result[:, better]
    return found[:2], found[2], found[3]
