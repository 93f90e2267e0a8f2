"""Random synthetic plates for training the model of lines, put through the solver in memory.

Widths and places are drawn anew for every seed; nothing of it is used by the tests or by the rendered plates.
"""

from dataclasses import dataclass, replace

import numpy as np

from lightdome.lights.lamps import LampSet
from lightdome.marks.detect import Settings, confirm, find
from lightdome.marks.field import above_floors, field_of
from lightdome.marks.measured import Ground, Line, measure_lines
from lightdome.marks.records import Roughness
from lightdome.store import STACK_BLOCK_PX
from lightdome.surface.curvature import curvatures
from lightdome.surface.height import divergence, solve_height
from lightdome.surface.height_noise import surroundings_uncertainty
from lightdome.surface.learning import learn_lobe
from lightdome.surface.sample import sample_of
from lightdome.surface.slopes import slope_uncertainty, slopes, trust, usual_uncertainty
from lightdome.surface.solve import solve_region
from lightdome.surface.steps import SAMPLE_PX
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.drawing import SCRATCH, TOOLED, Cut, Deposit, Drawing, EtchedArea, EtchedLine, Pit
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.photographs import plate_surface
from lightdome.synthetic.reflectance import Material
from lightdome.synthetic.render import pixel_light
from lightdome.tiles import tiles
from lightdome.units import UM_PER_MM

NAMES = {EtchedLine: "etched", TOOLED: "tooled", SCRATCH: "scratch"}
U_SLOPE_GAIN = 0.08
CURVATURE_SCALE_MM = 0.3
FIRST_LOW = 90
"""From this plate on scratches have thrown up little."""


def spec_of(seed: int) -> CaptureSpec:
    """A plate: every fourth with pixels of 40-60 um, the others of 8-25 um."""
    scratch_removed = (0.75, 0.97) if seed >= FIRST_LOW else (0.2, 0.97)
    rng = np.random.default_rng([77, seed])
    coarse = seed % 4 == 3
    pitch_mm = float(rng.uniform(0.04, 0.06) if coarse else rng.uniform(0.008, 0.025))
    size = 176 if coarse else 256
    draw = _coarse if coarse else _fine
    drawing = draw(rng, size * pitch_mm, pitch_mm, scratch_removed)
    metal = Material(
        diffuse=float(rng.uniform(0.0, 0.15)),
        specular=float(rng.uniform(0.4, 0.9)),
        roughness=float(rng.uniform(0.15, 0.4)),
        bitten_rougher=float(rng.uniform(1.0, 1.6)),
    )
    lamps = dome(
        int(rng.choice([32, 48])),
        radius_mm=float(4 * size * pitch_mm + 20),
        elevations_deg=(15.0, 35.0, 55.0, 75.0),
        seed=seed,
    )
    return CaptureSpec(
        drawing=drawing,
        shape=(size, size),
        pitch_mm=pitch_mm,
        sub=8 if coarse else 3,
        rig=lamps,
        material=metal,
        shadows=False,
        seed=1000 + seed,
    )


def _path(rng: np.random.Generator, side_mm: float, length_mm: float, bend: float, angle: float | None = None) -> tuple:
    """A path of 24 points about a random place: straight, or turning by `bend` radians in all."""
    centre = rng.uniform(-0.42, 0.42, 2) * side_mm
    start = rng.uniform(0, np.pi) if angle is None else angle
    along = np.linspace(-0.5, 0.5, 24)
    heading = start + bend * along
    steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * length_mm / 24
    points = np.cumsum(steps, axis=0)
    return tuple(map(tuple, (centre + points - points.mean(axis=0)).tolist()))


def _bend(rng: np.random.Generator, spread: float) -> float:
    """Turn of a line of the picture, radians: every third is straight."""
    return 0.0 if rng.uniform() < 0.33 else float(rng.normal(0, spread))


