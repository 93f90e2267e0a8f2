"""Which of several spots on a sphere is the lamp's: by its light, or by what the other spheres show."""

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lightdome.lights.highlight import Spot
from lightdome.lights.triangulate import Sight, crossing

CLEARLY_BRIGHTER = 4.0
"""Times the light of the next: such a spot is taken without more ado."""
CLEARLY_BETTER, ANGLE_FLOOR_DEG = 3.0, 0.3
"""Times closer together than the next combination of spots, from this angle on."""


def choose(sight: Sight, spots: Sequence[Sequence[Sequence[Spot]]], near: bool) -> tuple[Sight, dict[int, str]]:
    """The sight with the highlights chosen, and a sentence for each lamp (index) where there was a choice.

    spots : by lamp and sphere, the one with the most light first. Where two are of like brightness, those spots are
    taken whose rays cross best (near) or are most parallel (distant); where that does not tell, the brighter.
    """
    lamps, spheres = len(spots), len(sight.circles_px)
    picks = np.zeros((lamps, spheres), int)
    notes: dict[int, str] = {}
    for lamp, of_lamp in enumerate(spots):
        options = [_options(found) for found in of_lamp]
        if max((len(option) for option in options), default=0) < 2:
            continue
        best = _best(sight, of_lamp, options, near)
        double = ", ".join(str(sphere + 1) for sphere in range(spheres) if len(options[sphere]) > 1)
        if best is None:
            notes[lamp] = f"two highlights on sphere {double}; the brighter one was taken, which may be wrong"
        else:
            picks[lamp] = best
            notes[lamp] = f"two highlights on sphere {double}; the one was taken that fits the other spheres"
    place = np.full((lamps, spheres, 2), np.nan)
    doubt = np.full((lamps, spheres), np.nan)
    for lamp, sphere in itertools.product(range(lamps), range(spheres)):
        if spots[lamp][sphere]:
            spot = spots[lamp][sphere][picks[lamp, sphere]]
            place[lamp, sphere], doubt[lamp, sphere] = spot.centre_px, spot.u_px
    return replace(sight, highlights_px=place, u_highlights_px=doubt), notes


def _options(found: Sequence[Spot]) -> list[int]:
    """Spots that cannot be told by brightness alone."""
    return [index for index, spot in enumerate(found) if spot.light * CLEARLY_BRIGHTER > found[0].light]


def _best(
    sight: Sight, of_lamp: Sequence[Sequence[Spot]], options: Sequence[Sequence[int]], near: bool
) -> tuple[int, ...] | None:
    """The combination of spots whose rays belong together, or None where it does not stand out."""
    used = [sphere for sphere, option in enumerate(options) if option]
    if len(used) < 2:
        return None
    scores = []
    part = replace(
        sight,
        circles_px=sight.circles_px[used],
        u_circles_px=sight.u_circles_px[used],
        heights_mm=sight.heights_mm[used],
    )
    for combination in itertools.product(*(options[sphere] for sphere in used)):
        places = [of_lamp[sphere][index].centre_px for sphere, index in zip(used, combination, strict=True)]
        scores.append((_apart_deg(replace(part, highlights_px=np.array([places])), near), combination))
    scores.sort()
    if len(scores) > 1 and scores[1][0] < CLEARLY_BETTER * max(scores[0][0], ANGLE_FLOOR_DEG):
        return None
    full = [0] * len(options)
    for sphere, index in zip(used, scores[0][1], strict=True):
        full[sphere] = index
    return tuple(full)


def _apart_deg(sight: Sight, near: bool) -> float:
    """Root mean square angle between the rays of one lamp and the place, or direction, that fits them best."""
    points, toward = (values[0] for values in sight.rays())
    if not np.isfinite(toward).all():
        return np.inf
    if near:
        best = crossing(points, toward, np.ones(len(points)))[0] - points
        best /= np.linalg.norm(best, axis=1, keepdims=True)
    else:
        best = np.broadcast_to(toward.mean(axis=0) / np.linalg.norm(toward.mean(axis=0)), toward.shape)
    cosine = np.clip((best * toward).sum(axis=1), -1, 1)
    return float(np.degrees(np.sqrt(np.mean(np.arccos(cosine) ** 2))))
