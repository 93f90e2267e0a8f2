"""The section across a line: width, depth, walls and ridges, each with its standard uncertainty.

Depths count from the surface beside (ISO 8785). The width is taken at half depth, the wall angle between 20 and 80 %
of the depth (common practice, no source); where the floor is at least nine pixels wide the depth follows
ISO 5436-1 type A1 (4.28, 4.29).
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, map_coordinates

from lightdome.marks.blur import Sharpening, sharpening
from lightdome.marks.profile import Shape, measure
from lightdome.marks.records import Section, Trace
from lightdome.units import UM_PER_MM

STEP_PX = 0.25
"""Between the samples of a section."""
BLOCK = 4
"""Sections, one pixel apart, that are averaged before they are measured."""
LEAST_BLOCKS = 4
"""Fewer do not tell the ends of a line from its middle."""
MOST_BLOCKS = 32
"""A long trace is measured at this many blocks, evenly spread."""
MAD_TO_SIGMA = 1.4826
UNKNOWN_SHARE = 0.2
POINTED = 0.5
"""Floor ratio under which a bottom is a point rather than a floor."""
WIDTH_PER_DEPTH = 0.5
"""Relative error of a width by one of the depth that all slopes share: too gentle walls also lean outward."""
TRIMMED = 0.15
"""Of the blocks, at either end of their order: those that other marks cross."""
U_STEEP = 0.22
"""Anything from nothing to tan 50 / tan 34 - 1 = 0.77 may be missing: a rectangular distribution (JCGM 100, 4.3.7)."""
SURELY_SEEN_DEG, HARDLY_SEEN_DEG = 18.0, 26.0
WIDENED = 3
SOLID = 0.35
"""Of the depth: the middle half of a groove lies deeper wherever the groove is."""
LEAST_WIDTH_PX = 3.0
"""Narrower lines get presence and length only."""


def stations(points_px: np.ndarray, width_px: float, *, ends: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Places (n, 2) one pixel apart on a polyline and the unit vectors (n, 2) to their right, as row, column.

    Half a width at each end is left out, where the section is that of the line's end, unless the ends are asked for.
    """
    lengths = np.linalg.norm(np.diff(points_px, axis=0), axis=1)
    along = np.concatenate([[0], np.cumsum(lengths)])
    cut = 0.0 if ends else min(width_px / 2, along[-1] / 4)
    at = np.linspace(cut, along[-1] - cut, max(2, round(along[-1] - 2 * cut) + 1))
    places = np.stack([np.interp(at, along, points_px[:, axis]) for axis in (0, 1)], axis=1)
    reach = max(2, round(width_px))
    padded = np.concatenate([np.repeat(places[:1], reach, axis=0), places, np.repeat(places[-1:], reach, axis=0)])
    ahead = padded[2 * reach :] - padded[: -2 * reach]
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1), 1e-9)[:, None]
    # walking along (rows, columns) = ahead with y up, the right hand points to (columns, -rows)
    return places, np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)


def sample_sections(
    height_um: np.ndarray, places: np.ndarray, right: np.ndarray, offsets_px: np.ndarray, order: int = 1
) -> np.ndarray:
    """Heights (n, offsets) across a line at places (n, 2), NaN near unknown pixels and outside.

    order : 1, linear between pixels, or 3, cubic: it reaches the bottom of a V better, but overshoots at the foot of a
    steep wall by a tenth of its height.
    """
    at = places[:, None, :] + right[:, None, :] * offsets_px[None, :, None]
    low = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - 6, 0)
    high = np.minimum(np.ceil(at.max(axis=(0, 1))).astype(int) + 7, height_um.shape)
    if (high - low < 2).any():
        return np.full(at.shape[:2], np.nan)
    crop = height_um[low[0] : high[0], low[1] : high[1]].astype(float)
    unknown = ~np.isfinite(crop)
    at = np.moveaxis(at - low, -1, 0)
    outside = ((at < -0.5) | (at > np.array(crop.shape)[:, None, None] - 0.5)).any(axis=0)
    if unknown.all():
        return np.full(at.shape[1:], np.nan)
    if unknown.any():
        nearest = distance_transform_edt(unknown, return_distances=False, return_indices=True)
        crop = crop[tuple(nearest)]
        outside |= map_coordinates(unknown.astype(np.float32), at, order=1, mode="nearest") > 0
    values = map_coordinates(crop, at, order=order, mode="nearest")
    values[outside] = np.nan
    return values


