"""Marks found on a synthetic session against its truth: recall and precision per millimetre, class map, depths.

    python benchmarks/marks.py SESSION RESULTS      (RESULTS = results/<session>, finished)

A point of a true line is found where a found line passes within 2.5 pixels; and the other way round.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from lightdome.marks.records import CLASS_CODE
from lightdome.session.records import FieldName
from lightdome.session.sheet import plan_session
from lightdome.store import read_json, read_raster

LINES = ("etched", "tooled", "scratch")
NEAR_PX = 2.5


def points_of(collection: dict, pitch_mm: float) -> list[tuple[dict, np.ndarray]]:
    """Properties of each line, and points along it every half pixel, plate mm."""
    lines = []
    for feature in collection["features"]:
        if feature["geometry"]["type"] != "LineString":
            continue
        corners = np.array(feature["geometry"]["coordinates"], float)
        way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
        at = np.arange(0, way[-1], pitch_mm / 2)
        lines.append((feature["properties"], np.stack([np.interp(at, way, axis) for axis in corners.T], axis=1)))
    return lines


def together(lines: list[tuple[dict, np.ndarray]], names: tuple[str, ...]) -> np.ndarray:
    return np.concatenate([np.zeros((0, 2)), *(points for facts, points in lines if facts["class"] in names)])


def share_near(points: np.ndarray, others: np.ndarray, reach_mm: float) -> float:
    if not len(points) or not len(others):
        return float("nan")
    return float((cKDTree(others).query(points)[0] <= reach_mm).mean())


def compare(session: Path, results: Path, name: FieldName) -> None:
    truth, marks = session / "truth" / str(name), results / str(name) / "marks"
    true_class, found_class = read_raster(truth / "class.tif"), read_raster(marks / "class.tif")
    pitch_mm = true_class.grid.pitch_mm
    reach_mm = NEAR_PX * pitch_mm
    half = np.array(true_class.grid.shape[::-1]) * pitch_mm / 2
    true, found = (points_of(read_json(folder / "marks.geojson"), pitch_mm) for folder in (truth, marks))
    true = [(facts, points[(np.abs(points) < half).all(axis=1)]) for facts, points in true]
    print(f"\n{name}\n\n| class | recall | as any line | precision | on any true line |\n|---|---|---|---|---|")
    for line in LINES:
        wanted, got = together(true, (line,)), together(found, (line,))
        shares = (
            share_near(wanted, got, reach_mm),
            share_near(wanted, together(found, LINES), reach_mm),
            share_near(got, wanted, reach_mm),
            share_near(got, together(true, LINES), reach_mm),
        )
        print(f"| {line} | " + " | ".join(f"{share:.2f}" for share in shares) + " |")
    one, other = true_class.values.ravel(), found_class.values.ravel()
    print(f"\nclass map: {(one == other).mean():.3f} of the pixels agree; intersection over union:")
    for word, code in CLASS_CODE.items():
        union = ((one == code) | (other == code)).sum()
        if (one == code).any():
            print(f"  {word}: {((one == code) & (other == code)).sum() / union:.2f}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("session", type=Path)
    parser.add_argument("results", type=Path)
    flags = parser.parse_args()
    for name in plan_session(flags.session).fields:
        if (flags.session / "truth" / str(name)).is_dir():
            compare(flags.session, flags.results, name)
    return 0


if __name__ == "__main__":
    sys.exit(main())
