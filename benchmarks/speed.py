"""Speed of `solve-normals` (method microfacet) on computed stacks, beside decoding the photographs and least squares.

    python benchmarks/speed.py [--megapixels 6 ...] [--lamps 48 ...] [--threads 2] [--repeats 2] [--keep FOLDER]

Every stack is a metal plate that repeats a patch of 512 pixels: land, etched lines and an etched area, tooled grooves,
scratches. The light of its facets, four a pixel, is computed by `surface/lobe.py` and exposed, with noise, as a camera
would. So that one patch serves the whole field, the lamps stand near in name only: 1000 half diagonals away, which
turns their directions by 0.1 degree over the field. The solver goes the way of near lamps all the same.

Figures are the best of the repeats. The whole step runs from files to files in a child process, compiled before; what
it reads was written just before and lies in the memory of the system, as far as it fits. Everything else is measured in
memory, on one block of a stack.
"""

import argparse
import itertools
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import imagecodecs
import numpy as np
from metal import photographed
from render import dome_lamps
from scipy.ndimage import gaussian_filter

from lightdome.lights.field import view_field
from lightdome.lights.lamps import LampSet
from lightdome.provenance import Provenance
from lightdome.raster import Grid, Window
from lightdome.session.photograph import read_photograph
from lightdome.store import STACK_BLOCK_PX, stack_writer, write_json
from lightdome.surface.block import Seen
from lightdome.surface.facets import ITERATIONS, STRIP_PX
from lightdome.surface.learning import learn_lobe
from lightdome.surface.lobe import Lobe, family_table, reflect
from lightdome.surface.microfacet import START_METAL, fit_lobes
from lightdome.surface.region import FLAG_SEVERAL
from lightdome.surface.sample import sample_of
from lightdome.surface.solve import solve_region
from lightdome.tiles import for_each, tiles

PITCH_MM = 0.05
PATCH_PX, FACETS = 512, 2
"""Pixels along the patch, facets along a pixel."""
LAMPS_AWAY = 1000
"""Distance of the lamps over half the diagonal of the field."""
TILT_NOISE = 0.01
"""Standard deviation of the slopes of polished land."""
LAND, BITTEN, CUT = (0.05, 0.55, 0.2), (0.08, 0.4, 0.28), (0.03, 0.6, 0.16)
"""Diffuse and specular strength and roughness."""
FRAMES = 4
"""Photographs that are decoded; the time is scaled to the number of lamps."""
SAID = re.compile(r"^solve-normals: done in ([\d.]+) s, peak memory (\d+) MB$", re.M)
PRODUCTS = {
    "normals": "normals.tif",
    "uncertainty": "normal_uncertainty.tif",
    "reflectance": "reflectance.tif",
    "flags": "flags.tif",
    "lobe": "lobe.json",
}
CALL_TWICE = """
import sys, time
from pathlib import Path
start = time.perf_counter()
from lightdome.surface.steps import solve_normals
print(time.perf_counter() - start)
for _ in range(2):
    start = time.perf_counter()
    solve_normals(*map(Path, sys.argv[2:]), threads=int(sys.argv[1]))
    print(time.perf_counter() - start)
"""
"""Seconds of the import, of the first call and of the second."""


def patch_height_um() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Height of the patch's facets and where they are bitten or cut; about an eighth of the pixels hold a mark."""
    side = PATCH_PX * FACETS
    row, col = np.mgrid[:side, :side] / FACETS * PITCH_MM
    height, bitten, cut = np.zeros((side, side)), np.zeros((side, side), bool), np.zeros((side, side), bool)
    area = (abs(row - 20) < 2) & (abs(col - 5) < 2.5)
    for mark in [area, *((abs(row - at) < 0.1) & (col > 10) & (col < 24) for at in np.arange(16, 25, 1.2))]:
        bitten |= mark
    height -= 14 * gaussian_filter(bitten.astype(float), 0.03 / PITCH_MM * FACETS)
    for index, at in enumerate(np.arange(1, 14.5, 0.9)):
        width, depth = ((0.14, 35.0), (0.06, 10.0))[index % 2]
        across = np.where((col > 1) & (col < 24), abs(row - at - 0.05 * (col - 12)), np.inf)
        cut |= across < width / 2
        height -= np.maximum(depth * (1 - across / (width / 2)), 0)
    return height, bitten, cut