def block_sections(
    height_um: np.ndarray, points_px: np.ndarray, width_px: float, half_px: float, order: int
) -> tuple[np.ndarray, np.ndarray]:
    """Mean sections (blocks, offsets) along a polyline and their offsets, pixels, from left to right."""
    places, right = stations(points_px, width_px)
    count = max(1, len(places) // BLOCK)
    offsets = np.arange(-round(half_px / STEP_PX), round(half_px / STEP_PX) + 1) * STEP_PX
    kept = np.unique(np.linspace(0, count - 1, min(count, MOST_BLOCKS)).round().astype(int))
    found = []
    for block in kept:
        part = slice(block * BLOCK, (block + 1) * BLOCK) if count > 1 else slice(None)
        values = sample_sections(height_um, places[part], right[part], offsets, order)
        known = np.isfinite(values)
        total = np.where(known, values, 0).sum(axis=0)
        enough = known.sum(axis=0) >= max(1, (1 - UNKNOWN_SHARE) * len(values))
        found.append(np.where(enough, total / np.maximum(known.sum(axis=0), 1), np.nan))
    return np.array(found), offsets


def measure_trace(
    height_um: np.ndarray,
    noise_um: tuple[float, float],
    trace: Trace,
    pitch_mm: float,
    shared_um: float = 0.0,
) -> Section | None:
    """Mean section of a line with standard uncertainties, or None where no section can be measured.

    height_um : (rows, columns), um, above the surface beside. noise_um : standard uncertainty of the heights along the
    line, and standard deviation of the surface beside. shared_um : standard uncertainty that all heights of the floor
    share against the surface beside, as by a gain of all slopes. A ridge is measured as if it were a valley.
    """
    rough_um = noise_um[1]
    sign = 1 if trace.kind == "valley" else -1
    seen = None
    guess = max(trace.width_px, 2.0)
    for _ in range(WIDENED):  # a detector answers in the middle of a line that is wider than itself
        seen = _look(height_um, trace, sign, guess, 1, rough_um)
        if seen is not None:
            break
        guess *= 2
    if seen is None:
        return None
    # the second pass looks as far as the width found by the first demands
    mean = seen.mean
    order = 3 if mean.floor_ratio < POINTED else 1
    seen = _look(height_um, trace, sign, max(mean.width_px, mean.reach_px / 2, 2.0), order, rough_um)
    if seen is None:
        return None
    mean = seen.mean
    core = np.abs(seen.offsets - mean.centre_px) <= max(mean.width_px / 4, STEP_PX)
    solid = sign * seen.blocks[:, core] < -SOLID * mean.depth_um
    sharp = sharpening(seen.offsets, seen.section - mean.level_um, mean.centre_px, mean.width_px)
    return _section(seen, (*noise_um, shared_um), pitch_mm, float(solid.mean()), sharp)


@dataclass(frozen=True)
class _Look:
    """What one pass over a line sees."""

    mean: Shape
    shapes: list[Shape]
    blocks: np.ndarray
    section: np.ndarray
    offsets: np.ndarray


def _look(height_um: np.ndarray, trace: Trace, sign: int, guess: float, order: int, rough_um: float) -> _Look | None:
    blocks, offsets = block_sections(height_um, trace.points_px, guess, 1.75 * guess + 5, order)
    aligned, shapes = _align(sign * blocks, offsets, guess, rough_um)
    if not shapes:
        return None
    section = _nanmedian(aligned)
    mean = measure(section, offsets, guess, rough_um)
    return None if mean is None else _Look(mean, shapes, blocks, section, offsets)


def _align(blocks: np.ndarray, offsets: np.ndarray, guess: float, rough_um: float) -> tuple[np.ndarray, list[Shape]]:
    """Sections shifted so that their half-depth middles meet, and their shapes; unmeasurable blocks are left out."""
    aligned, shapes = [], []
    for block in blocks:
        shape = measure(block, offsets, guess, rough_um)
        if shape is None:
            continue
        shift = float(np.clip(shape.centre_px, -guess, guess))
        known = np.isfinite(block)
        above = (block - shape.level_um)[known]
        aligned.append(np.interp(offsets + shift, offsets[known], above, np.nan, np.nan))
        shapes.append(shape)
    return np.array(aligned), shapes


def _nanmedian(values: np.ndarray) -> np.ndarray:
    """Median down the columns; NaN only where fewer than half of the values are known."""
    enough = np.isfinite(values).sum(axis=0) * 2 >= len(values)
    filled = np.where(enough, values, 0.0)
    return np.where(enough, np.nanmedian(filled, axis=0), np.nan)


def _section(
    seen: _Look, noise_um: tuple[float, float, float], pitch_mm: float, solid: float, sharp: Sharpening
) -> Section:
    """Type A from the scatter of the blocks, type B from the height uncertainty and the pixel grid (JCGM 100)."""
    mean, shapes = seen.mean, seen.shapes
    wall_deg = math.degrees(math.atan(mean.wall_um_per_px / (pitch_mm * UM_PER_MM)))
    shared = math.hypot(noise_um[2] / mean.depth_um, steepness_doubt(wall_deg))
    height_um = noise_um[0] / math.sqrt(len(shapes)) if np.isfinite(noise_um[0]) else 0.0
    slope = max(mean.wall_um_per_px, 1e-9)
    u_removed = math.hypot(_scatter([s.removed_fraction for s in shapes]), height_um / max(mean.depth_um, 1e-9))
    widths = np.array([s.width_px for s in shapes])
    A1 = mean.rule == "A1"
    return Section(
        width_px=mean.width_px * sharp.width,
        mouth_px=mean.mouth_px,
        reach_px=mean.reach_px,
        depth_um=mean.depth_um * (1.0 if A1 else sharp.depth),
        depth_rule=mean.rule,
        burr_left_um=mean.burr_left_um,
        burr_right_um=mean.burr_right_um,
        wall_um_per_px=mean.wall_um_per_px,
        wall_angle_deg=wall_deg,
        removed_fraction=mean.removed_fraction,
        floor_ratio=mean.floor_ratio,
        sharp_floor_ratio=sharp.floor_ratio,
        width_variation=_spread(widths) / mean.width_px,
        depth_variation=_spread(np.array([s.depth_um for s in shapes])) / mean.depth_um,
        edge_variation=_edge_variation(shapes) / mean.width_px,
        u_width_px=math.sqrt(
            _scatter([s.width_px for s in shapes]) ** 2
            + 2 * (height_um / slope) ** 2
            + STEP_PX**2 / 12
            + (sharp.u_width * mean.width_px) ** 2
            + (WIDTH_PER_DEPTH * mean.width_px * shared) ** 2
            + _skewness(widths) ** 2
        ),
        u_depth_um=math.hypot(
            _scatter([s.depth_um for s in shapes]),
            height_um,
            shared * mean.depth_um,
            _skewness(np.array([s.depth_um for s in shapes])),
            0.0 if A1 else sharp.u_depth * mean.depth_um,
        ),
        u_burr_um=math.sqrt(
            _scatter([max(s.burr_left_um, s.burr_right_um) for s in shapes]) ** 2
            + height_um**2
            + mean.beside_um**2
            + noise_um[1] ** 2
        ),
        u_removed_fraction=u_removed,
        end_share=_end_share([s.removed_area_um_px for s in shapes]),
        solid_share=solid,
        stations=len(shapes) * BLOCK,
    )


def steepness_doubt(wall_deg: float) -> float:
    """Relative standard uncertainty of a depth whose walls look so steep: steeper ones look no steeper.

    A metal's lobe shows slopes up to 37 degrees under lamps that stand 15 degrees above the plate (the half vector of
    lamp and camera), and walls that face each other share light. On rendered plates grooves of 35 to 50 degrees came
    out at 25 to 34, and 16 % too shallow on average (benchmarks/README.md).
    """
    return U_STEEP * float(np.clip((wall_deg - SURELY_SEEN_DEG) / (HARDLY_SEEN_DEG - SURELY_SEEN_DEG), 0, 1))


def _skewness(values: np.ndarray) -> float:
    """Distance of mean and median of the middle blocks: of a line that swells, either could be called its size."""
    ordered = np.sort(values)
    cut = int(TRIMMED * len(ordered))
    return abs(float(ordered[cut : len(ordered) - cut].mean() - np.median(values)))


def _edge_variation(shapes: list[Shape]) -> float:
    """How far the two edges wander from one block to the next, pixels: standard deviation of second differences.

    A tool leaves straight edges, however its width changes; a bitten edge follows grains and cracks of the ground.
    """
    if len(shapes) < LEAST_BLOCKS:
        return float("nan")
    half = np.array([s.width_px / 2 for s in shapes])
    centre = np.array([s.centre_px for s in shapes])
    wander = [_spread(np.diff(edge, 2)) / math.sqrt(6) for edge in (centre - half, centre + half)]
    return float(np.mean(wander))


def _end_share(areas: list[float]) -> float:
    """Section area in the outer sixths of a line over that in its middle third; NaN for under four blocks."""
    count = len(areas)
    if count < LEAST_BLOCKS:
        return float("nan")
    sixth = max(1, count // 6)
    ends = np.array(areas[:sixth] + areas[-sixth:])
    middle = np.array(areas[count // 3 : count - count // 3])
    return float(np.median(ends) / max(float(np.median(middle)), 1e-9))


def _spread(values: np.ndarray) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def _scatter(values: list[float]) -> float:
    """Standard uncertainty of the mean of the blocks; a single block says nothing of its scatter."""
    return _spread(np.array(values)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
