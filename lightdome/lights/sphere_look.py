"""What photographs show of the spheres: their rims, and the spots on them. Arrays in, arrays out."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from lightdome.errors import LampError
from lightdome.lights.highlight import Spot, find_spots, without_static
from lightdome.lights.rim import Rim
from lightdome.lights.sphere_find import (
    CUT,
    GIVEN_U_PX,
    MASK_RMS_PX,
    REACH,
    cut_by_frame,
    discs_of,
    refine,
    rim_of_mask,
    search,
)
from lightdome.lights.sphere_rays import above_plate
from lightdome.lights.view import View
from lightdome.raster import Window
from lightdome.session.lens import Lens
from lightdome.session.records import Sphere

PITCH_DOUBT = 0.08
"""Relative: how far a sphere's radius may lie from what its diameter and the pixel pitch say, to be looked for."""
WHOLE = 0.85
"""Share of a rim on which edges must be seen to be taken rather than a mask."""
ODD_RADIUS = 0.03
"""Relative: a rim that much off is named."""
SMALLEST_SHARE, LARGEST_SHARE = 0.04, 0.5
"""Radii looked for in pictures of unknown pitch, of the shorter side."""
MARGIN = 1.25
"""Of the radius: what is cut out around a sphere."""
HELP = "give centre_px and radius_px of each sphere in session.yaml, or a sphere-mask"


def expected_radius_px(sphere: Sphere, view: View) -> float:
    """Radius at which a sphere is seen near the middle of the picture."""
    if view.distance_mm is None:
        return sphere.diameter_mm / 2 / view.pitch_mm
    # focal length x tangent of the half angle whose sine is radius / distance
    sine = sphere.diameter_mm / 2 / (view.distance_mm - sphere.height_mm)
    return float(view.distance_mm / view.pitch_mm * sine / np.sqrt(1 - sine**2))


def starts_of_mask(mask: np.ndarray, spheres: Sequence[Sphere], view: View) -> list[Rim]:
    """The rims that a mask (rows, columns) shows, in the order of the spheres; LampError where they do not fit."""
    rims = [rim_of_mask(points, view.middle_px, view.focal_px) for points in discs_of(mask)]
    if len(rims) != len(spheres):
        raise LampError(
            f"the sphere mask shows {len(rims)} discs where session.yaml lists {len(spheres)} spheres; paint each "
            f"listed sphere, or list those painted"
        )
    return _in_order(rims, spheres)


def _in_order(rims: list[Rim], spheres: Sequence[Sphere]) -> list[Rim]:
    """Rims by the places given; else the larger to the larger sphere; spheres of one size from left to right."""
    left, ordered = list(rims), [rims[0]] * len(spheres)
    waiting = []
    for index, sphere in enumerate(spheres):
        if sphere.centre_px is None:
            waiting.append(index)
            continue
        place = np.array(sphere.centre_px)
        ordered[index] = min(left, key=lambda rim: float(np.hypot(*(np.array(rim.centre_px) - place))))
        left.remove(ordered[index])
    by_size = len({spheres[index].diameter_mm for index in waiting}) > 1
    waiting.sort(key=lambda index: spheres[index].diameter_mm if by_size else index)
    left.sort(key=lambda rim: rim.radius_px if by_size else rim.centre_px[0])
    for index, rim in zip(waiting, left, strict=True):
        ordered[index] = rim
    return ordered


