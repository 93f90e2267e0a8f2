"""From a height field to traces and areas: the order of the work, tile by tile where neighbours are looked at."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import binary_dilation

from lightdome.marks import glints
from lightdome.marks.areas import (
    LEAST_DEPOSIT_PX,
    grain_fields,
    is_compact,
    number_areas,
    number_spots,
    spot_axes,
    wide_areas,
    without,
)
from lightdome.marks.centre import centred
from lightdome.marks.crossings import dense
from lightdome.marks.field import FLAT_UM, Field, land_scale, quiet_scale, roughness
from lightdome.marks.lines import DIRECTIONS, LineMaps, halo_px, line_maps, line_widths_px, rises
from lightdome.marks.paint import painted
from lightdome.marks.records import Trace
from lightdome.marks.reference import KEEP_SIGMA
from lightdome.marks.traces import WEAK, traces
from lightdome.tiles import TILE_PX, Tile, for_each, tiles
from lightdome.units import UM_PER_MM

SAMPLE_WINDOWS = 5
"""The noise is learnt on 5 x 5 places spread over the field, whatever the tile size."""
SAMPLE_PX = 128
SAMPLE_EVERY = 5
BURR_PX = 3
MOST_TRACED = 0.15
"""A spot of which more than this share lies on a trace is a piece of that line."""
MOST_IN_SPOT = 0.5
LINE_REACH = 1.5
"""Of the width that answered: a line as wide as the widest detector or a little wider."""
MOST_OF_AREA = 0.75
LEAST_RELIEF = 0.5
LEVEL_SIGMA = 4.0
GRAINS_APART = 0.5
"""Of the widest line: pits that lie nearer to each other are the grain of one field."""
NEIGHBOURS = np.ones((3, 3), bool)


@dataclass(frozen=True)
class Settings:
    """What the detectors are told; lengths in pixels."""

    widths_px: tuple[float, ...]
    threshold: float
    gap_px: float
    shortest_px: float
    step_um: float
    """A wall rises by at least so much over the reach of `glints.steps`."""

    @classmethod
    def of(
        cls, pitch_mm: float, widest_line_um: float, threshold: float, longest_gap_um: float, shortest_mm: float
    ) -> "Settings":
        """Settings in plate units turned into pixels."""
        return cls(
            line_widths_px(pitch_mm, widest_line_um),
            threshold,
            longest_gap_um / (pitch_mm * UM_PER_MM),
            shortest_mm / pitch_mm,
            2 * glints.STEP_REACH_PX * glints.WALL_SLOPE * pitch_mm * UM_PER_MM,
        )


@dataclass(frozen=True)
class Found:
    """Traces and areas of a field."""

    traces: tuple[Trace, ...]
    labels: np.ndarray
    """(rows, columns) int32: 1, 2, ... below the surface beside; -1, -2, ... above it; 0 elsewhere."""
    wide: int
    """Labels 1 to `wide` are areas wider than the widest line; the other positive ones are pits."""
    land_scale_um: float
    """Standard deviation of the land about its reference surface."""
    widths_px: tuple[float, ...]
    """Of the lines that were looked for."""
    roughness_um: tuple[float, ...]
    """Standard deviation of the land at the scale of each of these widths: what bends more slowly hides no line."""


def find(field: Field, settings: Settings, threads: int = 1, tile_px: int = TILE_PX) -> Found:
    """Traces and areas of a field; the tile size bounds memory and changes nothing."""
    shape = field.height_um.shape
    land = land_scale(field)
    rough = tuple(roughness(field, round(width), KEEP_SIGMA * land) for width in settings.widths_px)
    below, above = _levels(field, land, threads, tile_px)
    widest = settings.widths_px[-1]
    wide = number_areas(wide_areas(below, widest), widest * widest)
    area = wide > 0
    valleys, ridges = _line_strengths(field, settings, area, threads, tile_px)
    limits = (settings.threshold, settings.gap_px, settings.shortest_px)
    shining = _glint_strengths(field, settings, rough[0], threads, tile_px)
    lines = traces(valleys, below, settings.widths_px, "valley", limits, shining)
    del shining
    # what is thrown up beside a groove belongs to the groove
    burr = binary_dilation(below, NEIGHBOURS, iterations=BURR_PX)
    burr |= painted(shape, [(line.points_px, 3 * line.width_px + 4) for line in lines])
    above &= ~burr
    del valleys, burr
    ridges.strength[~above] = 0
    lines += traces(ridges, below, settings.widths_px, "ridge", limits)
    del ridges
    low = number_spots(without(below, area, 2))
    del below, area
    wide = _with_grain_fields(_without_lines(wide, lines), low, widest)
    lines = _centred(_without_pits(lines, low), field)
    labels, wide_count = _spots(wide, low, above, lines)
    return Found(tuple(lines), labels, wide_count, land, settings.widths_px, rough)


def _levels(field: Field, land_um: float, threads: int, tile_px: int) -> tuple[np.ndarray, np.ndarray]:
    """What lies below and above the land by more than its scatter and its uncertainty; (rows, columns) bool each."""
    below, above = np.zeros((2, *field.height_um.shape), bool)

    def split(tile: Tile) -> None:
        rows, cols = tile.core.slices
        residual = np.nan_to_num(field.residual(rows, cols), nan=0.0)
        limit = np.maximum(LEVEL_SIGMA * np.maximum(land_um, field.uncertainty(rows, cols)), FLAT_UM)
        below[rows, cols] = residual < -limit
        above[rows, cols] = residual > limit

    for_each(split, tiles(field.height_um.shape, tile_px), "levels", threads)
    return below, above


def _without_pits(lines: list[Trace], low: np.ndarray) -> list[Trace]:
    """Lines that do not lie in a compact spot for the most part."""
    compact = _compact(low)
    kept = []
    for line in lines:
        at = np.clip(np.rint(dense(line.points_px)).astype(int), 0, np.array(low.shape) - 1)
        if compact[low[at[:, 0], at[:, 1]]].mean() < MOST_IN_SPOT:
            kept.append(line)
    return kept


def _centred(lines: list[Trace], field: Field) -> list[Trace]:
    above_um = field.flattened()
    # where the height does not show a line, it cannot say where its middle is
    return [centred(line, above_um) if line.relief_share >= LEAST_RELIEF else line for line in lines]


def _without_lines(wide: np.ndarray, lines: list[Trace]) -> np.ndarray:
    """Areas but those that are the widest stretches of a line."""
    count = int(wide.max(initial=0))
    valleys = [(line.points_px, LINE_REACH * line.width_px) for line in lines if line.kind == "valley"]
    covered = np.bincount(wide[painted(wide.shape, valleys)], minlength=count + 1)
    kept = covered < MOST_OF_AREA * np.bincount(wide.ravel(), minlength=count + 1)
    kept[0] = False
    return np.where(kept, np.cumsum(kept), 0).astype(np.int32)[wide]


def _with_grain_fields(wide: np.ndarray, low: np.ndarray, widest_px: float) -> np.ndarray:
    """Areas with the fields of grains beside them; the grains are taken from the numbered spots `low`."""
    fields = grain_fields(low, _compact(low), GRAINS_APART * widest_px)
    fields[wide > 0] = 0
    if not fields.any():
        return wide
    low[fields > 0] = 0
    return wide + np.where(fields > 0, fields + int(wide.max(initial=0)), 0).astype(np.int32)


def _compact(low: np.ndarray) -> np.ndarray:
    """Whether each numbered spot (index = number) is compact."""
    compact = is_compact(*spot_axes(low, int(low.max(initial=0))))
    compact[0] = False
    return compact


def _spots(wide: np.ndarray, low: np.ndarray, above: np.ndarray, lines: list[Trace]) -> tuple[np.ndarray, int]:
    """Labels of wide areas, then of what lies below and is no line (pits, short strokes); negative of raisings."""
    wide_count = int(wide.max(initial=0))
    traced = painted(low.shape, [(line.points_px, line.width_px) for line in lines if line.kind == "valley"])
    on_line, count = low[traced], int(low.max(initial=0)) + 1
    share = np.bincount(on_line, minlength=count) / np.maximum(np.bincount(low[low > 0], minlength=count), 1)
    share[0] = 0
    low[(share > np.where(_compact(low), MOST_IN_SPOT, MOST_TRACED))[low]] = 0
    raised = number_spots(above, LEAST_DEPOSIT_PX, compact=True)
    labels = wide
    labels[low > 0] = low[low > 0] + wide_count
    labels[raised > 0] = -raised[raised > 0]
    return labels, wide_count


def _line_strengths(
    field: Field, settings: Settings, area: np.ndarray, threads: int, tile_px: int
) -> tuple[LineMaps, LineMaps]:
    """Crests of the whole field, valleys and ridges."""
    shape = field.height_um.shape
    halo = halo_px(settings.widths_px)
    noise = _noise(field, settings, area)
    whole = [LineMaps(np.zeros(shape, np.float32), np.zeros(shape, np.uint8)) for _ in range(2)]

    def look(tile: Tile) -> None:
        core = tile.core.slices
        parts = line_maps(
            *_with_halo(field, area, core, halo), settings.widths_px, noise, WEAK * settings.threshold, halo
        )
        for maps, part in zip(whole, parts, strict=True):
            maps.strength[core] = part.strength
            maps.scale[core] = part.scale

    for_each(look, tiles(shape, tile_px), "lines", threads)
    return whole[0], whole[1]


def _glint_strengths(
    field: Field, settings: Settings, rough_um: float, threads: int, tile_px: int
) -> np.ndarray | None:
    """Crests of lines finer than a pixel, (rows, columns), as strong as valleys count; None where nothing tells."""
    u_tilt_deg = field.u_tilt_deg
    if u_tilt_deg is None:
        return None
    shape = field.height_um.shape
    reach = halo_px(glints.WIDTHS_PX)
    window = reach + glints.WINDOW_PX
    limit_um = max(glints.STEP_SIGMA * rough_um, settings.step_um)
    found = np.zeros(shape, np.float32)
    noise = np.full((2, len(glints.WIDTHS_PX), DIRECTIONS), glints.NOISE, np.float32)

    def look(tile: Tile) -> None:
        core = tile.core.slices
        around = tuple(
            slice(max(side.start - window, 0), min(side.stop + window, size))
            for side, size in zip(core, shape, strict=True)
        )
        residual = np.nan_to_num(field.residual(*around), nan=0.0)
        glint = glints.glint_map(u_tilt_deg[around])
        glint[glints.steps(residual, limit_um)] = 0
        inner = tuple(slice(c.start - a.start, c.stop - a.start) for c, a in zip(core, around, strict=True))
        padded = np.pad(glint, reach, mode="edge")[
            inner[0].start : inner[0].stop + 2 * reach, inner[1].start : inner[1].stop + 2 * reach
        ]
        nothing, known = np.zeros(padded.shape, bool), np.ones(padded.shape, bool)
        zero = np.zeros(padded.shape, np.float32)
        _, ridge = line_maps(padded, zero, nothing, known, glints.WIDTHS_PX, noise, WEAK * settings.threshold, reach)
        found[core] = ridge.strength

    for_each(look, tiles(shape, tile_px), "fine lines", threads)
    return found


def _with_halo(
    field: Field, area: np.ndarray, core: tuple[slice, slice], halo: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Residual, uncertainty, area and known of a window and `halo` pixels around; the field's edge is repeated."""
    shape = field.height_um.shape
    cut, pad = [], []
    for side, size in zip(core, shape, strict=True):
        start, stop = max(side.start - halo, 0), min(side.stop + halo, size)
        cut.append(slice(start, stop))
        pad.append((start - (side.start - halo), side.stop + halo - stop))
    residual = field.residual(*cut)
    known = np.isfinite(residual)
    layers = (np.where(known, residual, 0).astype(np.float32), field.uncertainty(*cut), area[tuple(cut)], known)
    padded = [np.pad(layer, pad, mode="edge") for layer in layers]
    return padded[0], padded[1], padded[2], padded[3]


