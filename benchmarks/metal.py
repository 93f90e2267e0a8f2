"""Angular error and depth of every solver on plates of known shape, rendered by an independent path tracer.

    python benchmarks/metal.py [--cache FOLDER] [--material NAME ...] [--kind plate|macro] [--lamps 24|48]
                               [--seed N] [--camera-mm MM] [--method NAME ...] [--without-noise]

Methods are those of `solve-normals` and two written here as a measure: `trimmed`, least squares on the samples between
two ranks, and `l1`, the least sum of absolute residuals; `truth` stands for the true normals.
"""

import argparse
import itertools
import os
import sys
import tempfile
import time
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from plates import AREA, ETCHED_LINE, LABELS, LAND, macro_plate, whole_plate
from render import MATERIALS, dome_lamps, finish_of, render, use_threads
from scipy.ndimage import binary_dilation

from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.raster import Grid
from lightdome.store import STACK_BLOCK_PX
from lightdome.surface.height import divergence, solve_height
from lightdome.surface.learning import learn_lobe
from lightdome.surface.region import FLAG_INCONSISTENT, FLAG_INTERREFLECTION, FLAG_NONE, FLAG_TAIL
from lightdome.surface.sample import sample_of
from lightdome.surface.slopes import slope_uncertainty, slopes, trust, usual_uncertainty
from lightdome.surface.solve import solve_region
from lightdome.surface.steps import METHODS, SAMPLE_PX
from lightdome.tiles import tiles
from lightdome.units import UM_PER_MM

KINDS = ("plate", "macro")
LAMP_DISTANCE_MM = {"plate": 250.0, "macro": 120.0}
BOUNCES, SAMPLES = {"plate": 1, "macro": 3}, {"plate": 64, "macro": 256}
"""On a whole plate direct light alone; a macro has light from wall to wall too, which takes more rays to settle."""
READ_NOISE, SHOT_NOISE = 0.0005, 0.004
"""Standard deviation in the dark and at white, of white."""
EXPOSED_TO = 0.9
"""Of white, where the brightest thousandth of all samples begins."""
RANKS = (0.2, 0.7)
"""Of a pixel's samples, between which `trimmed` uses them."""
REWEIGHTINGS = 30
"""Of `l1`."""
STEEP_DEG = 15.0
"""Tilt from which a pixel of a macro groove counts as its wall."""
UNSURE = FLAG_INCONSISTENT | FLAG_INTERREFLECTION | FLAG_NONE | FLAG_TAIL
HELD = float(np.sqrt(-2 * np.log(0.05)))
"""Radius of the circle that holds 95 % of a normal distribution of unit spread along each of two axes."""


@dataclass(frozen=True)
class Case:
    """One plate of one material under one set of lamps, with its truth; what a cache file holds."""

    light: np.ndarray
    """(L, rows, columns), float32: noise-free and unclipped; 1 is a white matte plate at the origin."""
    lamps_mm: np.ndarray
    """(L, 3): positions in mm in the plate frame."""
    power: np.ndarray
    """(L,)"""
    camera_distance_mm: np.ndarray
    """(): NaN is orthographic."""
    pitch_mm: np.ndarray
    """()"""
    normals: np.ndarray
    """(3, rows, columns), float32, unit: of each pixel's mean slope."""
    height_um: np.ndarray
    """(rows, columns), float32: mean of each pixel."""
    labels: np.ndarray
    """(rows, columns), uint8: an index of `plates.LABELS`."""
    marks: np.ndarray
    """(rows, columns), int16: number of an etched area or wide etched line, from 1; 0 elsewhere."""
    floors: np.ndarray
    """(rows, columns), int16: the same numbers on the floor of the mark alone."""
    alpha: np.ndarray
    """(rows, columns), float32: mean roughness of each pixel; NaN where all is matte."""
    matte_share: np.ndarray
    """(rows, columns), float32: 0 metal, 1 matte."""

    @property
    def grid(self) -> Grid:
        """Where its pixels lie."""
        return Grid(self.labels.shape, float(self.pitch_mm))

    @property
    def lamps(self) -> LampSet:
        """The record the solvers take."""
        count, distance = len(self.power), float(self.camera_distance_mm)
        return LampSet(
            names=tuple(f"L{index + 1:02d}" for index in range(count)),
            model="near",
            vectors=self.lamps_mm,
            power=self.power,
            u_vectors=np.full(count, np.nan),
            beam_exponent=0.0,
            flat_divided=False,
            camera_distance_mm=None if np.isnan(distance) else distance,
            how_known="table",
        )