def starts_found(
    mean_log: np.ndarray | None, spheres: Sequence[Sphere], view: View, common: bool, outside: np.ndarray | None
) -> list[Rim]:
    """First rims of spheres without a mask: as given, or looked for in the picture; LampError where there are too few.

    mean_log : (rows, columns), mean logarithm of the light; None where all are given.  common : whether the pixel pitch
    is that of this picture.
    """
    given = [_given(sphere, view, common) for sphere in spheres]
    lacking = [index for index, rim in enumerate(given) if rim is None]
    if not lacking or mean_log is None:
        return [rim for rim in given if rim is not None]
    shorter = min(view.shape)
    ranges = []
    for index in lacking:
        radius = spheres[index].radius_px or (expected_radius_px(spheres[index], view) if common else None)
        doubt = 1 + PITCH_DOUBT
        ranges.append(
            (radius / doubt, radius * doubt) if radius else (SMALLEST_SHARE * shorter, LARGEST_SHARE * shorter)
        )
    circles = search(mean_log, ranges, outside)
    taken = [rim for rim in given if rim is not None]
    circles = [c for c in circles if all(np.hypot(*(c[:2] - rim.centre_px)) > rim.radius_px for rim in taken)]
    if len(circles) < len(lacking):
        raise LampError(f"{len(circles) + len(taken)} of {len(spheres)} spheres are found in the photographs; {HELP}")
    rims = [Rim((c[0], c[1]), c[2], np.nan, None, 0.0, "edge") for c in circles[: len(lacking)]]
    for index, rim in zip(lacking, _in_order(rims, [spheres[index] for index in lacking]), strict=True):
        given[index] = rim
    return [rim for rim in given if rim is not None]


def _given(sphere: Sphere, view: View, common: bool) -> Rim | None:
    if sphere.centre_px is None or not (sphere.radius_px or common):
        return None
    return Rim(sphere.centre_px, sphere.radius_px or expected_radius_px(sphere, view), GIVEN_U_PX, None, 0.0, "given")


def window_of(rim: Rim, shape: tuple[int, int], number: int) -> Window:
    """The part of the picture about a sphere; LampError where its centre is not in the picture."""
    (column, row), half = rim.centre_px, MARGIN * rim.radius_px + 4
    if not (0 <= column < shape[1] and 0 <= row < shape[0]):
        raise LampError(f"sphere {number}: its centre is not in the picture; {HELP}")
    return Window(
        max(0, int(row - half)),
        min(shape[0], int(row + half) + 1),
        max(0, int(column - half)),
        min(shape[1], int(column + half) + 1),
    )


def straight_rim(rim: Rim, lens: Lens) -> Rim:
    """The rim without the lens's distortion: the mean circle of where its points belong."""
    azimuth = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    points = np.array(rim.centre_px) + rim.radius_px * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    belong = lens.straight_px(points)
    column, row = belong.mean(axis=0)
    return replace(rim, centre_px=(column, row), radius_px=float(np.hypot(*(belong - (column, row)).T).mean()))


def straight_part(
    photograph: np.ndarray,
    rows: np.ndarray,
    columns: np.ndarray,
    lens: Lens,
    to_light: Callable[[np.ndarray], np.ndarray],
) -> np.ndarray:
    """Light (rows, columns), float32, of a part of a photograph without the lens's distortion.

    to_light : makes light (rows, columns), NaN at white, of a part of the photograph.
    Linear between pixels; NaN where one of those that count is. Beyond the photograph its edge goes on.
    """
    seen = lens.seen_px(np.stack(np.meshgrid(columns, rows), axis=-1).astype(float))[..., ::-1]
    last = np.array(photograph.shape[:2]) - 1
    first = np.clip(np.floor(seen.min(axis=(0, 1))), 0, last).astype(int)
    end = np.clip(np.ceil(seen.max(axis=(0, 1))), first, last).astype(int) + 1
    light = to_light(photograph[first[0] : end[0], first[1] : end[1]])
    found = ndimage.map_coordinates(light, np.moveaxis(seen - first, -1, 0), order=1, mode="nearest", output=np.float32)
    return np.asarray(found)


