"""Normals, reflectance and flags of a region of a plate: one lobe a pixel, and mixtures of slopes where that fails."""

from dataclasses import dataclass

import cv2
import numpy as np

from lightdome.lights.field import Lamps, view_field
from lightdome.lights.lamps import LampSet
from lightdome.surface.block import Seen
from lightdome.surface.doubt import lamp_covariance, mixture_doubt
from lightdome.surface.lobe import METAL, Lobe, unstretch
from lightdome.surface.microfacet import START_BOTH, START_MATTE, START_METAL, fit_lobes
from lightdome.surface.mixture import PATCH_PX, Strip, mix
from lightdome.surface.neighbours import WINDOW_PX, local_median, smoother_and_rougher
from lightdome.surface.region import (
    FEW_LAMPS,
    FLAG_FEW,
    FLAG_INCONSISTENT,
    FLAG_INTERREFLECTION,
    FLAG_NONE,
    FLAG_SEVERAL,
    FLAG_TAIL,
    Region,
)

STRIP_PX = 8192
"""Pixels fitted at a time, so that the directions of all lamps stay in the caches."""
ITERATIONS = 8
MISFIT = 3.0
"""A pixel whose residuals are larger than the noise by this factor is not one lobe."""
BROADER = 0.08
"""Nor is one whose roughness differs from its neighbourhood's by more than this part."""
DIFFERENT = 1.1
"""Beside a border between two roughnesses both are tried, if they differ by more than this factor."""
FEWEST_WITHIN = 4
"""Lamps within the lobe that its four unknowns take: two slopes, roughness, strength."""
TWICE = 1.0
"""Roughness over the region's less specular reflectance over the region's; on rendered grooves of resolved walls of 42
degrees, light that met both of them is told so (benchmarks/metal.py)."""
UNEXPLAINED = 0.13
"""Residual over the largest light above which a fit is called inconsistent. With this and `TWICE` no more than 30 % of
the walls of rendered grooves of eleven materials are flagged, and those left are right to 6 degrees (median) but for
the smoothest metal (benchmarks/metal.py)."""
LOST, LOST_DOUBT = 0.1, 0.15
"""Share of samples lost (clipped) from which the uncertainty rises, and its rise over share and roughness: with the
brighter half of all samples clipped, slopes are off by about this (tests/surface/test_hard_input.py)."""
LEAST_DOUBT = float(np.radians(0.003))
"""Standard uncertainty of the slopes that no light makes smaller: lens, lamps and table are not better known (common
practice, no source)."""
CROWDED, CROWDED_DOUBT = 0.75, 0.4
"""Share of pixels of several slopes in a window, and their standard uncertainty over the spread of their slopes: on
rendered grooves 80 % of a metal's pixels then lie within their 95 % intervals, 60 % without (benchmarks/metal.py)."""
LARGEST_DOUBT = np.float32(np.pi / 2)
"""Of a tilt: nothing is known of it."""
UNSURE = 1.5
"""Misfit above which the residual over the largest light is added to the uncertainty of the slopes, as it is."""


@dataclass(frozen=True)
class Around:
    """What the neighbourhood of every pixel tells, (rows, columns) each."""

    usual_roughness: float
    usual_specular: float
    """Medians over the well explained metal of the region; the latter 0 where there is none."""
    roughness: np.ndarray
    specular: np.ndarray
    diffuse: np.ndarray
    metal: np.ndarray
    """bool: most of the light is the lobe's."""

    @classmethod
    def of(cls, fitted: np.ndarray, lobe: Lobe) -> "Around":
        """From the fit of `_fit_strip`, of a region."""
        diffuse, specular, roughness, misfit, shiny = fitted[2], fitted[3], fitted[4], fitted[5], fitted[11]
        known = np.isfinite(misfit)
        good = known & (misfit < MISFIT) & (shiny > METAL)
        usual = (float(np.median(values[good])) if good.any() else 0.0 for values in (roughness, specular))
        usual_roughness, usual_specular = usual
        return cls(
            usual_roughness=usual_roughness or lobe.roughness,
            usual_specular=usual_specular,
            roughness=local_median(roughness, good, usual_roughness or lobe.roughness),
            specular=local_median(specular, good, usual_specular),
            diffuse=local_median(diffuse, known, 0),
            metal=local_median(shiny, known, 0) > METAL,
        )