def _noise(field: Field, settings: Settings, area: np.ndarray) -> np.ndarray:
    """Noise (2, widths, directions) of the response on land and in areas, um: a robust scale of what answers nothing.

    Rolled metal answers along its streaks more than across, so every direction has its own noise. The quietest quarter
    of the answers, in the quietest quarter of the places, tells it: where marks crowd, most places answer.
    tests/marks/test_lines.py counts false lines on rough plates.
    """
    halo = halo_px(settings.widths_px)
    shape = (2, len(settings.widths_px), DIRECTIONS)
    scales: list[np.ndarray] = []
    for core in _sample_windows(field.height_um.shape):
        height, _, in_area, known = _with_halo(field, area, core, halo)
        inner = (slice(halo, -halo), slice(halo, -halo))
        places = [known[inner] & (in_area[inner] == inside) for inside in (False, True)]
        scale_of_window = np.full(shape, np.nan)
        for scale, width in enumerate(settings.widths_px):
            for direction, both in enumerate(rises(height, width, halo)):
                for place, here in enumerate(places):
                    answers = np.abs(np.concatenate([rise[here][::SAMPLE_EVERY] for rise in both]))
                    scale_of_window[place, scale, direction] = quiet_scale(answers) or np.nan
        scales.append(scale_of_window)
    noise = _quiet_windows(np.array(scales))
    # where a field has no area, or nothing else, the other's noise stands
    noise[1] = np.where(np.isnan(noise[1]), noise[0], noise[1])
    noise[0] = np.where(np.isnan(noise[0]), noise[1], noise[0])
    return np.maximum(np.nan_to_num(noise), FLAT_UM).astype(np.float32)


