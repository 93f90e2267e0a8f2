"""Which of two crossing grooves was made later, from the heights where they cross.

A later cut takes away what it finds: its floor and its ridges run through, the earlier ridges end at it. Each order
predicts a surface, composed of the two grooves' own sections beside the crossing; the heights are compared with all of
them. A tool may hold its level or follow the ground, and an etched line lowers whatever lies there: these are compared
too, and only what no composition of the other order explains counts as evidence.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.spatial import cKDTree

from lightdome.marks.sections import sample_sections, stations

STEP_PX = 0.5
LEAST_ANGLE_DEG = 25.0
LEAST_ARM_PX = 4
"""Stretch of a groove that must be free on either side of the crossing, so that its section there is known."""
LONGEST_ARM_PX = 16
LEAST_PIXELS = 12
FOLLOW = (0.25, 0.5, 1.0, 2.0, 4.0)
"""Over how many of its own widths a tool may follow the ground."""
KNOTS = 9
"""Places in the crossing at which the course of a groove is worked out; between them it is linear."""
ONE_SIDED = 0.15
"""Of its height: what a section known on one side alone may be off."""
MISPLACED_PX = 0.25
"""How well a composed surface is placed: times its slope, this is what it does not explain."""
UNEVEN = 0.05
"""Of the local depth: how much a groove may vary at the crossing beyond what its arms show."""
CORRELATED_PX = 4.0
"""Pixels that share one independent error of the heights."""
LEAST_LOG_RATIO = math.log(400.0)
"""Odds, all compositions of the other order counted, from which an order is stated."""
WORST_FIT = 0.2
"""Of the shallower groove's depth, root mean square: where more is left over, no order explains the place."""


@dataclass(frozen=True)
class Groove:
    """One of two lines that cross."""

    points_px: np.ndarray
    """(n, 2): row, column."""
    reach_px: float
    """Between the outer feet of its ridges."""
    name: str
    bitten: bool | None = None
    """Whether it was etched; None: either way is thought possible."""
    resolved: bool = True
    """Whether it is a groove wide enough for a section."""


@dataclass(frozen=True)
class Order:
    """What the heights say."""

    later: str | None
    """Name of the later groove; None where it is not decided."""
    log_ratio: float
    """Natural logarithm of the odds for the better order; 0 where nothing was compared."""
    sentence: str
    misfit: float = math.nan
    """What the better order leaves unexplained: root mean square over the depth of the shallower groove."""


@dataclass(frozen=True)
class _Course:
    """A groove as it would run through the crossing undisturbed, from its sections on both sides."""

    groove: np.ndarray
    """(pixels): what lies below the surface beside, um; 0 elsewhere."""
    ridges: np.ndarray
    """(pixels): what stands above it beside the groove."""
    scatter: np.ndarray
    """(pixels): standard deviation of single sections about this course."""
    away: np.ndarray
    """(pixels): signed distance from the centre line."""
    bins: np.ndarray
    """(pixels): place along the line, whole pixels from 0."""
    width_px: float
    """Of the groove."""
    depth_um: float


def _inner(section: np.ndarray) -> np.ndarray:
    """The part of a section around its lowest point that lies below 0."""
    below = section < 0
    low = int(np.argmin(section))
    left = low - int(np.argmin(below[low::-1])) if not below[: low + 1].all() else -1
    right = low + int(np.argmin(below[low:])) if not below[low:].all() else len(section)
    inner = np.zeros_like(section)
    inner[left + 1 : right] = np.minimum(section[left + 1 : right], 0)
    return inner


