"""From traces and areas to marks: sections measured, causes judged, crossings found, classes painted."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from lightdome.marks.areas import is_compact, spot_axes
from lightdome.marks.crossings import crossings, dense, orders
from lightdome.marks.events import events
from lightdome.marks.measured import SIGNIFICANT, Ground, Line, measure_lines
from lightdome.marks.order import Groove, Order
from lightdome.marks.outlines import line_geometry, outline_geometry
from lightdome.marks.paint import paint_line, painted
from lightdome.marks.records import CLASS_CODE, Mark, Roughness, Trace
from lightdome.marks.rules import (
    Verdict,
    judge_area,
    judge_line,
    judge_raised_line,
    judge_spot,
)
from lightdome.marks.sections import LEAST_WIDTH_PX
from lightdome.marks.spots import Spot, measure_spot
from lightdome.raster import Grid
from lightdome.units import UM_PER_MM

AROUND_PX = 12
LOW_SIGMA = 4.0
WIDEST_PIT_UM = 3000.0
ORDERS_SAID = 3
SURE_OF_CLASS = 0.9
"""Confidence from which a cause narrows down what a crossing may look like."""
FOOT_PX = 1.5
UNRESOLVED = 0.5
"""Of the confidence in an area: what is narrower than three pixels may be a piece of a line."""
LEAST_BOWL = 0.7
"""Correlation of depth and distance from the outline, see `spots.Spot`: a bitten floor is as deep at its edge."""


@dataclass(frozen=True)
class Maps:
    """What is read at a mark's place; (rows, columns), NaN where unknown."""

    height_um: np.ndarray
    """Above the reference surface of the land."""
    flat_um: np.ndarray
    """The same, and inside wide areas above their own floors: from here the sections of lines count."""
    u_height_um: np.ndarray
    lobe_roughness: np.ndarray
    u_tilt_deg: np.ndarray
    labels: np.ndarray
    """From `detect.Found`."""
    wide: int
    land_scale_um: float
    """Standard deviation of the land about its reference surface."""
    roughness: Roughness
    floor_scale_um: float
    """Standard deviation of the floors of wide areas."""
    grid: Grid


@dataclass(frozen=True)
class _Line:
    measured: Line
    verdict: Verdict


def classify(maps: Maps, traces: Sequence[Trace]) -> tuple[list[Mark], np.ndarray]:
    """Marks of a field, areas first, and the class of every pixel (rows, columns) uint8.

    A line no deeper than five times the land's own roughness (a spot: three), or than three standard uncertainties, is
    roughness and no mark (ISO 8785 separates the two).
    """
    lines = [
        line for line in (_judged(maps, line) for line in measure_lines(_ground(maps), traces)) if line is not None
    ]
    occupied = painted(maps.grid.shape, [(line.measured.trace.points_px, line.measured.reach_px) for line in lines])
    areas, codes, ids_of_areas = _area_marks(maps, occupied)
    del occupied
    of_wipe = events(
        {line.measured.place: line.measured.beside for line in lines if line.verdict.class_name == "scratch"}
    )
    marks = areas + [
        replace(
            _line_mark(maps, line, f"m{len(areas) + index:04d}"),
            event=f"e{of_wipe[line.measured.place]:03d}" if line.measured.place in of_wipe else None,
        )
        for index, line in enumerate(lines, 1)
    ]
    marks = _with_crossings(maps, marks, lines, ids_of_areas)
    classes = codes[maps.labels]
    order = ("etched", "tooled", "deposit", "scratch")  # the later marks lie on top
    for line in sorted(lines, key=lambda line: order.index(line.verdict.class_name)):
        # the ridges beside a groove belong to it, and so does the pixel in which their foot ends
        paint_line(
            classes,
            line.measured.trace.points_px,
            line.measured.reach_px + FOOT_PX,
            CLASS_CODE[line.verdict.class_name],
        )
    _spread_etched(classes, maps)
    classes[~np.isfinite(maps.height_um)] = 0
    return marks, classes


def _spread_etched(classes: np.ndarray, maps: Maps) -> None:
    """Give what is left below the land, and touches etched pixels more than others, to the etched class.

    Bitten lines are uneven and their strokes branch: a painted centre line leaves crumbs of them.
    """
    with np.errstate(invalid="ignore"):
        low = (maps.height_um < -LOW_SIGMA * max(maps.land_scale_um, 1e-6)) & (classes == 0)
    crumbs, count = ndimage.label(low)
    if not count:
        return
    etched = classes == CLASS_CODE["etched"]
    touching = [
        np.bincount(crumbs[ndimage.binary_dilation(mask) & low], minlength=count + 1)
        for mask in (etched, (classes > 0) & ~etched)
    ]
    given = touching[0] > touching[1]
    given[0] = False
    classes[given[crumbs]] = CLASS_CODE["etched"]


