"""From the photographs of mirror spheres to the lamps: what was seen, in which order it is made sense of."""

from dataclasses import dataclass, replace

import numpy as np

from lightdome.errors import LampError
from lightdome.lights.choice import choose
from lightdome.lights.highlight import Spot
from lightdome.lights.one_sphere import mean_directions
from lightdome.lights.rim import Rim
from lightdome.lights.table_check import compare
from lightdome.lights.triangulate import Sight, crossings, refine_together
from lightdome.lights.view import View
from lightdome.raster import Window

FEWEST_FOR_DISTANCE = 3
"""Lamps on two spheres from which on their usual distance says something of one that is seen on a single sphere."""
DISTANCE_SPREAD = 0.05
"""Of the usual distance: less is not believed of it."""
FAR_MISS_PX, FAR_MISS = 1.0, 5.0
"""A highlight farther from where the others say than this, and than so many of its standard uncertainties, is named."""
DISAGREE = 3.0
"""Residuals over what was promised, from which on the spheres are said to disagree."""
NEAR_DEG = 0.5
"""Angle between the spheres' directions of a lamp from which on lamps taken as distant are said to be near."""
OWN_PICTURE = "the spheres are not photographed with the plate, so that only directions are known"


@dataclass(frozen=True)
class Seen:
    """What was measured in the photographs."""

    view: View
    rims: tuple[Rim, ...]
    heights_mm: np.ndarray
    """(M,): of the spheres' centres above the plate."""
    parts: tuple[Window, ...]
    """Of the picture, about each sphere."""
    spots: tuple[tuple[tuple[Spot, ...], ...], ...]
    """By lamp and sphere, in the photograph's pixels; the one with the most light first."""
    common: bool
    """Whether the spheres stand in the picture of the plate, so that their places are known."""
    warnings: tuple[str, ...]

    @property
    def sight(self) -> Sight:
        """Numbers for the fit; no highlight is chosen yet."""
        circles = np.array([rim.numbers for rim in self.rims])
        doubt = np.array([rim.u_px for rim in self.rims])
        none = np.full((len(self.spots), len(self.rims), 2), np.nan)
        return Sight(self.view, circles, doubt, self.heights_mm, none, none[..., 0])


@dataclass(frozen=True)
class Located:
    """Lamps as the spheres show them."""

    vectors: np.ndarray
    """(L, 3): places, mm, or unit vectors; NaN where a lamp was not seen."""
    covariance: np.ndarray
    """(L, 3, 3), mm^2, or (L, 2, 2), degrees^2."""
    sight: Sight
    """With the highlights chosen, and the spheres as refined."""
    residuals_px: np.ndarray
    """(L, M): how far each highlight lies from where it should be; NaN where nothing checks it."""
    widening: float
    warnings: tuple[str, ...]


def locate(
    names: tuple[str, ...], seen: Seen, near: bool, table: np.ndarray | None = None, u_table_mm: float | None = None
) -> Located:
    """Place (near) or direction (distant) of every lamp from its highlights.

    table : (L, 3), places or directions of lamps.csv: the start, and what the spheres are compared with. Near lamps
    that agree with it are drawn to it as far as its uncertainty u_table_mm of each coordinate says.
    Fails with LampError where places are asked for and cannot be had.
    """
    sight, notes = choose(seen.sight, seen.spots, near)
    warnings = [*seen.warnings, *(f"lamp {names[lamp]}: {note}" for lamp, note in notes.items())]
    warnings += _blind_spheres(sight)
    if not near:
        return _directions(names, sight, seen, table, warnings)
    if not seen.common:
        raise LampError(f"session.yaml, lamps.model: near cannot be given, since {OWN_PICTURE}; set model: distant")
    return _places(names, sight, table, u_table_mm, warnings)


def _blind_spheres(sight: Sight) -> list[str]:
    """Spheres that show no lamp at all."""
    return [
        f"sphere {index + 1} (column {sight.circles_px[index, 0]:.0f}, row {sight.circles_px[index, 1]:.0f}) shows no "
        f"highlight under any lamp; is it a mirror sphere, and in its place?"
        for index in np.flatnonzero(~sight.seen.any(axis=0))
    ]


def _directions(
    names: tuple[str, ...], sight: Sight, seen: Seen, table: np.ndarray | None, warnings: list[str]
) -> Located:
    directions, covariance, apart_deg, widening = mean_directions(sight)
    if table is not None:
        warnings += compare(names, table, directions).warnings
    pairs = sight.seen.sum(axis=1) >= 2
    if pairs.any():
        usual = float(np.nanmedian(apart_deg[pairs]))
        if widening > DISAGREE and usual > NEAR_DEG:
            text = f"the spheres show the lamps {usual:.1f} degrees (median) from the mean of all spheres"
            text += "; the lamps are near: take model: near" if seen.common else "; check the rims in the picture"
            warnings.append(text)
    # a pixel of highlight is 2 / r radians at least
    px = np.radians(apart_deg) * sight.circles_px[:, 2] / 2
    residuals = np.where(pairs[:, None], px, np.nan)
    return Located(directions, covariance, sight, residuals, widening, tuple(warnings))