def order_at(height_um: np.ndarray, u_height_um: float, one: Groove, other: Groove, place: np.ndarray) -> Order:
    """Order of two grooves at a crossing.

    height_um : (rows, columns), um, NaN where unknown or where a third mark lies. u_height_um : standard uncertainty of
    a pixel's height. place : (2,), row and column of the crossing.
    """
    if not (one.resolved and other.resolved):
        return Order(None, 0.0, "One of them is too narrow for a section, or raised: no order can be told.")
    if one.bitten and other.bitten:
        return Order(None, 0.0, "Both are etched: bitten at once, or no order shows.")
    reach = np.array([one.reach_px, other.reach_px]) / 2 + 1
    angle = _angle_deg(one, other, place)
    if angle < LEAST_ANGLE_DEG:
        return Order(None, 0.0, f"They meet at {angle:.0f} degrees: too small an angle to tell an order.")
    stretch = reach / math.sin(math.radians(angle)) * 1.2
    window = int(np.ceil(stretch.sum() + LONGEST_ARM_PX + 4))
    low = np.maximum(np.rint(place).astype(int) - window, 0)
    high = np.minimum(np.rint(place).astype(int) + window + 1, height_um.shape)
    if (high - low < 4).any():
        return Order(None, 0.0, "The crossing lies at the edge of the field.")
    patch = height_um[low[0] : high[0], low[1] : high[1]].astype(float)
    places = np.moveaxis(np.indices(patch.shape), 0, -1).reshape(-1, 2)
    coordinates = [_coordinates(groove.points_px - low, places) for groove in (one, other)]
    away = np.stack([np.abs(each[1]) for each in coordinates])
    values = patch.ravel()
    beside = (away > reach[:, None]).all(axis=0) & np.isfinite(values)
    if beside.sum() < LEAST_PIXELS:
        return Order(None, 0.0, "Too little of the surface beside the crossing is free of other marks.")
    land = _plane(places, values, beside)
    relative = (values - land).reshape(patch.shape)
    rough_um = 1.4826 * float(np.median(np.abs((values - land)[beside])))
    courses = []
    for index, groove in enumerate((one, other)):
        points = groove.points_px - low
        course = _course(relative, points, reach[index], place - low, stretch[1 - index], coordinates[index])
        if course is None:
            return Order(None, 0.0, "A groove ends here, or other marks hide its section beside the crossing.")
        courses.append(course)
    inside = (away <= reach[:, None]).all(axis=0) & np.isfinite(values)
    if inside.sum() < LEAST_PIXELS:
        return Order(None, 0.0, "The crossing covers too few known pixels.")
    noise_um = math.hypot(u_height_um, rough_um)
    return _judge((one, other), (courses[0], courses[1]), relative.ravel(), inside, noise_um, patch.shape)


def _judge(
    grooves: tuple[Groove, Groove],
    courses: tuple[_Course, _Course],
    relative: np.ndarray,
    inside: np.ndarray,
    noise_um: float,
    shape: tuple[int, int],
) -> Order:
    """The order whose best composition explains the heights inside the crossing better, if by enough to be stated."""
    scatter = np.hypot(courses[0].scatter, courses[1].scatter)
    shallow_um = min(course.depth_um for course in courses)

    def fit(told: str, surface: np.ndarray) -> tuple[float, float, str]:
        """Logarithm of the likelihood, misfit, and what was composed."""
        slope = np.hypot(*np.gradient(surface.reshape(shape))).ravel()
        sigma = np.sqrt(noise_um**2 + scatter**2 + (MISPLACED_PX * slope) ** 2 + (UNEVEN * surface) ** 2)[inside]
        off = (relative - surface)[inside]
        # a heavy tail (Student, 4 degrees of freedom), so that a single bad pixel decides nothing
        density = -2.5 * np.log1p((off / sigma) ** 2 / 4) - np.log(sigma)
        log_like = float(density.mean() * inside.sum() / CORRELATED_PX)
        return log_like, float(np.sqrt((off**2).mean())) / shallow_um, told

    best = [
        max(fit(*each) for each in _compositions(courses[1 - later], courses[later], grooves[later].bitten))
        for later in (0, 1)
    ]
    better = int(best[1][0] > best[0][0])
    rival = best[1 - better][0]
    if grooves[0].bitten is not False and grooves[1].bitten is not False:
        deeper = np.minimum(*(course.groove + course.ridges for course in courses))
        rival = max(rival, fit("both were bitten at once", deeper)[0])
    ratio, misfit = best[better][0] - rival, best[better][1]
    names = grooves[better].name, grooves[1 - better].name
    if misfit > WORST_FIT:
        told = f"{100 * misfit:.0f} % of the shallower depth are left over"
        return Order(None, ratio, f"No order explains the heights here ({told}).", misfit)
    if ratio < LEAST_LOG_RATIO:
        return Order(
            None, ratio, f"Another order, or none, explains the heights nearly as well (odds {_odds(ratio)}).", misfit
        )
    deep = _floors(courses[better], relative, inside)
    sentence = (
        f"{names[0]} runs through {names[1]}: {best[better][2]}{deep};"
        f" odds {_odds(ratio)} against the other order, {int(inside.sum())} pixels compared."
    )
    return Order(names[0], ratio, sentence, misfit)