def _quiet_windows(scales: np.ndarray) -> np.ndarray:
    """Lower quartile over the windows (first axis) that know; NaN where none does."""
    known = np.isfinite(scales)
    filled = np.where(known.any(axis=0), scales, 0.0)
    return np.where(known.any(axis=0), np.nanpercentile(filled, 25, axis=0), np.nan)


def _sample_windows(shape: tuple[int, int]) -> list[tuple[slice, slice]]:
    """Windows spread evenly over a field; they cover it all where it is small."""
    starts = []
    for size in shape:
        last = max(size - SAMPLE_PX, 0)
        starts.append(sorted({round(last * index / (SAMPLE_WINDOWS - 1)) for index in range(SAMPLE_WINDOWS)}))
    return [
        (slice(row, min(row + SAMPLE_PX, shape[0])), slice(col, min(col + SAMPLE_PX, shape[1])))
        for row in starts[0]
        for col in starts[1]
    ]


def confirm(found: Found, bend_per_mm: np.ndarray, kind: str) -> Found:
    """Drop the traces of a kind that the normals' own curvature contradicts.

    bend_per_mm : (rows, columns): for valleys the least, for ridges the largest principal curvature, 1/mm, positive
    where convex. Heights are integrated and may hold false folds; curvature comes from the normals directly.
    """
    kept = []
    for trace in found.traces:
        at = np.clip(np.rint(trace.points_px).astype(int), 0, np.array(bend_per_mm.shape) - 1)
        bend = bend_per_mm[at[:, 0], at[:, 1]]
        middle = float(np.median(bend[np.isfinite(bend)])) if np.isfinite(bend).any() else 0.0
        if trace.kind != kind or (middle <= 0 if kind == "valley" else middle >= 0):
            kept.append(trace)
    return replace(found, traces=tuple(kept))