def _fine(rng: np.random.Generator, side_mm: float, pitch_mm: float, scratch_removed: tuple[float, float]) -> Drawing:
    um = pitch_mm * UM_PER_MM
    etched: list = []
    for _ in range(int(rng.integers(0, 3))):
        etched.append(_area(rng, side_mm, um))
    for _ in range(int(rng.integers(3, 8))):
        width = rng.uniform(2.5, 18) * um
        depth = min(width * rng.uniform(0.12, 0.5), 45)
        path = _path(rng, side_mm, side_mm * rng.uniform(0.15, 0.7), _bend(rng, 0.7))
        etched.append(EtchedLine(path, width, depth, wall_per_depth=rng.uniform(0.8, 1.9)))
    etched += _hatching(rng, side_mm, um, lambda path, width: EtchedLine(path, width, 0.25 * width))
    cuts: list[Cut] = []
    for _ in range(int(rng.integers(2, 6))):  # burin
        cuts.append(_burin(rng, _path(rng, side_mm, side_mm * rng.uniform(0.2, 0.9), _bend(rng, 0.5)), um))
    cuts += _hatching(rng, side_mm, um, lambda path, width: replace(_burin(rng, path, um), width_um=width))
    for _ in range(int(rng.integers(0, 4))):  # drypoint
        width = rng.uniform(2.5, 6) * um
        path = _path(rng, side_mm, side_mm * rng.uniform(0.12, 0.45), _bend(rng, 0.5))
        lean = float(rng.choice([-1, 1]) * rng.uniform(0.1, 0.95))
        removed = rng.uniform(0.0, 0.4)
        cuts.append(Cut(path, width, width * rng.uniform(0.15, 0.5), TOOLED, removed, rng.uniform(0.1, 0.5), lean))
    cuts += _scratches(rng, side_mm, um, (1.5, 12.0), scratch_removed)
    pits = tuple(
        Pit(tuple(rng.uniform(-0.45, 0.45, 2) * side_mm), width, width * rng.uniform(0.1, 0.35))
        for width in rng.uniform(4, 16, int(rng.integers(0, 5))) * um
    )
    blobs = tuple(Deposit(_blob(rng, side_mm, um), rng.uniform(1.5, 6)) for _ in range(int(rng.integers(0, 3))))
    return Drawing(tuple(etched), pits, tuple(cuts), blobs, (), grain_um=um * rng.uniform(0.001, 0.01))


def _coarse(rng: np.random.Generator, side_mm: float, pitch_mm: float, scratch_removed: tuple[float, float]) -> Drawing:
    """What a whole plate shows: a picture of wide lines, and scratches finer than a pixel."""
    um = pitch_mm * UM_PER_MM
    etched: list = [_area(rng, side_mm, um) for _ in range(int(rng.integers(0, 3)))]
    for _ in range(int(rng.integers(4, 10))):
        width = rng.uniform(0.6, 7) * um
        path = _path(rng, side_mm, side_mm * rng.uniform(0.1, 0.4), rng.normal(0, 0.9))
        etched.append(EtchedLine(path, width, min(width * rng.uniform(0.15, 0.45), 45), wall_per_depth=1.0))
    cuts = [
        _burin(rng, _path(rng, side_mm, side_mm * rng.uniform(0.1, 0.4), rng.normal(0, 0.5)), um / 2) for _ in "abc"
    ]
    cuts += _scratches(rng, side_mm, um, (0.15, 0.7), scratch_removed)
    cuts += _scratches(rng, side_mm, um, (0.15, 0.7), scratch_removed)
    return Drawing(tuple(etched), (), tuple(cuts), (), (), grain_um=um * rng.uniform(0.0005, 0.004))


def _area(rng: np.random.Generator, side_mm: float, um: float) -> EtchedArea:
    plain = rng.uniform() < 0.5
    depth = rng.uniform(8, 30) * min(1.0, um / 15)
    return EtchedArea(_blob(rng, side_mm, um, 2.5), depth, grain_mm=2.5 * um / UM_PER_MM, tops=0.02 if plain else 0.4)