@cache
def patch_light(lamps: int) -> np.ndarray:
    """Light (L, rows, columns) of the patch as photographed, float32, NaN where clipped."""
    rng = np.random.default_rng(1)
    height_um, bitten, cut = patch_height_um()
    slope_y, slope_x = np.gradient(height_um, 1000 * PITCH_MM / FACETS)
    slope_x = slope_x + TILT_NOISE * rng.standard_normal(slope_x.shape)
    slope_y = -slope_y + TILT_NOISE * rng.standard_normal(slope_x.shape)
    kinds = np.where(cut, 2, np.where(bitten, 1, 0))
    dressed = np.array([LAND, BITTEN, CUT]).T[:, kinds]
    reflectance = np.concatenate([dressed, np.ones((1, *kinds.shape)), np.zeros((1, *kinds.shape))])
    lobe = Lobe(family_table(2), 0.0, np.array([1.0, 0, 1]), LAND[2], np.array([4e-6, 0, 1e-4, 0]))
    light = np.empty((lamps, PATCH_PX, PATCH_PX), np.float32)
    for index, ray in enumerate(dome_lamps(lamps, 1.0)):
        facets = reflect(
            lobe, ray[None, :, None, None], np.array([0.0, 0, 1])[:, None, None], slope_x, slope_y, reflectance
        )[0]
        light[index] = facets.reshape(PATCH_PX, FACETS, PATCH_PX, FACETS).mean(axis=(1, 3))
    return photographed(light, seed=2)


def grid_of(megapixels: float) -> Grid:
    """A field of three by two."""
    return Grid((int(np.sqrt(1e6 * megapixels / 1.5)), int(np.sqrt(1e6 * megapixels * 1.5))), PITCH_MM)


def lamp_set(lamps: int, grid: Grid) -> LampSet:
    """Lamps of a dome, far away but told as near, known to half a degree."""
    distance_mm = LAMPS_AWAY * 0.5 * float(np.hypot(*grid.shape)) * PITCH_MM
    return LampSet(
        names=tuple(f"L{index + 1:02d}" for index in range(lamps)),
        model="near",
        vectors=dome_lamps(lamps, distance_mm),
        power=np.ones(lamps),
        u_vectors=np.full(lamps, np.radians(0.5) * distance_mm),
        beam_exponent=0.0,
        flat_divided=False,
        camera_distance_mm=None,
        how_known="table",
    )


def patch_at(window: Window) -> tuple[np.ndarray, ...]:
    """Index of the patch's pixels that lie in a window of the field."""
    return np.ix_(*(np.arange(piece.start, piece.stop) % PATCH_PX for piece in window.slices))


def write_field(folder: Path, grid: Grid, lamps: int, threads: int) -> list[Path]:
    """Write stack and lamps, block by block; the paths of everything that the step takes."""
    paths = [folder / "stack.zarr.zip", folder / "lamps.json", *(folder / name for name in PRODUCTS.values())]
    known, light = lamp_set(lamps, grid), patch_light(lamps)
    made = Provenance("make-speed-field", {"lamps": lamps}, {})
    write_json(paths[1], known.as_dict())
    if not paths[0].exists():
        with stack_writer(paths[0], grid, known.names, {"flat_divided": False}, made) as writer:

            def write(window: Window) -> None:
                block = light[:, *patch_at(window)]
                writer.write(block, np.nan_to_num(block[:3], nan=1.0), window)

            for_each(write, [tile.core for tile in tiles(grid.shape, STACK_BLOCK_PX)], "stack", threads)
    return paths


