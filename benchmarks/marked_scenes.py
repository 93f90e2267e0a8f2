"""What lies on a benchmark plate: compositions of marks by kind, made in their order in time."""

from collections.abc import Callable
from typing import Any

import numpy as np
from marked_canvas import CODE, INK_ALBEDO, Canvas
from marked_lines import Line, burin_line, curve, drypoint_line, etched_line, scratch_line
from marked_spots import dent, deposit, etched_area, pits, print_patch, stain
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter

TRIES = 300
BESIDE_DEG = 25.0
"""Two lines that lie on each other at less than this angle could not be told apart: another place is taken."""


class Plan:
    """Where marks may go, and what has been made so far."""

    def __init__(self, canvas: Canvas) -> None:
        self.canvas, self.rng = canvas, canvas.rng
        self.taken = np.zeros((canvas.size, canvas.size), bool)
        self.angle = np.full((canvas.size, canvas.size), np.nan)
        self.order = 0

    def place(
        self, width_um: float, length_um: tuple[float, float], turn: float, crowded: float, angle: float | None = None
    ) -> np.ndarray | None:
        """A free curve; `crowded` is the share of it that may cross other marks. None where there is no room."""
        canvas, rng = self.canvas, self.rng
        for attempt in range(TRIES):
            length = rng.uniform(*length_um) * (1 - 0.6 * attempt / TRIES)
            middle = rng.uniform(0.05, 0.95, 2) * canvas.side_um
            toward = rng.uniform(0, np.pi) if angle is None else angle + rng.uniform(-0.05, 0.05)
            points = curve(canvas, middle, toward, length, rng.uniform(-turn, turn))
            if len(points) * 10 > 0.4 * length and self._is_free(points, crowded):
                self._take(points, width_um)
                return points
        return None

    def _pixels(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        at = np.clip((points / self.canvas.pitch_um).astype(int), 0, self.canvas.size - 1)
        return at[:, 0], at[:, 1]

    def _is_free(self, points: np.ndarray, crowded: float) -> bool:
        at = self._pixels(points)
        near = self.taken[at]
        if near.mean() > crowded:
            return False
        apart = np.abs((np.degrees(_headings(points)) - self.angle[at] + 90) % 180 - 90)
        return not (np.nan_to_num(apart[near], nan=90.0) < BESIDE_DEG).any()

    def _take(self, points: np.ndarray, width_um: float) -> None:
        fresh = np.zeros_like(self.taken)
        at = self._pixels(points)
        self.angle[at] = np.degrees(_headings(points))
        fresh[at] = True
        reach = int(np.ceil(width_um / 2 / self.canvas.pitch_um + 3))
        heading = np.where(fresh, self.angle, np.nan)
        wide = binary_dilation(fresh, iterations=reach)
        nearest = distance_transform_edt(~fresh, return_distances=False, return_indices=True)
        self.angle = np.where(wide, heading[tuple(nearest)], self.angle)
        self.taken |= wide

    def take_area(self, inside: np.ndarray) -> None:
        """Mark the pixels of an area as taken, without a direction."""
        self.taken |= binary_dilation(inside, iterations=3)

    def room(self, radius_um: float) -> np.ndarray | None:
        """Centre of a free disc, um."""
        clear = distance_transform_edt(np.pad(~self.taken, 1))[1:-1, 1:-1]
        rows, cols = np.nonzero(clear > radius_um / self.canvas.pitch_um + 2)
        if not len(rows):
            return None
        pick = self.rng.integers(len(rows))
        return (np.array([rows[pick], cols[pick]]) + 0.5) * self.canvas.pitch_um

    def note(self, facts: dict[str, Any]) -> None:
        """Add a mark to the truth, made in the current step."""
        self.canvas.marks.append(facts | {"order": self.order})

    def step(self) -> None:
        """What follows is later than what was made."""
        self.order += 1

    def cut(self, line: Line) -> None:
        """Cut one line, later than all before; how it follows the ground varies."""
        self.step()
        width = 2 * float(line.half_um.max())
        line.plough(self.canvas, float(self.rng.choice([0.5 * width, 2 * width, np.inf])))
        self.note(line.facts(self.canvas))

    def bite(self, lines: list[Line], areas: list[Any], rough_um: float) -> None:
        """Etch lines and areas at once; some of the marks hold ink afterwards."""
        self.step()
        canvas = self.canvas
        shapes, facts = [area[0] for area in areas], [area[1] for area in areas]
        for line in lines:
            shapes.append(line.bite_shape(canvas, self.rng.uniform(0.02, 0.06)))
            facts.append(line.facts(canvas))
        if not shapes:
            return
        canvas.bite(shapes, rough_um)
        for (where, depth), mark in zip(shapes, facts, strict=True):
            share = self.rng.uniform(0.1, 0.6) if self.rng.random() < 0.4 else 0.0
            self.note(mark | {"residue": _ink(canvas, where, depth, share)})


def _ink(canvas: Canvas, where: tuple[slice, slice], depth: np.ndarray, share: float) -> dict[str, float] | None:
    """Ink on the floor of a groove, thinner toward its edges, as if wiped; what was laid."""
    if not share:
        return None
    filled = gaussian_filter(np.clip(depth / depth.max() * 2.5 - 0.6, 0, 1), 0.3 * canvas.sub)
    canvas.coat(where, (share * np.minimum(filled, 1)).astype(np.float32), INK_ALBEDO)
    return {"ink_share": float(share), "contrast": float(-share * (1 - INK_ALBEDO / 0.6))}


def _headings(points: np.ndarray) -> np.ndarray:
    step = np.gradient(points, axis=0)
    return np.arctan2(-step[:, 0], step[:, 1]) % np.pi


def _lines(
    plan: Plan,
    make: Callable[..., Line],
    widths_um: np.ndarray,
    length_um: tuple[float, float],
    turn: float,
    crowded: float,
) -> list[Line]:
    made = []
    for width in widths_um:
        points = plan.place(width, length_um, turn, crowded)
        if points is not None:
            made.append(make(plan.rng, points, float(width)))
    return made


def _bundle(plan: Plan, count: int, widths_um: tuple[float, float], spacing_um: float, length_um: float) -> None:
    """Parallel scratches of one wipe."""
    canvas, rng = plan.canvas, plan.rng
    angle, turn = rng.uniform(0, np.pi), rng.uniform(-0.4, 0.4)
    middle = rng.uniform(0.3, 0.7, 2) * canvas.side_um
    across = np.array([np.cos(angle), np.sin(angle)])
    plan.step()
    event = plan.order
    for index in range(count):
        shift = (index - (count - 1) / 2 + rng.uniform(-0.25, 0.25)) * spacing_um
        points = curve(canvas, middle + shift * across, angle, length_um * rng.uniform(0.5, 1), turn)
        if len(points) < 20:
            continue
        line = scratch_line(rng, points, rng.uniform(*widths_um))
        line.plough(canvas, 100.0)
        plan.note(line.facts(canvas) | {"event": event})
        plan._take(points, float(2 * line.half_um.max()))


def marked(canvas: Canvas, whole: bool, seed: int) -> None:
    """Every kind of mark; whole: at the pixels of a whole plate, most scratches thinner than one."""
    plan, rng = Plan(canvas), canvas.rng
    px, side = canvas.pitch_um, canvas.side_um
    canvas.roll(0.06)
    late = seed % 2 == 0

    def scratches(count: int) -> None:
        wide = (2.0 * px, 8.0 * px) if not whole else (1.5 * px, 3.5 * px)
        for line in _lines(plan, scratch_line, rng.uniform(*wide, count), (0.4 * side, 1.3 * side), 0.7, 0.5):
            plan.cut(line)

    sizes = rng.uniform(40, 62, 2) * px
    drawn = [etched_area(canvas, plan, across, grained=index == 0) for index, across in enumerate(sizes)]
    if late:
        scratches(2)
    count = 7 if not whole else 9
    etched = _lines(plan, etched_line, rng.uniform(3.5, 14, count) * px, (0.25 * side, 0.6 * side), 1.0, 0.3)
    again = etched[:2] if not late else []
    plan.bite(etched[len(again) :], [area for area in drawn if area is not None], rng.uniform(0.3, 1.0))
    burin_px, drypoint_px = ((4.5, 12), (3, 6)) if not whole else ((2, 6), (1.5, 3))
    for line in _lines(plan, burin_line, rng.uniform(*burin_px, 4) * px, (0.25 * side, 0.6 * side), 0.6, 0.4):
        plan.cut(line)
    for line in _lines(plan, drypoint_line, rng.uniform(*drypoint_px, 2) * px, (0.2 * side, 0.4 * side), 0.5, 0.3):
        plan.cut(line)
    pits(canvas, plan, 4)
    dent(canvas, plan)
    deposit(canvas, plan)
    deposit(canvas, plan)
    stain(canvas, plan)
    scratches(5 if not whole else 2)
    if again:
        plan.bite(again, [], 0.3)
        scratches(2)
    if whole:
        thin = np.exp(rng.uniform(np.log(8), np.log(30), 8))
        for line in _lines(plan, scratch_line, thin, (0.3 * side, 1.2 * side), 0.7, 0.5):
            plan.cut(line)
        _bundle(plan, 5, (10.0, 30.0), 6 * px, 0.6 * side)
    else:
        _bundle(plan, 4, (1.2 * px, 3.2 * px), 9 * px, 0.5 * side)
    if seed % 3 != 0:
        print_patch(canvas, plan, radius_um=min(0.3 * side, 6000.0))


def hatching(canvas: Canvas) -> None:
    """Two fields of parallel lines as fine as friction ridges are spaced: one etched, one cut; no print."""
    plan, rng = Plan(canvas), canvas.rng
    canvas.roll(0.06)
    for half in (0, 1):
        spacing, angle = rng.uniform(300, 600), rng.uniform(0.3, 1.2)
        across = np.array([np.cos(angle), np.sin(angle)])
        middle = np.array([0.5, 0.27 + 0.46 * half]) * canvas.side_um
        lines = []
        for shift in np.arange(-0.2, 0.2, spacing / canvas.side_um) * canvas.side_um:
            points = curve(canvas, middle + shift * across, angle, 0.36 * canvas.side_um, 0.1)
            if len(points) > 20:
                make = (etched_line, burin_line)[half]
                lines.append(make(rng, points, float(rng.uniform(80, 140))))
        if half == 0:
            plan.bite(lines, [], 0.3)
        else:
            for line in lines:
                plan.cut(line)


def blank(canvas: Canvas) -> None:
    """Rolled metal and nothing else."""
    canvas.roll(canvas.rng.uniform(0.06, 0.15))


def tarnish(canvas: Canvas) -> None:
    """Patches of matte corrosion without relief."""
    canvas.roll(0.06)
    everywhere = (slice(None), slice(None))
    patches = canvas.noise(canvas.size / 16)
    share = np.clip((patches - 0.2) * 1.5, 0, 0.8).astype(np.float32)
    canvas.coat(everywhere, share, 0.25)
    canvas.label[share > 0.05] = CODE["deposit"]


def single(canvas: Canvas) -> None:
    """One scratch from side to side."""
    canvas.roll(0.06)
    plan, rng = Plan(canvas), canvas.rng
    points = curve(canvas, np.array([0.5, 0.5]) * canvas.side_um, rng.uniform(0.1, 0.4), 2 * canvas.side_um, 0.2)
    line = scratch_line(rng, points, float(rng.uniform(2.5, 5) * canvas.pitch_um))
    plan.cut(line)


def many(canvas: Canvas, count: int = 5000) -> None:
    """Scratches upon scratches, straight and bent, short and long."""
    canvas.roll(0.06)
    plan, rng = Plan(canvas), canvas.rng
    for _ in range(count):
        length = float(np.exp(rng.uniform(np.log(500), np.log(10000))))
        points = curve(
            canvas, rng.uniform(0, 1, 2) * canvas.side_um, rng.uniform(0, np.pi), length, rng.uniform(-0.3, 0.3)
        )
        if len(points) > 20:
            plan.cut(scratch_line(rng, points, float(rng.uniform(2, 4) * canvas.pitch_um)))
