"""Error on left-out lamps of every model of `fit-relighting`, on metal rendered by an independent path tracer.

    python benchmarks/relighting.py [--cache FOLDER] [--material NAME ...] [--lamps 24|48] [--lobe true|assumed]

The step itself runs on each case of `metal.py`. `true` gives it the family and the brushing of the rendered metal as
the plate's lobe, in the place of one that `solve-normals` has learned; `assumed` gives it none. "Better by" is the
packed lobe model against harmonics of order 2 that are not packed.
"""

import argparse
import itertools
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from metal import EXPOSED_TO, Case, cached_case, case_name, photographed
from render import BRUSH_DEG, BRUSH_ROUGHNESS, MATERIALS, use_threads

from lightdome.provenance import Provenance
from lightdome.relight.steps import fit_relighting
from lightdome.store import STACK_BLOCK_PX, read_json, stack_writer, write_json
from lightdome.surface.lobe import Lobe, family_table, stretch
from lightdome.tiles import tiles

NOISE = (0.001**2, 0.0, 0.02**2)
TARNISH_ROUGHNESS, MATTE_ROUGHNESS = 0.25, 0.3
HEADS = ("case", "lobe", "order 2, dB", "order 3, dB", "lobe, dB", "packed, dB", "bytes", "better by, dB", "s")


def lobe_of(material: str) -> Lobe:
    """What `solve-normals` would learn of a material if it did so without error."""
    anisotropy, direction_deg = 1.0, 0.0
    if material == "brushed":
        along, across = BRUSH_ROUGHNESS
        family, roughness, anisotropy, direction_deg = "ggx", (along * across) ** 0.5, across / along, BRUSH_DEG
    elif material in ("tarnish", "matte"):
        family, roughness = "ggx", {"tarnish": TARNISH_ROUGHNESS, "matte": MATTE_ROUGHNESS}[material]
    else:
        family, alpha = material.split("-")
        roughness = float(alpha)
    stretched = np.array(stretch(np.array(anisotropy), np.radians(direction_deg)))
    return Lobe(family_table(np.inf if family == "beckmann" else 2), 0.0, stretched, roughness, np.array(NOISE))


def relit(case: Case, seed: int, lobe: Lobe | None, folder: Path) -> dict[str, Any]:
    """What `fit-relighting` says of itself on a case."""
    stack, grid = folder / "stack.zarr.zip", case.grid
    # in units of the sensor's white, as a stack is
    light = photographed(case.light, seed) * np.float32(EXPOSED_TO / np.percentile(case.light, 99.9))
    with stack_writer(stack, grid, case.lamps.names, {}, Provenance("benchmark", {}, {})) as writer:
        for tile in tiles(grid.shape, STACK_BLOCK_PX):
            part = light[:, *tile.core.slices]
            writer.write(part, np.zeros((3, *part.shape[1:])), tile.core)
    write_json(folder / "lamps.json", case.lamps.as_dict())
    write_json(folder / "lobe.json", {"lobe": None if lobe is None else lobe.as_dict()})
    reads = (stack, folder / "lamps.json", folder / "lobe.json")
    fit_relighting(*reads, folder / "c.tif", folder / "l.tif", folder / "quality.json", threads=2)
    return read_json(folder / "quality.json")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, metavar="FOLDER", help="where rendered cases are kept (default: nowhere)")
    parser.add_argument("--material", nargs="+", choices=MATERIALS, default=MATERIALS)
    parser.add_argument("--lamps", nargs="+", type=int, choices=(24, 48), default=[48])
    parser.add_argument("--seed", nargs="+", type=int, default=[1])
    parser.add_argument("--lobe", nargs="+", choices=("true", "assumed"), default=["true"])
    flags = parser.parse_args()
    use_threads(2)
    print(f"| {' | '.join(HEADS)} |\n|{'---|' * len(HEADS)}")
    with tempfile.TemporaryDirectory() as scratch:
        for material, lamps, seed, how in itertools.product(flags.material, flags.lamps, flags.seed, flags.lobe):
            case = cached_case(flags.cache or Path(scratch), "plate", material, lamps, seed)
            start = time.perf_counter()
            said = relit(case, seed, lobe_of(material) if how == "true" else None, Path(scratch))
            seconds = time.perf_counter() - start
            decibels = {error["order"]: error["psnr_db"] for error in said["orders"]}
            packed = said["lobe"]["packed"]
            figures = (decibels[2], decibels.get(3), said["lobe"]["psnr_db"], packed["psnr_db"])
            cells = [case_name("plate", material, lamps, seed), how]
            cells += ["" if figure is None else f"{figure:.1f}" for figure in figures]
            cells += [str(packed["bytes_per_pixel"]), f"{packed['psnr_db'] - decibels[2]:+.1f}", f"{seconds:.1f}"]
            print(f"| {' | '.join(cells)} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
