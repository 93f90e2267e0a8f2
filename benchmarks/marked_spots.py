"""Areas and spots on a benchmark plate: etched fields, grain, pits, dents, deposits, stains, friction-ridge prints."""

from typing import TYPE_CHECKING, Any

import numpy as np
from marked_canvas import CODE, Canvas
from scipy.ndimage import distance_transform_edt, gaussian_filter, zoom

if TYPE_CHECKING:
    from marked_scenes import Plan

WALL_RATIO = 0.9
"""Mean steepness of the walls of an etched area."""


def outline(where_rows: np.ndarray, where_cols: np.ndarray, radius_um: float, rng: np.random.Generator) -> np.ndarray:
    """(rows, columns): how far each place lies inside a closed wavy outline, um along the ray; negative outside."""
    theta = np.arctan2(where_rows, where_cols)
    limit = np.ones(np.broadcast(where_rows, where_cols).shape)
    for k in (2, 3, 5):
        limit = limit + rng.uniform(-0.15, 0.15) / (k / 2) * np.cos(k * theta + rng.uniform(0, 2 * np.pi))
    return radius_um * limit - np.hypot(where_rows, where_cols)


def etched_area(
    canvas: Canvas, plan: "Plan", across_um: float, grained: bool
) -> tuple[tuple[tuple[slice, slice], np.ndarray], dict[str, Any]] | None:
    """Window and depth of a bitten area, its floor plain or full of fine pits; None where there is no room."""
    rng, radius = canvas.rng, across_um / 2
    centre = plan.room(1.1 * radius)
    if centre is None:
        return None
    where, rows, cols = canvas.window(centre, 1.5 * radius)
    inside = outline(rows, cols, radius, rng) > 0
    away = distance_transform_edt(inside) * canvas.cell_um
    floor_um = rng.uniform(8, 22)
    s = np.clip(away / (floor_um / WALL_RATIO), 0, 1)
    depth = floor_um * s * s * (3 - 2 * s)
    density = 0.0
    if grained:
        density = 2.2 / (canvas.pitch_um / 1000 * rng.uniform(5, 8)) ** 2
        depth += _grain(canvas, depth.shape, density, rng) * (s >= 1)
    full = np.zeros(canvas.height.shape, bool)
    full[where] = inside
    pixels = canvas.pixel_mean(full.astype(np.float32)) > 0.5
    plan.take_area(pixels)
    facts = {
        "class": "etched",
        "kind": "grained area" if grained else "plain area",
        "outline": pixels,
        "depth_um": float(np.median(depth[s >= 1])) if (s >= 1).any() else floor_um,
        "grains_per_mm2": density,
    }
    return (where, depth.astype(np.float32)), facts


def _grain(canvas: Canvas, shape: tuple[int, int], density: float, rng: np.random.Generator) -> np.ndarray:
    """Fine pits, so many a mm2: depth below the floor, um."""
    depth = np.zeros(shape, np.float32)
    count = rng.poisson(density * np.prod(shape) * (canvas.cell_um / 1000) ** 2)
    for _ in range(count):
        radius = rng.uniform(1.2, 2.6) * canvas.sub
        row, col = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        rows, cols = (
            np.arange(max(0, int(at - radius)), min(int(at + radius) + 2, side))
            for at, side in zip((row, col), shape, strict=True)
        )
        share = ((rows[:, None] - row) ** 2 + (cols[None, :] - col) ** 2) / radius**2
        deepest = rng.uniform(0.12, 0.3) * radius * canvas.cell_um
        part = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
        depth[part] = np.maximum(depth[part], deepest * np.clip(1 - share, 0, 1))
    return depth


def _spot(canvas: Canvas, plan: "Plan", radius_um: float) -> tuple[Any, np.ndarray, np.ndarray] | None:
    """Window, share of the radius (1 at the edge) and pixels of an oval spot with room around it."""
    centre = plan.room(1.3 * radius_um)
    if centre is None:
        return None
    where, rows, cols = canvas.window(centre, 1.6 * radius_um)
    angle, stretch = canvas.rng.uniform(0, np.pi), canvas.rng.uniform(1, 1.35)
    one, other = rows * np.cos(angle) + cols * np.sin(angle), cols * np.cos(angle) - rows * np.sin(angle)
    share = np.hypot(one * stretch, other / stretch) / radius_um
    full = np.zeros(canvas.height.shape, np.float32)
    full[where] = share < 1
    pixels = canvas.pixel_mean(full) > 0.5
    plan.take_area(pixels)
    return where, share, pixels


def _note(plan: "Plan", kind: str, class_name: str, pixels: np.ndarray, across_um: float, depth_um: float) -> None:
    plan.step()
    plan.note(
        {"class": class_name, "kind": kind, "outline": pixels, "mouth_um": across_um, "depth_um": depth_um or None}
    )


def pits(canvas: Canvas, plan: "Plan", count: int) -> None:
    """Corrosion pits: bowls."""
    for _ in range(count):
        radius = float(canvas.rng.uniform(2.5, 6) * canvas.pitch_um)
        found = _spot(canvas, plan, radius)
        if found is None:
            return
        where, share, pixels = found
        depth = float(min(canvas.rng.uniform(0.2, 0.4) * radius, 30))
        bowl = depth * np.clip(1 - share**2, 0, 1).astype(np.float32)
        canvas.heap(where, -bowl, CODE["pit"])
        canvas.rougher[where] = np.where(bowl > 0, 1.3, canvas.rougher[where])
        _note(plan, "pit", "pit", pixels, 2 * radius, depth)