def _odds(log_ratio: float) -> str:
    return f"{math.exp(max(log_ratio, 0.0)):.0f} to 1" if log_ratio < math.log(1e4) else "over 10 000 to 1"


def _floors(later: _Course, relative: np.ndarray, inside: np.ndarray) -> str:
    """In words: how deep the later floor lies inside the crossing and beside it."""
    floor = inside & (np.abs(later.away) <= 0.75)
    if not floor.any():
        return ""
    deep_um = -float(np.median(relative[floor]))
    return f" (its floor at {deep_um:.1f} um in the crossing, {later.depth_um:.1f} um beside it)"


def _compositions(earlier: _Course, later: _Course, bitten: bool | None) -> list[tuple[str, np.ndarray]]:
    """What the surface would be, one entry for each way in which the later groove may have been made."""
    base = earlier.groove + earlier.ridges
    cut = later.groove < 0
    found = []
    if not bitten and cut.any():
        found.append(("its cut holds its level", _cut(base, later, later.groove, cut)))
        count = int(later.bins.max()) + 1
        total = np.bincount(later.bins[cut], minlength=count).astype(float)
        summed = np.bincount(later.bins[cut], base[cut], count)
        for widths in FOLLOW:
            sigma = max(0.5, widths * later.width_px)
            level = gaussian_filter1d(summed, sigma) / np.maximum(gaussian_filter1d(total, sigma), 1e-9)
            found.append(("its cut follows the ground", _cut(base, later, level[later.bins] + later.groove, cut)))
    if bitten is not False:
        found.append(("its bite lowers what was there", base + later.groove + later.ridges))
    if bitten:
        found.append(("its bite has dissolved what was there", np.where(cut, later.groove, base + later.ridges)))
    return found


def _cut(base: np.ndarray, later: _Course, floor: np.ndarray, cut: np.ndarray) -> np.ndarray:
    """The surface after a cut down to `floor`: its ridges as high as metal is moved at their place along it."""
    count = int(later.bins.max()) + 1
    moved = np.bincount(later.bins[cut], np.maximum(base - floor, 0)[cut], count)
    usual = np.bincount(later.bins[cut], -later.groove[cut], count)
    share = gaussian_filter1d(moved, 1.0) / np.maximum(gaussian_filter1d(usual, 1.0), 1e-9)
    return np.where(cut, np.minimum(base, floor), base + later.ridges * np.clip(share, 0, 1.5)[later.bins])