def _ground(maps: Maps) -> Ground:
    area = np.where((maps.labels > 0) & (maps.labels <= maps.wide), maps.labels, 0)
    return Ground(
        maps.flat_um,
        maps.u_height_um,
        maps.lobe_roughness,
        maps.u_tilt_deg,
        area,
        maps.roughness,
        maps.floor_scale_um,
        maps.grid.pitch_mm,
    )


def _judged(maps: Maps, line: Line) -> _Line | None:
    if line.trace.kind == "valley":
        verdict = judge_line(line, maps.grid.pitch_mm)
    else:
        verdict = None if line.section is None else judge_raised_line(line.section, maps.grid.pitch_mm)
    return None if verdict is None else _Line(line, verdict)


def orientation_deg(points_px: np.ndarray) -> float:
    """Main direction of a line, degrees counter-clockwise from +x, in 0-180."""
    points = dense(points_px)
    x, y = points[:, 1] - points[:, 1].mean(), points[:, 0].mean() - points[:, 0]
    return float(np.degrees(0.5 * np.arctan2(2 * (x * y).mean(), (x * x).mean() - (y * y).mean())) % 180)


def _line_mark(maps: Maps, line: _Line, mark_id: str) -> Mark:
    section, trace = line.measured.section, line.measured.trace
    um = maps.grid.pitch_mm * UM_PER_MM
    mark = Mark(
        id=mark_id,
        class_name=line.verdict.class_name,
        confidence=line.verdict.confidence,
        geometry=line_geometry(trace.points_px, maps.grid),
        length_mm=round(trace.length_px * maps.grid.pitch_mm, 4),
        evidence=line.verdict.evidence,
        resolved=line.measured.resolved,
        decided=line.verdict.decided,
        orientation_deg=round(orientation_deg(trace.points_px), 2),
    )
    if section is None or not mark.resolved:
        return mark
    raised = trace.kind == "ridge"
    return replace(
        mark,
        width_um=round(section.width_px * um, 2),
        u_width_um=round(section.u_width_px * um, 2),
        depth_um=round(-section.depth_um if raised else section.depth_um, 3),
        u_depth_um=round(section.u_depth_um, 3),
        burr_left_um=None if raised else round(section.burr_left_um, 3),
        burr_right_um=None if raised else round(section.burr_right_um, 3),
        wall_angle_deg=round(section.wall_angle_deg, 2),
        removed_fraction=None if raised else round(section.removed_fraction, 4),
    )


def _area_marks(maps: Maps, occupied: np.ndarray) -> tuple[list[Mark], np.ndarray, dict[int, str]]:
    """Marks of labelled areas, the class code of every label (index = label; negative ones from the end), their ids."""
    marks: list[Mark] = []
    ids: dict[int, str] = {}
    deepest, highest = int(maps.labels.max(initial=0)), -int(maps.labels.min(initial=0))
    codes = np.zeros(deepest + highest + 1, np.uint8)
    for sign, count in ((1, deepest), (-1, highest)):
        numbers = np.where(sign * maps.labels > 0, sign * maps.labels, 0)
        windows = ndimage.find_objects(numbers, count) if count else []
        for number, window in enumerate(windows, 1):
            if window is None:  # a spot that another one hides
                continue
            mark = _area_mark(maps, occupied, sign * number, window, f"m{len(marks) + 1:04d}")
            if mark is not None:
                marks.append(mark)
                codes[sign * number] = CLASS_CODE[mark.class_name]
                ids[sign * number] = mark.id
    return marks, codes, ids