def rim_in(light: np.ndarray, start: Rim, part: Window, view: View, number: int) -> tuple[Rim, list[str]]:
    """The rim of a sphere, from the photographs' edges where they show it, and what is doubtful about it.

    light : (L, rows, columns) of the part, NaN at white. A mask's or a given rim stands where the photographs show
    none; LampError where there is none at all.
    """
    corner = np.array([part.col0, part.row0], float)
    middle = view.middle_px - corner
    circle = start.numbers - [*corner, 0]
    reach = (REACH if start.how_known == "edge" else REACH / 2) * start.radius_px
    found = refine(light, circle, max(reach, 4.0), middle, view.focal_px)
    if found is None and start.how_known == "edge":
        raise LampError(f"sphere {number}: its rim cannot be seen in the photographs; {HELP}")
    if found is None or (start.how_known != "edge" and (found.seen < WHOLE or (found.rms_px or 0) > MASK_RMS_PX)):
        # edges of a part of the rim do not move it, but say how far it may be off
        apart = 0.0 if found is None else float(np.abs(found.numbers - circle).max())
        rim = replace(start, u_px=max(start.u_px, apart / 2))
    else:
        place = np.array(found.centre_px) + corner
        rim = Rim((place[0], place[1]), found.radius_px, found.u_px, found.rms_px, found.seen, "edge")
    warnings = []
    if cut_by_frame(rim, view.shape):
        seen = _share_in(rim, view.shape)
        if seen < 0.5:
            raise LampError(f"sphere {number} {CUT}")
        warnings.append(
            f"sphere {number} is cut by the picture's edge; {100 * seen:.0f} % of its rim is seen, so its centre is "
            f"less sure"
        )
    return rim, warnings


def _share_in(rim: Rim, shape: tuple[int, int]) -> float:
    azimuth = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    columns = rim.centre_px[0] + rim.radius_px * np.cos(azimuth)
    rows = rim.centre_px[1] + rim.radius_px * np.sin(azimuth)
    return float(((columns >= 0) & (columns < shape[1]) & (rows >= 0) & (rows < shape[0])).mean())


def odd_radius(rim: Rim, sphere: Sphere, view: View, number: int) -> list[str]:
    """A sentence where a rim is not as large as the diameter and the pixel pitch say."""
    expected = expected_radius_px(sphere, view)
    if abs(rim.radius_px / expected - 1) <= ODD_RADIUS:
        return []
    return [
        f"sphere {number} is seen with a radius of {rim.radius_px:.1f} px where diameter_mm and the pixel pitch say "
        f"{expected:.1f} px; one of the two is wrong, and lengths with it"
    ]


def spots_on(
    light: np.ndarray, rim: Rim, height_mm: float, part: Window, view: View, moved_px: np.ndarray, number: int
) -> tuple[list[tuple[Spot, ...]], list[str]]:
    """Spots (L lists) on a sphere in the whole picture's pixels, and a sentence where a light was always on.

    light : (L, rows, columns) of the part, NaN at white.  moved_px : (L, 2: column, row), taken from the spots' places:
    what is left of each photograph's shift.
    """
    sky = above_plate(view, rim.numbers, height_mm, part)
    clipped = np.isnan(light)
    moving, static = without_static(np.where(clipped, np.float32(1), light))
    found = []
    for one, full, moved in zip(moving, clipped, moved_px, strict=True):
        corner = np.array([part.col0, part.row0]) - moved
        spots = find_spots(one, sky, full, rim.radius_px)
        found.append(tuple(_moved(spot, corner) for spot in spots))
    standing = [spot for spot in find_spots(static, sky, static >= 1, rim.radius_px) if spot.clipped > 0]
    if not standing:
        return found, []
    column, row = standing[0].centre_px
    return found, [
        f"a light stands on sphere {number} at column {column + part.col0:.0f}, row {row + part.row0:.0f} in most "
        f"photographs; its spot was left out: was a second light on?"
    ]


def _moved(spot: Spot, corner: np.ndarray) -> Spot:
    place = np.array(spot.centre_px) + corner
    return Spot((float(place[0]), float(place[1])), spot.u_px, spot.radius_px, spot.light, spot.clipped)