def _places(
    names: tuple[str, ...], sight: Sight, table: np.ndarray | None, u_table_mm: float | None, warnings: list[str]
) -> Located:
    start = crossings(sight)
    prior, u_prior = np.full_like(start, np.nan), np.ones(len(start))
    if table is not None:
        directions = _first_directions(sight, start)
        comparison = compare(names, table, directions)
        warnings += comparison.warnings
        if u_table_mm and comparison.consistent:
            prior, u_prior = table.copy(), np.full(len(start), u_table_mm)
            start = np.where(np.isfinite(start), start, table)
    start, distance_prior, notes = _by_usual_distance(names, sight, start)
    warnings += notes
    lone = np.isfinite(distance_prior) & ~np.isfinite(prior[:, 0])
    prior[lone], u_prior[lone] = start[lone], distance_prior[lone]
    known = np.isfinite(start).all(axis=1) & (sight.seen.any(axis=1) | np.isfinite(prior[:, 0]))
    if table is None and sight.seen.any(axis=1).any() and not known.any():
        raise LampError(
            "session.yaml, lamps.model: near needs highlights on two spheres, or a lamp table beside them; one sphere "
            "gives directions only: photograph two, or set model: distant"
        )
    vectors, covariance = np.full_like(start, np.nan), np.full((len(start), 3, 3), np.nan)
    residuals = np.full(sight.seen.shape, np.nan)
    if not known.any():
        return Located(vectors, covariance, sight, residuals, 1.0, tuple(warnings))
    part = _of_lamps(sight, known)
    found = refine_together(part, start[known], prior[known], u_prior[known])
    vectors[known], covariance[known] = found.lamps_mm, found.covariance_mm2
    residuals[known] = np.linalg.norm(found.residuals_px, axis=2)
    warnings += _disagreements(names, sight, residuals, found.widening)
    refined = found.sight
    whole = Sight(
        refined.view,
        refined.circles_px,
        sight.u_circles_px,
        sight.heights_mm,
        sight.highlights_px,
        sight.u_highlights_px,
    )
    return Located(vectors, covariance, whole, residuals, found.widening, tuple(warnings))


def _of_lamps(sight: Sight, which: np.ndarray) -> Sight:
    return replace(sight, highlights_px=sight.highlights_px[which], u_highlights_px=sight.u_highlights_px[which])


def _first_directions(sight: Sight, start: np.ndarray) -> np.ndarray:
    """Directions (L, 3) from the origin toward crossed rays, else those of the mean ray; NaN where not seen."""
    rays = np.nan_to_num(sight.rays()[1]).sum(axis=1)
    rays[~sight.seen.any(axis=1)] = np.nan
    return np.where(np.isfinite(start) & (start[:, 2:] > 0), start, rays)


def _by_usual_distance(
    names: tuple[str, ...], sight: Sight, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Starts (L, 3) with those added that one ray and the usual distance give, the distance's doubt (L,), sentences."""
    fine = np.isfinite(start).all(axis=1) & (start[:, 2] > 0)
    lone = ~np.isfinite(start).all(axis=1) & (sight.seen.sum(axis=1) == 1)
    doubt = np.full(len(start), np.nan)
    if not lone.any() or fine.sum() < FEWEST_FOR_DISTANCE:
        return start, doubt, []
    distances = np.linalg.norm(start[fine], axis=1)
    usual = float(np.median(distances))
    spread = max(1.4826 * float(np.median(np.abs(distances - usual))), DISTANCE_SPREAD * usual)
    points, toward = sight.rays()
    start, notes = start.copy(), []
    for lamp in np.flatnonzero(lone):
        sphere = int(np.flatnonzero(sight.seen[lamp])[0])
        point, ray = points[lamp, sphere], toward[lamp, sphere]
        along = point @ ray
        start[lamp] = point + ray * (np.sqrt(max(along**2 - point @ point + usual**2, 0.0)) - along)
        doubt[lamp] = spread
        notes.append(
            f"lamp {names[lamp]} is seen on sphere {sphere + 1} alone; its distance is taken from the other lamps, "
            f"{usual:.0f} mm with a standard uncertainty of {spread:.0f} mm"
        )
    return start, doubt, notes


def _disagreements(names: tuple[str, ...], sight: Sight, residuals: np.ndarray, widening: float) -> list[str]:
    """Highlights that the fitted lamps do not explain, and spheres that do so for most lamps."""
    texts = []
    far = (residuals > FAR_MISS_PX) & (residuals > FAR_MISS * sight.u_highlights_px)
    most = np.nansum(far) > 0.3 * np.isfinite(residuals).sum()
    if widening > DISAGREE or most:
        rms = ", ".join(f"{np.sqrt(np.nanmean(residuals[:, sphere] ** 2)):.1f}" for sphere in range(residuals.shape[1]))
        texts.append(
            f"the spheres disagree: highlights lie {rms} px (rms, by sphere) from where the lamps that fit best would "
            f"show them, {widening:.0f} times what was expected; check diameter_mm, centre_height_mm and that no "
            f"sphere was moved"
        )
    if not most:
        texts += [
            f"lamp {names[lamp]}: its highlight on sphere {sphere + 1} lies {residuals[lamp, sphere]:.1f} px from "
            f"where the other spheres put it"
            for lamp, sphere in np.argwhere(far)
        ]
    return texts