def dent(canvas: Canvas, plan: "Plan") -> None:
    """A wide shallow hollow with a low rim, the surface unbroken."""
    radius = float(canvas.rng.uniform(12, 20) * canvas.pitch_um)
    found = _spot(canvas, plan, radius)
    if found is None:
        return
    where, share, pixels = found
    depth = float(0.035 * radius)
    bowl = depth * np.cos(np.pi / 2 * np.clip(share, 0, 1)) ** 2
    canvas.heap(where, -bowl.astype(np.float32), CODE["pit"])
    _note(plan, "dent", "pit", pixels, 2 * radius, depth)


def deposit(canvas: Canvas, plan: "Plan") -> None:
    """A matte heap of corrosion products or dirt."""
    radius = float(canvas.rng.uniform(4, 12) * canvas.pitch_um)
    found = _spot(canvas, plan, radius)
    if found is None:
        return
    where, share, pixels = found
    rise = float(canvas.rng.uniform(0.06, 0.12) * radius)
    heap = rise * np.clip(1 - share**2, 0, 1) ** 1.5
    canvas.heap(where, heap.astype(np.float32), CODE["deposit"])
    cover = canvas.rng.uniform(0.6, 0.95) * np.clip((1 - share) * 8, 0, 1)
    canvas.coat(where, cover.astype(np.float32), float(canvas.rng.uniform(0.08, 0.4)))
    _note(plan, "heap", "deposit", pixels, 2 * radius, -rise)


def stain(canvas: Canvas, plan: "Plan") -> None:
    """A matte film without height."""
    radius = float(canvas.rng.uniform(10, 18) * canvas.pitch_um)
    found = _spot(canvas, plan, radius)
    if found is None:
        return
    where, share, pixels = found
    cover = canvas.rng.uniform(0.3, 0.7) * np.clip((1 - share) * 3, 0, 1)
    canvas.coat(where, cover.astype(np.float32), float(canvas.rng.uniform(0.08, 0.4)))
    canvas.label[where][share < 1] = CODE["deposit"]
    _note(plan, "stain", "deposit", pixels, 2 * radius, 0.0)


def print_patch(canvas: Canvas, plan: "Plan", radius_um: float) -> None:
    """A fingertip's print: a film on its ridges that dulls the gloss; no height.

    Ridges grow out of noise that is filtered, again and again, by waves along a field of directions: that of a loop
    (common practice of synthetic prints, from memory), so that ridges end and fork where they will.
    """
    rng = canvas.rng
    where, rows, cols = canvas.window(rng.uniform(0.25, 0.75, 2) * canvas.side_um, 1.3 * radius_um)
    spacing = rng.uniform(400, 560)
    step = spacing / 10
    shape = tuple(max(8, int(np.ceil((x.ravel()[-1] - x.ravel()[0]) / step)) + 1) for x in (rows, cols))
    y = np.linspace(rows.ravel()[0], rows.ravel()[-1], shape[0])[:, None] / radius_um
    x = np.linspace(cols.ravel()[0], cols.ravel()[-1], shape[1])[None, :] / radius_um
    turn = rng.uniform(0, 2 * np.pi)
    y, x = y * np.cos(turn) + x * np.sin(turn), x * np.cos(turn) - y * np.sin(turn)
    # a loop: one core and one delta, each turning the direction by half a turn around it (Sherlock and Monro's model)
    core, delta = np.arctan2(y + 0.2, x), np.arctan2(y - 0.9, x - 0.6)
    direction = (core - delta) / 2 + turn
    ridges = _grow(rng, direction, 10.0)
    film = gaussian_filter(np.clip(ridges * 2 + 0.3, 0, 1), 1.0)
    film = zoom(film, [n / s for n, s in zip((rows.size, cols.size), film.shape, strict=True)], order=1)
    inside = outline(rows, cols, radius_um, rng)
    film = film * np.clip(inside / (0.25 * radius_um), 0, 1)
    film = film * np.clip(0.75 + 0.35 * canvas.noise(25)[where], 0, 1)
    canvas.rougher[where] *= (1 + rng.uniform(0.15, 0.3) * film).astype(np.float32)
    canvas.gloss[where] *= (1 - rng.uniform(0.08, 0.2) * film).astype(np.float32)
    patch = inside > 0.05 * radius_um
    canvas.label[where][patch & (canvas.label[where] == 0)] = CODE["friction-ridge print"]
    full = np.zeros(canvas.height.shape, np.float32)
    full[where] = patch
    _note(plan, "print", "friction-ridge print", canvas.pixel_mean(full) > 0.5, 2 * radius_um, 0.0)
    canvas.marks[-1]["spacing_um"] = float(spacing)


def _grow(rng: np.random.Generator, direction: np.ndarray, period: float) -> np.ndarray:
    """Waves of a period (samples) across the local ridge direction, -1 to 1."""
    fy, fx = np.fft.fftfreq(direction.shape[0])[:, None], np.fft.fftfreq(direction.shape[1])[None, :]
    angles = np.pi * np.arange(12) / 12
    choice = np.rint(np.mod(direction, np.pi) / (np.pi / 12)).astype(int) % 12
    values = rng.standard_normal(direction.shape)
    radius, heading = np.hypot(fy, fx), np.arctan2(-fy, fx)
    ring = np.exp(-(((radius - 1 / period) / (0.18 / period)) ** 2) / 2)
    for _ in range(12):
        spectrum = np.fft.fft2(values) * ring
        answers = np.empty_like(values)
        for index, angle in enumerate(angles):
            # waves across a ridge of this direction
            off = (heading - angle) % np.pi - np.pi / 2
            wave = np.fft.ifft2(spectrum * np.exp(-((off / 0.25) ** 2) / 2)).real
            answers = np.where(choice == index, wave, answers)
        values = np.tanh(2 * answers / max(float(answers.std()), 1e-9))
    return values