def _course(
    relative: np.ndarray,
    points: np.ndarray,
    half_px: float,
    place: np.ndarray,
    clear_px: float,
    coordinates: tuple[np.ndarray, np.ndarray],
) -> _Course | None:
    """One groove through a crossing that takes `clear_px` to either side; None where it ends or is hidden.

    Sections of both sides are joined by a parabola along the line, so that a groove that swells is followed; where one
    side is hidden by other marks, the other side's mean section stands for the whole.
    """
    at, right = stations(points, 0.0)
    along = lengths_along(at)
    way = along - along[int(np.argmin(np.linalg.norm(at - place, axis=1)))]
    if min(-way[0], way[-1]) < clear_px + LEAST_ARM_PX:
        return None
    near = (np.abs(way) > clear_px) & (np.abs(way) <= clear_px + LONGEST_ARM_PX)
    offsets = np.arange(-math.ceil(half_px / STEP_PX) - 2, math.ceil(half_px / STEP_PX) + 3) * STEP_PX
    sections = sample_sections(relative, at[near], right[near], offsets)
    whole = np.isfinite(sections).all(axis=1)
    place_of, sections = way[near][whole], sections[whole]
    sides = [(place_of < 0).sum(), (place_of > 0).sum()]
    if max(sides) < LEAST_ARM_PX:
        return None
    degree = (2 if min(sides) >= LONGEST_ARM_PX // 2 else 1) if min(sides) >= LEAST_ARM_PX else 0
    span = clear_px + LONGEST_ARM_PX
    curves = np.linalg.lstsq(np.vander(place_of / span, degree + 1), sections, rcond=None)[0]
    spread = (sections - np.vander(place_of / span, degree + 1) @ curves).std(axis=0)
    if degree == 0:
        spread = np.hypot(spread, ONE_SIDED * sections.mean(axis=0))
    knots = np.linspace(-1, 1, KNOTS) * clear_px
    table = np.vander(knots / span, degree + 1) @ curves
    if (table.min(axis=1) >= 0).any():
        return None
    groove = np.array([_inner(section) for section in table])
    along_px, away = coordinates
    here = along_px - (along - way)[0]
    index = np.stack([np.clip((here / clear_px + 1) / 2, 0, 1) * (KNOTS - 1), (away - offsets[0]) / STEP_PX])
    index[1] = np.where(np.isfinite(index[1]), index[1], -10)
    below, above = (map_coordinates(each, index, order=1, cval=0.0) for each in (groove, np.maximum(table - groove, 0)))
    scatter = np.interp(away, offsets, spread, left=0, right=0)
    bins = np.rint(along_px - along_px.min()).astype(int)
    middle = groove[KNOTS // 2]
    return _Course(below, above, scatter, away, bins, float((middle < 0).sum() * STEP_PX), -float(middle.min()))


def lengths_along(points: np.ndarray) -> np.ndarray:
    """Way from the first point of a polyline (n, 2) to each."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])


def _coordinates(points: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Place along a polyline and signed distance from it (right positive), both (n,), of places (n, 2)."""
    at, right = stations(points, 0.0)
    along = lengths_along(at)
    _, nearest = cKDTree(at).query(places)
    off = places - at[nearest]
    across = (off * right[nearest]).sum(axis=1)
    # ahead of (rows, columns) whose right is (c, -r) is (r, c)
    ahead = np.stack([-right[nearest][:, 1], right[nearest][:, 0]], axis=1)
    beyond = (off * ahead).sum(axis=1)
    ended = (nearest == 0) & (beyond < -1) | (nearest == len(at) - 1) & (beyond > 1)
    return along[nearest] + beyond, np.where(ended, np.inf, across)


def _plane(places: np.ndarray, values: np.ndarray, used: np.ndarray) -> np.ndarray:
    """A plane through the used values, those far from it left out, at all places."""
    A = np.stack([places[:, 0], places[:, 1], np.ones(len(places))], axis=1)
    kept = used
    for _ in range(3):
        plane = A @ np.linalg.lstsq(A[kept], values[kept], rcond=None)[0]
        off = np.abs(values - plane)
        kept = used & (off <= max(3 * 1.4826 * float(np.median(off[used])), 1e-6))
    return plane


def _angle_deg(one: Groove, other: Groove, place: np.ndarray) -> float:
    headings = []
    for groove in (one, other):
        at, right = stations(groove.points_px, 0.0)
        headings.append(right[int(np.argmin(np.linalg.norm(at - place, axis=1)))])
    return math.degrees(math.acos(min(1.0, abs(float(headings[0] @ headings[1])))))