def _area_mark(maps: Maps, occupied: np.ndarray, label: int, window: tuple[slice, slice], mark_id: str) -> Mark | None:
    row0, col0 = max(window[0].start - AROUND_PX, 0), max(window[1].start - AROUND_PX, 0)
    crop = slice(row0, window[0].stop + AROUND_PX), slice(col0, window[1].stop + AROUND_PX)
    labels = maps.labels[crop]
    inside = labels == label
    spot = measure_spot(maps.height_um[crop], maps.u_height_um[crop], inside, (labels == 0) & ~occupied[crop])
    if spot is None or abs(spot.depth_um) <= SIGNIFICANT * max(maps.roughness.widest_um, spot.u_depth_um):
        return None
    if (spot.depth_um > 0) != (label > 0):
        return None
    sizes, axes = spot_axes(inside.astype(np.int32), 1)
    long_px, wide_px = (float(axis) for axis in axes[1])
    pitch_mm = maps.grid.pitch_mm
    depth_um = spot.depth_um
    if not _is_spot(maps, spot, label, sizes[1], axes[1]):
        verdict = judge_area(spot.depth_um, spot.u_depth_um, spot.grain_ratio, float(sizes[1]) * pitch_mm**2)
    else:
        depth_um = spot.extreme_um
        across_um = (long_px * wide_px) ** 0.5 * pitch_mm * UM_PER_MM
        verdict = judge_spot(depth_um, spot.u_depth_um, across_um, long_px / wide_px)
    mark = Mark(
        id=mark_id,
        class_name=verdict.class_name,
        confidence=verdict.confidence,
        geometry=outline_geometry(inside, row0, col0, maps.grid),
        length_mm=round(long_px * pitch_mm, 4),
        evidence=verdict.evidence,
        resolved=wide_px >= LEAST_WIDTH_PX,
        orientation_deg=round(orientation_deg(np.argwhere(inside).astype(float)), 2)
        if long_px > 1.2 * wide_px
        else None,
    )
    if not mark.resolved:
        said = f"It is narrower than 3 pixels: its shape does not tell a piece of a {verdict.class_name} mark from one"
        unsure = f"{said} of another line, and no width or depth is given."
        return replace(
            mark, confidence=round(UNRESOLVED * mark.confidence, 3), decided=False, evidence=(*mark.evidence, unsure)
        )
    return replace(
        mark,
        width_um=round(wide_px * pitch_mm * UM_PER_MM, 2),
        u_width_um=round(pitch_mm * UM_PER_MM / 6**0.5, 2),
        depth_um=round(depth_um, 3),
        u_depth_um=round(spot.u_depth_um, 3),
    )


def _is_spot(maps: Maps, spot: Spot, label: int, size_px: np.ndarray, axes_px: np.ndarray) -> bool:
    """Whether an area is a pit or a deposit: compact, and no wider than a line unless it is a bowl."""
    if label < 0:
        return True
    if not is_compact(size_px, axes_px):
        return False
    across_um = float(axes_px.mean()) * maps.grid.pitch_mm * UM_PER_MM
    return label > maps.wide or (across_um < WIDEST_PIT_UM and spot.bowl > LEAST_BOWL)


def _with_crossings(maps: Maps, marks: list[Mark], lines: list[_Line], ids_of_areas: dict[int, str]) -> list[Mark]:
    """Marks (areas, then lines) with what they cross: lines each other, lines the areas they run into.

    Which of two lines is later is told where both are resolved grooves and the heights decide it; of a line and an
    area it stays open. The clearest orders stand in the evidence of both lines.
    """
    first = len(marks) - len(lines)
    crossed: dict[str, list[dict[str, str | None]]] = {mark.id: [] for mark in marks}
    said: dict[str, list[Order]] = {mark.id: [] for mark in marks}
    grooves = [_groove(line, mark.id) for line, mark in zip(lines, marks[first:], strict=True)]
    pairs: list[tuple[str, str, Order | None]] = [
        (groove.name, ids_of_areas[label], None)
        for groove, line in zip(grooves, lines, strict=True)
        for label in line.measured.areas
        if label in ids_of_areas
    ]
    met = crossings([groove.points_px for groove in grooves])
    told = orders(maps.flat_um, maps.u_height_um, maps.labels, maps.wide, grooves, met)
    pairs += [(grooves[a].name, grooves[b].name, order) for (a, b), order in zip(met, told, strict=True)]
    for one, other, order in pairs:
        later = order.later if order else None
        for mark, crossing in ((one, other), (other, one)):
            crossed[mark].append({"id": crossing, "later": later})
            said[mark] += [order] if order and order.later else []
    return [
        replace(mark, crosses=tuple(crossed[mark.id]), evidence=mark.evidence + _clearest(said[mark.id]))
        for mark in marks
    ]


def _clearest(said: list[Order]) -> tuple[str, ...]:
    ranked = sorted(said, key=lambda order: order.log_ratio, reverse=True)
    return tuple(order.sentence for order in ranked[:ORDERS_SAID])


def _groove(line: _Line, name: str) -> Groove:
    """A line as it is compared at a crossing: how it was made counts only where that is as good as certain."""
    measured, verdict = line.measured, line.verdict
    sure = verdict.decided and verdict.confidence >= SURE_OF_CLASS
    resolved = measured.resolved and measured.trace.kind == "valley"
    bitten = verdict.class_name == "etched" if sure else None
    return Groove(measured.trace.points_px, measured.reach_px, name, bitten, resolved)