def _blob(rng: np.random.Generator, side_mm: float, um: float, larger: float = 1.0) -> tuple:
    radius = larger * rng.uniform(12, 26) * um / UM_PER_MM
    theta = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    waves = 1 + sum(rng.uniform(-0.15, 0.15) * np.cos(k * theta + rng.uniform(0, 6)) for k in (2, 3))
    centre = rng.uniform(-0.35, 0.35, 2) * side_mm
    return tuple(
        map(tuple, (centre + radius * waves[:, None] * np.stack([np.cos(theta), np.sin(theta)], axis=1)).tolist())
    )


def _burin(rng: np.random.Generator, path: tuple, um: float) -> Cut:
    width = rng.uniform(2.0, 16) * um
    removed = 1 - rng.uniform(0, 0.06) ** 1.5
    return Cut(
        path,
        width,
        width * rng.uniform(0.2, 0.5),
        TOOLED,
        removed,
        rng.uniform(0.15, 0.5),
        rounding=rng.uniform(0, 0.4),
    )


def _hatching(rng: np.random.Generator, side_mm: float, um: float, make) -> list:  # type: ignore[no-untyped-def]
    """Parallel lines of a picture, on every third plate."""
    if rng.uniform() > 0.33:
        return []
    width, angle = rng.uniform(2.5, 8) * um, rng.uniform(0, np.pi)
    count, length = int(rng.integers(4, 9)), side_mm * rng.uniform(0.15, 0.35)
    first = np.array(_path(rng, 0.6 * side_mm, length, rng.normal(0, 0.15), angle))
    across = np.array([-np.sin(angle), np.cos(angle)]) * width / UM_PER_MM * rng.uniform(1.6, 3.5)
    return [make(tuple(map(tuple, (first + k * across).tolist())), width) for k in range(count)]


def _scratches(
    rng: np.random.Generator,
    side_mm: float,
    um: float,
    widths_px: tuple[float, float],
    scratch_removed: tuple[float, float],
) -> list[Cut]:
    """Long straight lines and slow arcs, and now and then a bundle of one wipe; with the range of removed fractions."""

    def one(path: tuple, width: float) -> Cut:
        return Cut(
            path,
            width,
            width * rng.uniform(0.12, 0.45),
            SCRATCH,
            float(rng.uniform(*scratch_removed)),
            rng.uniform(0.01, 0.25),
            float(np.clip(rng.normal(0, 0.35), -0.95, 0.95)),
            rng.uniform(0, 1),
        )

    low, high = np.log(np.array(widths_px) * um)
    found = []
    for _ in range(int(rng.integers(2, 7))):
        bend = rng.normal(0, 0.08) if rng.uniform() < 0.7 else rng.normal(0, 0.5)
        found.append(
            one(_path(rng, side_mm, side_mm * rng.uniform(0.25, 1.4), bend), float(np.exp(rng.uniform(low, high))))
        )
    if rng.uniform() < 0.5:
        angle = rng.uniform(0, np.pi)
        first = np.array(_path(rng, 0.6 * side_mm, side_mm * rng.uniform(0.2, 0.8), rng.normal(0, 0.1), angle))
        for _ in range(int(rng.integers(3, 7))):
            away = rng.normal(0, 14) * um / UM_PER_MM
            slid = rng.normal(0, 0.1) * side_mm
            shift = away * np.array([-np.sin(angle), np.cos(angle)]) + slid * np.array([np.cos(angle), np.sin(angle)])
            width = float(np.exp(rng.uniform(low, (low + high) / 2)))
            found.append(one(tuple(map(tuple, (first + shift).tolist())), width))
    order = rng.permutation(len(found))
    return [found[index] for index in order]


@dataclass(frozen=True)
class Solved:
    """What the solver makes of one plate; arrays (rows, columns)."""

    height_um: np.ndarray
    u_height_um: np.ndarray
    u_tilt_deg: np.ndarray
    reflectance: np.ndarray
    """(5, rows, columns)"""
    k1: np.ndarray
    k2: np.ndarray