def make_case(kind: str, material: str, lamps: int, seed: int, camera_mm: float | None = None) -> Case:
    """Draw and render one case; a camera at a distance is a pinhole, None is orthographic."""
    plate = (whole_plate if kind == "plate" else macro_plate)(seed)
    finish = finish_of(plate, material, seed)
    lamps_mm = dome_lamps(lamps, LAMP_DISTANCE_MM[kind])

    light = render(
        plate, finish, lamps_mm, bounces=BOUNCES[kind], samples=SAMPLES[kind], distance_mm=camera_mm, seed=seed
    )

    def at_pixels(cells: np.ndarray) -> np.ndarray:
        rows, columns = plate.shape
        return cells.reshape(rows, plate.sub, columns, plate.sub).mean(axis=(1, 3)).astype(np.float32)

    return Case(
        light=light,
        lamps_mm=lamps_mm,
        power=np.ones(lamps),
        camera_distance_mm=np.array(np.nan if camera_mm is None else camera_mm),
        pitch_mm=np.array(plate.pitch_mm),
        normals=plate.normals.astype(np.float32),
        height_um=plate.mean_height_um.astype(np.float32),
        labels=plate.labels,
        marks=plate.marks,
        floors=plate.floors,
        alpha=at_pixels(finish.alpha),
        matte_share=at_pixels(finish.matte_share),
    )


def case_name(kind: str, material: str, lamps: int, seed: int, camera_mm: float | None = None) -> str:
    """What a case is called in the cache and in the table."""
    return f"{kind}-{material}-{lamps}-{seed}" + ("" if camera_mm is None else f"-camera-{camera_mm:g}")


def cached_case(cache: Path, kind: str, material: str, lamps: int, seed: int, camera_mm: float | None = None) -> Case:
    """Read a case from the cache, or make it and write it there whole."""
    which = (kind, material, lamps, seed, camera_mm)
    path = cache / f"{case_name(*which)}.npz"
    if not path.exists():
        case = make_case(*which)
        cache.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"{path.name}.{os.getpid()}.part")
        with part.open("wb") as file:
            np.savez_compressed(file, **{each.name: getattr(case, each.name) for each in fields(Case)})
        part.replace(path)
    with np.load(path) as stored:
        return Case(**{each.name: stored[each.name] for each in fields(Case)})


def photographed(light: np.ndarray, seed: int) -> np.ndarray:
    """The same light as a camera would give it: exposed to the brightest pixels, noisy, NaN where clipped."""
    rng = np.random.default_rng(seed)
    gain = EXPOSED_TO / np.percentile(light, 99.9)
    seen = gain * light
    noise = np.sqrt(READ_NOISE**2 + SHOT_NOISE**2 * seen) * rng.standard_normal(light.shape, dtype=np.float32)
    return np.where(seen + noise > 1, np.nan, seen + noise).astype(np.float32)