def best_s(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Shortest time of some calls, after one that is not counted: seconds, and seconds of all cores."""
    work()
    times = []
    for _ in range(repeats):
        start, cpu = time.perf_counter(), time.process_time()
        work()
        times.append((time.perf_counter() - start, time.process_time() - cpu))
    return min(times)


def in_memory(lamps: int, grid: Grid, threads: int, repeats: int) -> tuple[list[float], float]:
    """Mpx/s of the lobe fit (one thread, all), of whole blocks (all), of least squares; share of mixed pixels."""
    known = lamp_set(lamps, grid)
    parts = [tile.core for tile in tiles((PATCH_PX, PATCH_PX), STACK_BLOCK_PX)]
    lights = [np.ascontiguousarray(patch_light(lamps)[:, *patch_at(part)]) for part in parts]
    places = [(grid.x_mm(part), grid.y_mm(part)) for part in parts]
    lobe = learn_lobe([sample_of(light, known, *place, 1500) for light, place in zip(lights, places, strict=True)])
    strips = []
    for light, (x_mm, y_mm) in zip(lights, places, strict=True):
        step = STRIP_PX // len(x_mm)
        strips.append([])
        for row in range(0, len(y_mm), step):
            at = slice(row, row + step)
            view = view_field(known, x_mm, y_mm[at]).reshape(3, -1)
            x, y = np.meshgrid(x_mm, y_mm[at])
            strips[-1].append(Seen.under(light[:, at].reshape(lamps, -1), known, x.ravel(), y.ravel(), view))

    def fit(index: int) -> None:
        above = np.full((5, len(places[index][0])), np.nan, np.float32)
        for strip in strips[index]:
            roughness = np.full(strip.light.shape[1], lobe.roughness, np.float32)
            fit_lobes(strip, lobe, roughness, True, ITERATIONS, START_METAL, with_model=False, above=above)

    def solve(index: int) -> float:
        found = solve_region(lights[index], known, *places[index], "microfacet", lobe)
        return float((found.flags & FLAG_SEVERAL > 0).mean())

    filled = [np.nan_to_num(light, nan=1.0).reshape(lamps, -1) for light in lights]
    pixels = PATCH_PX**2 / 1e6
    with ThreadPoolExecutor(threads) as pool:
        works = (
            lambda: [fit(index) for index in range(len(lights))],
            lambda: list(pool.map(fit, range(len(lights)))),
            lambda: list(pool.map(solve, range(len(lights)))),
        )
        speeds = [pixels / best_s(work, repeats)[0] for work in works]
    times = [best_s(lambda light=light: np.linalg.lstsq(known.unit_vectors, light, rcond=None), 10) for light in filled]
    speeds.append(pixels / sum(seconds for seconds, _ in times))
    return speeds, float(np.mean([solve(index) for index in range(len(lights))]))


def decode_s(folder: Path, grid: Grid, lamps: int, channels: int, threads: int) -> tuple[float, float]:
    """Seconds, and of all cores, of the decoding of 16-bit PNG, one a lamp, by the decoder of the project."""
    frames = [folder / f"frame-{channels}-{index}.png" for index in range(FRAMES)]

    def write(index: int) -> None:
        rng = np.random.default_rng(index)
        once = np.nan_to_num(patch_light(lamps)[index * lamps // FRAMES], nan=1.0)[patch_at(grid.window)]
        # the patch repeats within reach of the packer: noise of its own makes every pixel as hard as a camera's
        numbers = [once + 0.004 * np.sqrt(once.clip(0)) * rng.standard_normal(once.shape) for _ in range(channels)]
        image = (65535 * np.clip(np.stack(numbers, axis=-1), 0, 1)).astype(np.uint16)
        frames[index].write_bytes(imagecodecs.png_encode(image if channels == 3 else image[..., 0]))

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(write, range(FRAMES)))
        seconds, cpu = best_s(lambda: list(pool.map(read_photograph, frames)), 2)
    for frame in frames:
        frame.unlink()
    return seconds / FRAMES * lamps, cpu / FRAMES * lamps


def step_s(paths: list[Path], threads: int, environment: dict[str, str]) -> tuple[float, float, int]:
    """Seconds, seconds of all cores and peak MB of the whole step in a child process."""
    names = ("stack", "lamps", *PRODUCTS)
    flags = itertools.chain(*((f"--{name}", path) for name, path in zip(names, paths, strict=True)))
    command = [Path(sys.executable).with_name("lightdome"), "solve-normals", *flags, "--threads", str(threads)]
    before = os.times()
    done = subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
    seconds, peak = SAID.search(done.stderr).groups()
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return float(seconds), cpu, int(peak)


def first_calls(folder: Path, threads: int, environment: dict[str, str]) -> list[list[float]]:
    """Seconds of import, first and second call of the step on the patch, in a process that compiles and in the next."""
    paths = write_field(folder, Grid((PATCH_PX, PATCH_PX), PITCH_MM), 24, threads)
    command = [sys.executable, "-c", CALL_TWICE, str(threads), *paths]
    runs = (subprocess.run(command, env=environment, check=True, capture_output=True, text=True) for _ in range(2))
    return [[float(line) for line in run.stdout.split()] for run in runs]


def measure(folder: Path, size: float, lamps: int, flags: argparse.Namespace, environment: dict[str, str]) -> list[str]:
    """Cells of the table for one size and number of lamps."""
    grid, field = grid_of(size), folder / f"{size:g}-{lamps}"
    (one, every, block, lstsq), mixed = in_memory(lamps, grid, flags.threads, max(3, flags.repeats))
    paths = write_field(field, grid, lamps, flags.threads)
    runs = [step_s(paths, flags.threads, environment) for _ in range(flags.repeats)]
    seconds, cpu, _ = min(runs)
    if not flags.keep:
        for path in paths:
            path.unlink()
    decodes = [decode_s(field, grid, lamps, channels, flags.threads) for channels in (1, 3)]
    cells = [f"{size:g}", f"{lamps}", f"{100 * mixed:.0f}", f"{one:.2f} / {every:.2f}", f"{block:.2f}"]
    cells += [f"{seconds:.1f} ({cpu:.1f})", f"{size / seconds:.2f}", f"{max(run[2] for run in runs)}"]
    cells += [f"{wall:.1f} ({busy:.1f})" for wall, busy in decodes]
    cells.append(" / ".join(f"{seconds / wall:.1f} ({cpu / busy:.1f})" for wall, busy in decodes))
    return [*cells, f"{lstsq:.1f}", f"{lstsq / every:.1f} / {lstsq * seconds / size:.1f}"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", nargs="+", type=float, default=[6.0])
    parser.add_argument("--lamps", nargs="+", type=int, default=[48])
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="work in this folder and leave the stacks")
    flags = parser.parse_args()
    heads = ["Mpx", "lamps", "mixed %", f"fit, 1 / {flags.threads} threads", "block", "step, s", "step", "peak MB"]
    heads += ["grey PNG, s", "RGB PNG, s", "step / grey, RGB", "lstsq", "lstsq over fit / step"]
    with tempfile.TemporaryDirectory() as scratch:
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(Path(scratch) / "compiled")}
        compiled, loaded = first_calls(Path(scratch) / "first", flags.threads, environment)
        print("| process | import, s | first call, s | second call, s |\n|---|---|---|---|")
        for name, seconds in (("the first, compiles", compiled), ("the next", loaded)):
            print(f"| {name} | {' | '.join(f'{value:.1f}' for value in seconds)} |")
        print(
            f"\n{flags.threads} threads; speeds in Mpx/s; in brackets seconds of all cores together, and their ratio\n"
        )
        print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}", flush=True)
        for which in itertools.product(flags.megapixels, flags.lamps):
            cells = measure(flags.keep or Path(scratch), *which, flags, environment)
            print(f"| {' | '.join(cells)} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