def solve_facets(light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, lobe: Lobe) -> Region:
    """Solve a region: light (L, rows, columns), NaN where a sample is not to be used; x_mm (columns,), y_mm (rows,)."""
    shape = light.shape[1:]
    fitted = np.empty((13, *shape), np.float32)
    # where a lobe and a diffuse part can share the light in more ways than one, a row would hand its way on to the next
    above = np.full((5, shape[1]), np.nan, np.float32) if lobe.metal > METAL else None
    for strip in _strips(shape):
        fitted[:, strip] = _fit_strip(light[:, strip], lamps, x_mm, y_mm[strip], lobe, above)
    around = Around.of(fitted, lobe)
    total = fitted[2] + fitted[3]
    slopes, misfit, roughness = fitted[:2], fitted[5], fitted[4]
    known = np.isfinite(misfit)
    with np.errstate(invalid="ignore", divide="ignore"):
        broad = np.abs(np.log(roughness / around.roughness)) > BROADER
    mixed = known & around.metal & (around.specular > 0) & ((misfit > MISFIT) | (broad & (misfit > 1)))
    flags = np.zeros(shape, np.uint8)
    flags[known & (fitted[9] < FEW_LAMPS)] |= FLAG_FEW
    flags[known & (fitted[11] > METAL) & (fitted[10] < FEWEST_WITHIN)] |= FLAG_TAIL
    flags[known & (fitted[12] > UNEXPLAINED) & ~mixed] |= FLAG_INCONSISTENT
    flags[mixed] |= FLAG_SEVERAL
    flags[_interreflecting(fitted, around, known)] |= FLAG_INTERREFLECTION
    u_slope2 = (fitted[6] + fitted[8]) / 2 * np.maximum(misfit, 1) ** 2 + LEAST_DOUBT**2
    u_slope2 += np.where(misfit > UNSURE, fitted[12], 0) ** 2
    lost = 1 - fitted[9] / len(light)  # the brightest, as a rule: where the peak of the lobe lies is then less sure
    u_slope2 += np.where(lost > LOST, LOST_DOUBT * lost * roughness, 0) ** 2
    flags[known & ((fitted[11] > METAL) | around.metal) & (lost > 2 * LOST)] |= FLAG_TAIL
    if mixed.any():
        x, y, spread, residual = _mixtures(light, lamps, x_mm, y_mm, lobe, mixed, slopes, around)
        slopes = np.where(mixed, np.stack([x, y]), slopes)
        fitted[3:5, mixed] = np.nan  # one lobe says nothing of the material of several slopes
        flags[mixed & (residual > UNEXPLAINED)] |= FLAG_INCONSISTENT
        # several slopes in every pixel around are walls that the camera resolves and that light each other
        crowded = cv2.blur(mixed.astype(np.float32), (WINDOW_PX, WINDOW_PX)) > CROWDED
        doubt = np.where(crowded, CROWDED_DOUBT * spread, mixture_doubt(spread, around.roughness, lamps))
        u_slope2 = np.where(mixed, doubt**2, u_slope2)
    flags[~known] = FLAG_NONE
    # a tilt that no light holds has a covariance that is not a number
    u_tilt_rad = np.fmin(np.sqrt(u_slope2) / (1 + slopes[0] ** 2 + slopes[1] ** 2) ** 0.75, LARGEST_DOUBT)
    return Region(
        slopes=slopes,
        u_tilt_rad=np.where(known, u_tilt_rad, np.float32(np.nan)),
        reflectance=_reflectance(fitted, lobe),
        total=np.where(known, total, np.float32(np.nan)),
        flags=flags,
    )