def solve(case: Case, light: np.ndarray, method: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Normals (3, rows, columns), their uncertainty in degrees (NaN if not the project's), and whether they are flagged
    as unsure, (rows, columns)."""
    grid, lamps = case.grid, case.lamps
    unknown, sure = np.full(grid.shape, np.nan, np.float32), np.zeros(grid.shape, bool)
    if method == TRUTH:
        return case.normals, unknown, sure
    if method in METHODS:
        lobe = None
        if method == "microfacet":
            lobe = learn_lobe([sample_of(light, lamps, grid.x_mm(), grid.y_mm(), SAMPLE_PX)])
        parts = [tile.core for tile in tiles(grid.shape, STACK_BLOCK_PX)]
        normals, u_tilt_deg = np.empty((3, *grid.shape), np.float32), np.empty(grid.shape, np.float32)
        unsure = np.empty(grid.shape, bool)
        for part in parts:
            x_mm, y_mm = grid.x_mm(part), grid.y_mm(part)
            found = solve_region(light[:, *part.slices], lamps, x_mm, y_mm, method, lobe)
            normals[:, *part.slices], u_tilt_deg[part.slices] = found.normals, np.degrees(found.u_tilt_rad)
            unsure[part.slices] = found.flags & UNSURE > 0
        return normals, u_tilt_deg, unsure
    direction, irradiance = lamp_field(lamps, grid.x_mm(), grid.y_mm())
    direction = direction.reshape(len(light), 3, -1).astype(np.float64)
    m = OUTSIDE[method]((light / irradiance).reshape(len(light), -1), direction)
    with np.errstate(invalid="ignore"):
        m[:, ~(m[2] > 0)] = np.nan
    normals = m / np.sqrt((m**2).sum(axis=0))
    return normals.reshape(3, *grid.shape).astype(np.float32), unknown, sure


def _weighted(sample: np.ndarray, direction: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Least squares of samples (L, P) on directions (L, 3, P) with weights (L, P): vectors (3, P)."""
    weighed = direction * weight[:, None]
    matrix = np.einsum("lip,ljp->pij", weighed, direction)
    return np.linalg.solve(matrix, np.einsum("lip,lp->pi", weighed, sample)[..., None])[..., 0].T


def trimmed(sample: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Least squares on the samples between two ranks of each pixel; samples (L, P), directions (L, 3, P)."""
    rank = np.argsort(np.argsort(sample, axis=0), axis=0)
    last = np.isfinite(sample).sum(axis=0) - 1
    used = (rank >= RANKS[0] * last) & (rank <= RANKS[1] * last)
    return _weighted(np.nan_to_num(sample), direction, used.astype(float))


def l1(sample: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Least sum of absolute residuals, by reweighting; samples (L, P), directions (L, 3, P)."""
    used = np.isfinite(sample).astype(float)
    sample = np.nan_to_num(sample)
    weight = used
    for _ in range(REWEIGHTINGS):
        m = _weighted(sample, direction, weight)
        residual = np.abs(sample - np.einsum("lip,ip->lp", direction, m))
        # residuals below a thousandth of the reflectance count as that, so that no weight is infinite
        weight = used / np.maximum(residual, 1e-3 * np.sqrt((m**2).sum(axis=0)))
    return m


OUTSIDE = {"trimmed": trimmed, "l1": l1}
TRUTH = "truth"
"""The true normals in a solver's place: what depth they integrate to is the best that any solver can give."""


def height_of(normals: np.ndarray, u_tilt_deg: np.ndarray, pitch_mm: float) -> np.ndarray:
    """Height (rows, columns), um, by the kernels of `integrate-height`."""
    slope_x, slope_y = slopes(normals.astype(np.float32))
    u_slope = slope_uncertainty(u_tilt_deg, slope_x, slope_y)
    weight = (trust(u_slope, usual_uncertainty(u_slope)) * np.isfinite(slope_x)).astype(np.float32)
    return solve_height(divergence(slope_x, slope_y, weight, pitch_mm * UM_PER_MM), weight)


def depth_ratios(case: Case, height_um: np.ndarray) -> dict[int, list[float]]:
    """Measured over true depth of every mark with a floor, by its label; a depth is the land around less the floor."""
    ratios: dict[int, list[float]] = {AREA: [], ETCHED_LINE: []}
    for number in range(1, case.marks.max() + 1):
        mark, floor = case.marks == number, case.floors == number
        if not floor.any():
            continue
        ring = binary_dilation(mark, iterations=5) & ~binary_dilation(mark) & (case.labels == LAND)
        found, true = (np.nanmean(height[ring]) - np.nanmean(height[floor]) for height in (height_um, case.height_um))
        ratios[int(np.median(case.labels[floor]))].append(float(found / true))
    return ratios


def angle_deg(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Angle (rows, columns) between vectors (3, rows, columns); right to a thousandth of a degree in single precision,
    where the arc cosine of the product is not."""
    return np.degrees(np.arctan2(np.linalg.norm(np.cross(one, other, axis=0), axis=0), (one * other).sum(axis=0)))


def row_of(case: Case, light: np.ndarray, method: str) -> list[str]:
    """Cells of the table for one method on one case."""
    start = time.perf_counter()
    normals, u_tilt_deg, unsure = solve(case, light, method)
    seconds = time.perf_counter() - start
    error = angle_deg(normals.astype(float), case.normals.astype(float))
    known = error[np.isfinite(error)]
    cells = [f"{value:.2f}" for value in (known.mean(), np.median(known), np.percentile(known, 95))]
    present = [label for label in range(len(LABELS)) if (case.labels == label).any()]
    cells += [
        f"{np.nanmean(error[case.labels == label]):.2f}" if label in present else "" for label in range(len(LABELS))
    ]
    if case.marks.any():
        ratios = depth_ratios(case, height_of(normals, u_tilt_deg, float(case.pitch_mm)))
        cells += [f"{np.mean(found):.2f} ({min(found):.2f}-{max(found):.2f})" for found in ratios.values()]
        cells.append("")
    else:
        wall = (case.labels > LAND) & (case.normals[2] < np.cos(np.radians(STEEP_DEG)))
        left = f"{np.nanmedian(error[wall & ~unsure]):.2f} ({100 * unsure[wall].mean():.0f})"
        cells += ["", "", f"{np.nanmedian(error[wall]):.2f}; {left}"]
    held = error < HELD * u_tilt_deg
    cells.append(f"{100 * held.mean():.1f}" if np.isfinite(u_tilt_deg).any() else "")
    return [*cells, f"{100 * (1 - known.size / error.size):.1f}", f"{seconds:.1f}"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, metavar="FOLDER", help="where rendered cases are kept (default: nowhere)")
    parser.add_argument("--material", nargs="+", choices=MATERIALS, default=MATERIALS)
    parser.add_argument("--kind", nargs="+", choices=KINDS, default=["plate"])
    parser.add_argument("--lamps", nargs="+", type=int, choices=(24, 48), default=[48])
    parser.add_argument("--seed", nargs="+", type=int, default=[1])
    methods = (*METHODS, *OUTSIDE, TRUTH)
    parser.add_argument("--method", nargs="+", choices=methods, default=methods)
    parser.add_argument("--camera-mm", nargs="+", type=float, default=[None], help="pinhole (default: orthographic)")
    parser.add_argument("--without-noise", action="store_true", help="light as rendered: no noise, nothing clipped")
    flags = parser.parse_args()
    use_threads(2)
    heads = [
        "case",
        "method",
        "mean",
        "median",
        "p95",
        *LABELS,
        "area depth",
        "line depth",
        "walls; unflagged (flagged %)",
        "in 95 %",
    ]
    heads += ["no answer %", "s"]
    print("Angular error, degrees (by label: mean); depth measured / true: mean (least-most)\n")
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    with tempfile.TemporaryDirectory() as scratch:
        for which in itertools.product(flags.kind, flags.material, flags.lamps, flags.seed, flags.camera_mm):
            case = cached_case(flags.cache or Path(scratch), *which)
            light = case.light if flags.without_noise else photographed(case.light, seed=which[3])
            for method in flags.method:
                print(f"| {' | '.join([case_name(*which), method, *row_of(case, light, method)])} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
