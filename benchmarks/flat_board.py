"""How far a flat plate bows when the lamps are not as strong as the table says, with and without a flat-board series.

    python benchmarks/flat_board.py [--gain-error 0.01] [--lamps 24] [--seeds 3] [--method microfacet]

A flat matte plate of 225 x 150 mm under near lamps 400 mm away, made by `lightdome.synthetic`, goes through the real
steps from the photographs to the height. Powers of the table are wrong by random errors. The bow is the difference of
highest and lowest point of the levelled height, smoothed over a tenth of the plate; the truth is zero. What is left
with the board is the noise of the photographs, so it falls with the pixel pitch.
"""

import argparse
import csv
import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import ndimage

from lightdome.frames.steps import stack_frames
from lightdome.lights.steps import locate_lamps
from lightdome.session.steps import check_session
from lightdome.store import read_raster
from lightdome.surface.steps import integrate_height, solve_normals
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.drawing import Drawing
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.reflectance import MATTE
from lightdome.synthetic.steps import write_capture

SPEC = CaptureSpec(
    drawing=Drawing(grain_um=0.0), shape=(600, 900), pitch_mm=0.25, sub=1, material=MATTE, shadows=False, flat=True
)


def write_pair(folder: Path, lamps: int, gain_error: float, seed: int) -> tuple[Path, Path]:
    """The same capture with its flat-board series and without, powers of the table wrong by `gain_error`."""
    spec = replace(SPEC, rig=dome(lamps, radius_mm=400.0, beam_exponent=1.0, power_spread=0.06, seed=seed), seed=seed)
    with_board, without = folder / "with", folder / "without"
    write_capture(with_board, spec, threads=2)
    draw = np.random.default_rng(seed)
    with (with_board / "lamps.csv").open() as file:
        rows = list(csv.DictReader(file))
    with (with_board / "lamps.csv").open("w") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        for row in rows:
            table.writerow(row | {"power": float(row["power"]) * (1 + draw.normal(0, gain_error))})
    shutil.copytree(with_board, without)
    frames = (without / "frames.csv").read_text().splitlines()
    (without / "frames.csv").write_text("\n".join(row for row in frames if ",flat," not in row) + "\n")
    return with_board, without


def bow_um(session: Path, scratch: Path, method: str) -> float:
    """Highest less lowest point of the height, levelled and smoothed over a tenth of the plate, um."""
    field = (session, "TP-001", "front", "A")
    scratch.mkdir()
    check_session(*field, scratch / "quality.json", scratch / "layout.png", scratch / "check.html")
    stack_frames(*field, scratch / "quality.json", scratch / "stack.zarr.zip")
    locate_lamps(*field, scratch / "stack.zarr.zip", scratch / "lamps.json", scratch / "spheres.png")
    solved = [scratch / f"{name}.tif" for name in ("normals", "uncertainty", "reflectance", "flags")]
    solve_normals(
        scratch / "stack.zarr.zip", scratch / "lamps.json", *solved, scratch / "lobe.json", method=method, threads=2
    )
    heights = (scratch / "height.tif", scratch / "height_uncertainty.tif")
    integrate_height(solved[0], solved[1], *heights)
    height = read_raster(heights[0]).values[0].astype(float)
    height = ndimage.gaussian_filter(height, 0.05 * max(height.shape))
    rows, cols = np.mgrid[: height.shape[0], : height.shape[1]]
    plane = np.stack([np.ones(height.size), rows.ravel(), cols.ravel()], axis=1)
    level = height.ravel() - plane @ np.linalg.lstsq(plane, height.ravel(), rcond=None)[0]
    return float(np.ptp(level))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--gain-error", type=float, default=0.01)
    parser.add_argument("--lamps", type=int, default=24)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--method", default="microfacet")
    flags = parser.parse_args()
    print(
        "Bow of a flat plate of 225 x 150 mm, um\n\n| seed | without the board | with it | ratio |\n|---|---|---|---|"
    )
    for seed in range(1, flags.seeds + 1):
        with tempfile.TemporaryDirectory() as folder:
            pair = write_pair(Path(folder), flags.lamps, flags.gain_error, seed)
            board, bare = (bow_um(path, Path(folder) / f"run-{path.name}", flags.method) for path in pair)
        print(f"| {seed} | {bare:.0f} | {board:.1f} | {bare / board:.0f} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