def solved(spec: CaptureSpec) -> Solved:
    """Photograph a plate and solve it, in memory."""
    surface = plate_surface(spec, 0)
    rng = np.random.default_rng(spec.seed)
    count = len(spec.rig.names)
    light = np.stack(
        [
            pixel_light(surface, (0, spec.shape[0]), spec.rig, index, spec.view, spec.material)[..., 0]
            for index in range(count)
        ]
    )
    gain = 0.9 / np.percentile(light, 99.9)
    seen = gain * light
    noise = np.sqrt(0.0005**2 + 0.004**2 * seen) * rng.standard_normal(light.shape, dtype=np.float32)
    light = np.where(seen + noise > 1, np.nan, seen + noise).astype(np.float32)
    lamps = LampSet(
        names=spec.rig.names,
        model="near",
        vectors=spec.rig.vectors,
        power=spec.rig.grey_power,
        u_vectors=np.full(count, np.nan),
        beam_exponent=spec.rig.beam_exponent,
        flat_divided=False,
        camera_distance_mm=None,
        how_known="table",
    )
    grid = spec.grid
    lobe = learn_lobe([sample_of(light, lamps, grid.x_mm(), grid.y_mm(), SAMPLE_PX)])
    slope, reflectance = np.empty((2, *grid.shape), np.float32), np.empty((5, *grid.shape), np.float32)
    u_tilt = np.empty(grid.shape, np.float32)
    for tile in tiles(grid.shape, STACK_BLOCK_PX):
        here = tile.core.slices
        part = solve_region(light[:, *here], lamps, grid.x_mm(tile.core), grid.y_mm(tile.core), "microfacet", lobe)
        slope[:, *here], reflectance[:, *here] = part.slopes, part.reflectance
        u_tilt[here] = np.degrees(part.u_tilt_rad)
    length = np.sqrt(1 + (slope**2).sum(axis=0))
    slope_x, slope_y = slopes(np.stack([-slope[0] / length, -slope[1] / length, 1 / length]).astype(np.float32))
    u_slope = slope_uncertainty(u_tilt, slope_x, slope_y)
    weight = (trust(u_slope, usual_uncertainty(u_slope)) * np.isfinite(slope_x)).astype(np.float32)
    height = solve_height(divergence(slope_x, slope_y, weight, grid.pitch_mm * UM_PER_MM), weight)
    u_height = surroundings_uncertainty(u_slope, slope_x, slope_y, height, grid.pitch_mm, U_SLOPE_GAIN)
    bends = curvatures(slope_x, slope_y, grid.pitch_mm, CURVATURE_SCALE_MM)
    return Solved(height, u_height, u_tilt, reflectance, bends[2], bends[3])


def lines_of(spec: CaptureSpec, plate: Solved) -> list[Line]:
    """Trace and measure the lines of a solved plate."""
    grid = spec.grid
    field = replace(field_of(plate.height_um, plate.u_height_um, 8.0 / grid.pitch_mm), u_tilt_deg=plate.u_tilt_deg)
    settings = Settings.of(grid.pitch_mm, 500.0, 6.0, 1500.0, 0.25)
    found = confirm(confirm(find(field, settings), plate.k2, "valley"), plate.k1, "ridge")
    above = field.flattened()
    area = np.where((found.labels > 0) & (found.labels <= found.wide), found.labels, 0)
    flat = above_floors(above, area > 0, 500.0 / (grid.pitch_mm * UM_PER_MM))
    ground = Ground(
        flat_um=flat,
        u_height_um=plate.u_height_um,
        lobe_roughness=plate.reflectance[2],
        u_tilt_deg=plate.u_tilt_deg,
        area=area,
        roughness=Roughness(np.array(found.widths_px), np.array(found.roughness_um)),
        floor_scale_um=float(np.nanstd(flat[area > 0])) if area.any() else found.roughness_um[-1],
        pitch_mm=grid.pitch_mm,
    )
    return measure_lines(ground, found.traces)