def _interreflecting(fitted: np.ndarray, around: Around, known: np.ndarray) -> np.ndarray:
    """Where the light of a metal may have met two walls: bool, (rows, columns).

    Twice thrown back it is weaker (the square of the specular reflectance) and its lobe broader (two lobes in one). A
    single pixel of several slopes looks alike, so that most of a window of 5 x 5 pixels must say so: walls resolved by
    the camera.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        sign = fitted[4] / around.usual_roughness - fitted[3] / around.usual_specular
    said = known & (fitted[11] > METAL) & (sign > TWICE) & (around.usual_specular > 0)
    return known & (cv2.medianBlur(said.astype(np.uint8), 5) > 0)


def _reflectance(fitted: np.ndarray, lobe: Lobe) -> np.ndarray:
    """Diffuse, specular, roughness, anisotropy, direction in degrees: (5, rows, columns)."""
    diffuse, specular, roughness = fitted[2:5]
    anisotropy, direction_rad = unstretch(*lobe.stretched)
    shiny = np.where(specular > 0, np.float32(1), np.float32(np.nan))  # nothing is known of a lobe that is not there
    direction_deg = np.float32(np.degrees(direction_rad) if anisotropy > 1 else np.nan)
    return np.stack([diffuse, specular, roughness * shiny, np.float32(anisotropy) * shiny, direction_deg * shiny])


def _strips(shape: tuple[int, int]) -> list[slice]:
    step = max(1, STRIP_PX // shape[1])
    return [slice(row, min(row + step, shape[0])) for row in range(0, shape[0], step)]


def _fit_strip(
    light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, lobe: Lobe, above: np.ndarray | None
) -> np.ndarray:
    """One lobe a pixel: (13, rows, columns), in the order that `solve_facets` unpacks; `above` as of `fit_lobes`."""
    count, rows, cols = light.shape
    view = view_field(lamps, x_mm, y_mm).reshape(3, -1)
    seen = Seen.under(light.reshape(count, -1), lamps, np.tile(x_mm, rows), np.repeat(y_mm, cols), view)
    roughness = np.full(rows * cols, lobe.roughness, np.float32)
    # where strengths are held at zero, a metal's pixel must begin with its lobe in place, or it is held as well
    start = START_METAL if lobe.metal > METAL else START_BOTH if lobe.lobe_pull > 0 else START_MATTE
    fit = fit_lobes(seen, lobe, roughness, True, ITERATIONS, start, with_model=False, above=above)
    covariance = fit.covariance + lamp_covariance(fit, lamps)
    parts = [fit.slopes, fit.diffuse[None], fit.specular[None], fit.roughness[None], fit.misfit[None], covariance]
    parts += [fit.usable[None], fit.within[None], fit.shiny[None], fit.unexplained[None]]
    return np.concatenate(parts).reshape(13, rows, cols)


def _mixtures(
    light: np.ndarray,
    lamps: LampSet,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    lobe: Lobe,
    mixed: np.ndarray,
    slopes: np.ndarray,
    around: Around,
) -> np.ndarray:
    """Mean slopes, their spread and the relative residual, (4, rows, columns), of the mixed pixels.

    Beside a border between two roughnesses both are tried; the one with the smaller residual stands.
    """
    found = np.zeros((4, *mixed.shape), np.float32)
    found[3] = np.inf
    smooth, rough = smoother_and_rougher(around.roughness)
    for row in range(0, len(y_mm), PATCH_PX):
        rows = slice(row, min(row + PATCH_PX, len(y_mm)))
        if not mixed[rows].any():
            continue
        strip = Strip(
            light=np.ascontiguousarray(light[:, rows]),
            lamps=Lamps.of(lamps),
            x_mm=x_mm.astype(np.float32),
            y_mm=y_mm[rows].astype(np.float32),
            eye=view_field(lamps, x_mm, y_mm[rows]),
            slopes=np.ascontiguousarray(slopes[:, rows]),
            specular=around.specular[rows],
            diffuse=around.diffuse[rows],
        )
        result = np.ascontiguousarray(found[:, rows])
        mix(lobe, strip, mixed[rows], smooth[rows], result)
        mix(lobe, strip, mixed[rows] & (rough[rows] > DIFFERENT * smooth[rows]), rough[rows], result)
        found[:, rows] = result
    return found
