"""Traces measured: which of them are lines at all, their sections, and the numbers that tell their cause."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from lightdome.marks.crossings import dense
from lightdome.marks.line_facts import MOSTLY, directions, facts_of, parallel_lines
from lightdome.marks.records import Roughness, Section, Trace
from lightdome.marks.sections import LEAST_WIDTH_PX, measure_trace, stations
from lightdome.tiles import progress

SIGNIFICANT = 3.0
"""A depth counts when it exceeds this many standard uncertainties."""
ABOVE_ROUGHNESS = 5.0
"""Depth of a line over the roughness of the land: among many streaks of rolled metal some reach three to four."""
LONG = 2.5
"""A line is at least this many times as long as wide."""
LEAST_SOLID = 0.6
"""Share of a trace's middle that must lie deep."""
LEAST_GLINT = 0.5
"""Share of its length that must shine where no height shows a line."""
BESIDE_WIDTHS, BESIDE_PX = 1.5, 3.0
"""So many widths and pixels from the centre lies the surface beside."""
GHOST_SHARE = 0.5
GHOST_PX, GHOST_DEG = 2.0, 12.0
"""A shining line so near the walls of a measured groove, and in its direction, is one of them."""
LEAST_WALL_DEG = 5.0
"""Gentler walls do not shine: their slopes lie within one lobe of the land's, whose width is 8 degrees or more."""


@dataclass(frozen=True)
class Ground:
    """What lines are measured on; (rows, columns), NaN where unknown."""

    flat_um: np.ndarray
    """Height above the land, and inside wide areas above their floors."""
    u_height_um: np.ndarray
    lobe_roughness: np.ndarray
    u_tilt_deg: np.ndarray
    area: np.ndarray
    """int32: number of the wide area; 0 elsewhere."""
    roughness: Roughness
    floor_scale_um: float
    """Standard deviation of the floors of wide areas."""
    pitch_mm: float


@dataclass(frozen=True)
class Line:
    """A trace that is a line."""

    trace: Trace
    section: Section | None
    """None where only the light of its pixels shows it."""
    facts: dict[str, float]
    """By the names in `line_facts.FACTS`."""
    areas: tuple[int, ...]
    """Numbers of the wide areas that it runs into."""
    place: int
    """In the list of lines."""
    beside: frozenset[int]
    """Places of the lines that run beside it in its direction."""

    @property
    def resolved(self) -> bool:
        """At least three pixels wide: only then it has a width and a depth."""
        return self.section is not None and self.section.full_width_px >= LEAST_WIDTH_PX

    @property
    def reach_px(self) -> float:
        """Between the outer feet of its ridges."""
        return self.trace.width_px if self.section is None else self.section.reach_px


@dataclass(frozen=True)
class _Walls:
    """Where the walls of measured grooves lie."""

    tree: cKDTree | None
    """Of points on their centre lines, a pixel apart; None where there are none."""
    ahead: np.ndarray
    """(n, 2): directions there."""
    near_px: np.ndarray
    far_px: np.ndarray
    """(n,): distances from the centre line between which a wall shines."""

    @classmethod
    def of(cls, grooves: Sequence[tuple[Trace, Section]]) -> "_Walls":
        if not grooves:
            return cls(None, np.zeros((0, 2)), np.zeros(0), np.zeros(0))
        points = [dense(trace.points_px) for trace, _ in grooves]
        counts = [len(part) for part in points]
        near = [section.width_px / 2 - GHOST_PX for _, section in grooves]
        far = [section.reach_px / 2 + GHOST_PX for _, section in grooves]
        ahead = np.concatenate([directions(part) for part in points])
        return cls(cKDTree(np.concatenate(points)), ahead, np.repeat(near, counts), np.repeat(far, counts))

    def share_along(self, trace: Trace) -> float:
        """Share of a trace that runs along one of them."""
        if self.tree is None:
            return 0.0
        points = dense(trace.points_px)
        away, nearest = self.tree.query(points)
        along = np.abs((directions(points) * self.ahead[nearest]).sum(axis=1)) >= np.cos(np.radians(GHOST_DEG))
        return float((along & (away >= self.near_px[nearest]) & (away <= self.far_px[nearest])).mean())


def measure_lines(ground: Ground, traces: Sequence[Trace]) -> list[Line]:
    """The traces that are lines, in their order.

    A line no deeper than five times the land's own roughness, or than three standard uncertainties, is roughness and no
    mark (ISO 8785 separates the two), unless the light of its pixels shows it.
    """
    sections = [_sound_section(ground, trace) for trace in progress(traces, "sections")]
    both = list(zip(traces, sections, strict=True))
    walls = _Walls.of(
        [(trace, section) for trace, section in both if section and section.wall_angle_deg >= LEAST_WALL_DEG]
    )
    kept = [
        (trace, section)
        for trace, section in both
        if section is not None or (trace.glint_share >= LEAST_GLINT and walls.share_along(trace) < GHOST_SHARE)
    ]
    lines = [trace for trace, _ in kept]
    around = parallel_lines(lines)
    found = []
    for place, ((trace, section), others) in enumerate(zip(kept, around, strict=True)):
        area = _read(ground.area, trace)
        maps = ground.lobe_roughness, ground.u_tilt_deg
        facts = facts_of(
            trace, section, float((area > 0).mean()), *maps, len(others), ground.roughness.at(trace.width_px)
        )
        areas = tuple(int(value) for value in np.unique(area[area > 0]))
        found.append(Line(trace, section, facts, areas, place, frozenset(others)))
    return found


def _read(values: np.ndarray, trace: Trace) -> np.ndarray:
    points = np.clip(np.rint(dense(trace.points_px)).astype(int), 0, np.array(values.shape) - 1)
    return values[points[:, 0], points[:, 1]]


def _sound_section(ground: Ground, trace: Trace) -> Section | None:
    """The section of a trace, or None where none stands out of the land."""
    floor_um, beside_um = _uncertainties(ground.u_height_um, trace)
    in_area = float((_read(ground.area, trace) > 0).mean()) > MOSTLY
    rough = ground.floor_scale_um if in_area else ground.roughness.at(trace.width_px)
    # what the floor has more than the surface beside is no noise: it is shared along the line
    shared_um = math.sqrt(max(floor_um**2 - beside_um**2, 0.0))
    section = measure_trace(ground.flat_um, (min(floor_um, beside_um), rough), trace, ground.pitch_mm, shared_um)
    if section is None or section.solid_share < LEAST_SOLID or trace.length_px < LONG * section.full_width_px:
        return None
    least = max(ABOVE_ROUGHNESS * ground.roughness.at(trace.width_px), SIGNIFICANT * section.u_depth_um)
    return section if section.depth_um > least else None


def _uncertainties(u_height_um: np.ndarray, trace: Trace) -> tuple[float, float]:
    """Median standard uncertainty of the heights along a line, and on both sides of it, um; 0 where unknown."""
    places, right = stations(trace.points_px, 0.0)
    away = BESIDE_WIDTHS * trace.width_px + BESIDE_PX

    def median_at(*offsets_px: float) -> float:
        at = np.concatenate([np.rint(places + offset * right).astype(int) for offset in offsets_px])
        at = at[((at >= 0) & (at < u_height_um.shape)).all(axis=1)]
        values = u_height_um[at[:, 0], at[:, 1]]
        values = values[np.isfinite(values)]
        return float(np.median(values)) if values.size else 0.0

    floor = median_at(0.0)
    return floor, median_at(-away, away) or floor
