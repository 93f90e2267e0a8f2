"""Angular error of the normals of a session against its measured truth, by every method, through the real steps.

    python benchmarks/normals.py SESSION [--method robust] [--method least-squares]

Truth is SESSION/truth/<plate>/<side>/<field>/normals.tif, or SESSION/truth/normals.tif where the session has one field.
Photographs in, table out; nothing is kept.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import tifffile

from lightdome.errors import LightdomeError
from lightdome.frames.steps import stack_frames
from lightdome.lights.steps import locate_lamps
from lightdome.session.records import FieldName
from lightdome.session.sheet import plan_session
from lightdome.session.steps import check_session
from lightdome.store import read_raster
from lightdome.surface.steps import METHODS, solve_normals


def read_truth(session: Path, name: FieldName, fields: int) -> np.ndarray | None:
    """Unit normals (3, rows, columns), NaN outside the measured part; None where the session has no truth."""
    of_field, of_session = session / "truth" / str(name) / "normals.tif", session / "truth" / "normals.tif"
    path = of_field if of_field.exists() or fields > 1 else of_session
    if not path.exists():
        return None
    normals = np.asarray(tifffile.imread(path), dtype=np.float64)
    if normals.shape[-1] == 3 and normals.shape[0] != 3:
        normals = np.moveaxis(normals, -1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return normals / np.sqrt((normals**2).sum(axis=0))


def angular_errors_deg(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Angle between unit normals (3, rows, columns) where both are known, degrees, in one row."""
    cosine = (found * truth).sum(axis=0)
    return np.degrees(np.arccos(np.clip(cosine[np.isfinite(cosine)], -1, 1)))


def judge_field(session: Path, name: FieldName, truth: np.ndarray, methods: list[str], scratch: Path) -> None:
    """Run the steps on one field and print a row of the table for each method."""
    of_field = (session, name.plate, name.side, name.field)
    check_session(*of_field, scratch / "quality.json", scratch / "layout.png", scratch / "check.html")
    stack_frames(*of_field, scratch / "quality.json", scratch / "stack.zarr.zip")
    locate_lamps(*of_field, scratch / "stack.zarr.zip", scratch / "lamps.json", scratch / "spheres.png")
    known = np.isfinite(truth).all(axis=0)
    for method in methods:
        start = time.perf_counter()
        products = [scratch / f"{part}.tif" for part in ("normals", "uncertainty", "reflectance", "flags")]
        products.append(scratch / "lobe.json")
        solve_normals(scratch / "stack.zarr.zip", scratch / "lamps.json", *products, method=method, threads=2)
        seconds = time.perf_counter() - start
        errors = angular_errors_deg(read_raster(products[0]).values, truth)
        mean, median, p95 = errors.mean(), np.median(errors), np.percentile(errors, 95)
        answered = 100 * errors.size / known.sum()
        print(
            f"| {name} | {method} | {mean:.2f} | {median:.2f} | {p95:.2f} | {answered:.1f} | {seconds:.1f} |",
            flush=True,
        )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("session", type=Path, metavar="SESSION", help="session folder with a truth folder")
    parser.add_argument("--method", action="append", choices=METHODS, help="repeat for several (default: all)")
    flags = parser.parse_args()
    methods = flags.method or list(reversed(METHODS))
    try:
        fields = plan_session(flags.session).fields
        truths = {name: read_truth(flags.session, name, len(fields)) for name in fields}
        known = {name: truth for name, truth in truths.items() if truth is not None}
        if not known:
            print(f"{flags.session}: has no truth folder; name a session with measured normals", file=sys.stderr)
            return 2
        print("Angular error of normals, degrees\n")
        print("| field | method | mean | median | p95 | answered % | s |")
        print("|---|---|---|---|---|---|---|")
        for name, truth in known.items():
            with tempfile.TemporaryDirectory() as scratch:
                judge_field(flags.session, name, truth, methods, Path(scratch))
    except LightdomeError as error:
        print(f"normals.py: error: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
