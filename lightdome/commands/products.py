"""Flags that several commands share: products by their place below a field's results, and the number of threads."""

import argparse
import os
from pathlib import Path

PLACES = {
    "stack": "frames/stack.zarr.zip",
    "lamps": "lights/lamps.json",
    "picture": "lights/spheres.png",
    "normals": "surface/normals.tif",
    "uncertainty": "surface/normal_uncertainty.tif",
    "normal-uncertainty": "surface/normal_uncertainty.tif",
    "reflectance": "surface/reflectance.tif",
    "flags": "surface/flags.tif",
    "lobe": "surface/lobe.json",
    "height": "surface/height.tif",
    "height-uncertainty": "surface/height_uncertainty.tif",
    "curvature": "surface/curvature.tif",
    "texture": "surface/texture.json",
    "traces": "marks/traces.json",
    "areas": "marks/areas.tif",
    "marks": "marks/marks.geojson",
    "table": "marks/marks.csv",
    "classes": "marks/class.tif",
    "etched-height": "marks/etched_height.tif",
    "scratch-height": "marks/scratch_height.tif",
    "relief": "marks/relief.tif",
    "fill-mask": "marks/fill_mask.tif",
    "summary": "marks/summary.json",
    "coefficients": "relight/coefficients.tif",
    "lobe-model": "relight/lobe.tif",
}


def add_products(
    parser: argparse.ArgumentParser, *, reads: tuple[str, ...], writes: tuple[str, ...], may_write: tuple[str, ...] = ()
) -> None:
    """Add a flag for each product that a step reads, writes, or writes where it is asked for."""
    for verb, names, required in (("read", reads, True), ("write", writes, True), ("write", may_write, False)):
        for name in names:
            parser.add_argument(
                f"--{name}",
                type=Path,
                required=required,
                metavar="FILE",
                help=f"{verb} {PLACES[name]}",
            )


def add_threads(parser: argparse.ArgumentParser) -> None:
    """Add the number of threads; it changes no answer."""
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 1, help="threads (default: one a core)")
