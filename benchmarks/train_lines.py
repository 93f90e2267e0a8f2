"""Train the model of lines (`lightdome/marks/line_model.json`) on random synthetic plates, and say how well it holds.

    python benchmarks/train_lines.py --cache FOLDER [--plates 90] [--write]

Plates are solved once and kept in the cache. Every fifth plate is left out in turn to tell how often a class is right
and how far its probability can be trusted; the model that is written has seen them all.
"""

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import fields
from functools import partial
from pathlib import Path

import numpy as np
from line_plates import NAMES, Solved, lines_of, solved, spec_of
from scipy.optimize import minimize
from scipy.spatial import cKDTree

from lightdome.marks.crossings import dense
from lightdome.marks.line_facts import FACTS
from lightdome.marks.measured import Line
from lightdome.marks.model import FARTHEST, FILE, LineModel
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.drawing import Cut, EtchedLine
from lightdome.units import UM_PER_MM

CLASSES = ("land", "etched", "tooled", "scratch")
NEAR_PX = 1.5
MOSTLY = 0.6
FOLDS = 5
RIDGE = 3.0
"""Weight of the squared coefficients: few hundred lines must not decide all."""
BINS = 10
SHAPE = ("wall", "fullness", "taper", "width_variation", "depth_variation", "edge", "keel", "flat")
"""Of a section: under three pixels a line has presence and length, and no shape."""
LEFT_OUT = {"resolved": ("glint",), "narrow": ("gloss", *SHAPE)}
"""What a kind of line cannot tell, or tells of the capture rather than of the line."""


def cached(folder: Path, seed: int) -> Solved:
    """A solved plate from the cache, or made and put there."""
    path = folder / f"{seed}.npz"
    if not path.exists():
        plate = solved(spec_of(seed))
        folder.mkdir(parents=True, exist_ok=True)
        np.savez(path, **{each.name: getattr(plate, each.name) for each in fields(Solved)})
    with np.load(path) as stored:
        return Solved(**{each.name: stored[each.name] for each in fields(Solved)})


def label_of(line: Line, spec: CaptureSpec) -> str | None:
    """The class of the drawn line that a trace follows; land for none, and None where several share it."""
    points = dense(line.trace.points_px)
    x, y = spec.grid.to_plate_mm(points[:, 0], points[:, 1])
    here = np.stack([x, y], axis=1)
    shares: dict[str, float] = {}
    for item in (*spec.drawing.etched, *spec.drawing.cuts):
        if not isinstance(item, EtchedLine | Cut):
            continue
        name = NAMES[type(item)] if isinstance(item, EtchedLine) else NAMES[item.kind]
        corners = np.array(item.points_mm)
        way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
        at = np.linspace(0, way[-1], max(2, int(way[-1] / spec.pitch_mm * 2)))
        drawn = np.stack([np.interp(at, way, axis) for axis in corners.T], axis=1)
        reach = (NEAR_PX + 0.25 * item.width_um / UM_PER_MM / spec.pitch_mm) * spec.pitch_mm
        share = float((cKDTree(drawn).query(here)[0] <= reach).mean())
        shares[name] = max(shares.get(name, 0.0), share)
    if not shares or max(shares.values()) < 0.3:
        return "land"
    best, second = [*sorted(shares.items(), key=lambda item: -item[1]), ("", 0.0)][:2]
    return best[0] if best[1] >= MOSTLY and second[1] < MOSTLY else None


def table(folder: Path, count: int) -> dict[str, list[tuple[int, str, dict[str, float]]]]:
    """Plate, class and numbers of every valley found, by the kind of line; a plate a core."""
    rows: dict[str, list[tuple[int, str, dict[str, float]]]] = {"resolved": [], "narrow": []}
    with ProcessPoolExecutor() as pool:
        for part in pool.map(partial(_rows_of, folder), range(count)):
            for kind, found in part.items():
                rows[kind] += found
    return rows


def _rows_of(folder: Path, seed: int) -> dict[str, list[tuple[int, str, dict[str, float]]]]:
    rows: dict[str, list[tuple[int, str, dict[str, float]]]] = {"resolved": [], "narrow": []}
    spec = spec_of(seed)
    for line in lines_of(spec, cached(folder, seed)):
        label = label_of(line, spec) if line.trace.kind == "valley" else None
        if label is not None:
            rows["resolved" if line.resolved else "narrow"].append((seed, label, line.facts))
    return rows


def fit(rows: list[tuple[int, str, dict[str, float]]], kind: str) -> LineModel:
    """Maximum likelihood with a ridge; classes weigh alike by the square root of their number."""
    names = tuple(name for name in FACTS if name not in LEFT_OUT[kind])
    values = np.array([[facts[name] for name in names] for _, _, facts in rows])
    label = np.array([CLASSES.index(name) for _, name, _ in rows])
    mean = np.nanmean(np.where(np.isfinite(values).any(axis=0), values, 0.0), axis=0)
    scale = np.maximum(np.nanstd(np.where(np.isfinite(values).any(axis=0), values, 0.0), axis=0), 1e-3)
    x = np.clip(np.nan_to_num((values - mean) / scale, nan=0.0), -FARTHEST, FARTHEST)
    number = np.bincount(label, minlength=len(CLASSES))
    weight = (1 / np.sqrt(np.maximum(number, 1)))[label]
    weight *= len(label) / weight.sum()
    true = np.eye(len(CLASSES))[label]

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w = flat.reshape(len(CLASSES), -1)
        score = x @ w[:, :-1].T + w[:, -1]
        score -= score.max(axis=1, keepdims=True)
        share = np.exp(score)
        share /= share.sum(axis=1, keepdims=True)
        off = (share - true) * weight[:, None]
        slope = np.concatenate([off.T @ x + RIDGE * w[:, :-1], off.sum(axis=0)[:, None]], axis=1)
        loss = -(weight * np.log(np.maximum((share * true).sum(axis=1), 1e-12))).sum()
        return loss + RIDGE / 2 * (w[:, :-1] ** 2).sum(), slope.ravel()

    w = minimize(cost, np.zeros(len(CLASSES) * (x.shape[1] + 1)), jac=True, method="L-BFGS-B").x
    w = w.reshape(len(CLASSES), -1)
    return LineModel(CLASSES, names, mean, scale, w[:, :-1], w[:, -1])


def judged(rows: list[tuple[int, str, dict[str, float]]], kind: str) -> list[tuple[str, str, float]]:
    """True class, likeliest class and its probability, of every line by a model that has not seen its plate."""
    out = []
    for fold in range(FOLDS):
        model = fit([row for row in rows if row[0] % FOLDS != fold], kind)
        for seed, label, facts in rows:
            if seed % FOLDS == fold:
                found = model.probabilities(facts)
                best = max(found, key=lambda name: found[name])
                out.append((label, best, found[best]))
    return out


def calibration_error(results: list[tuple[str, str, float]]) -> float:
    """Mean distance of the share that is right from the probability said, over ten bins, weighted by their lines."""
    right = np.array([label == best for label, best, _ in results], float)
    said = np.array([p for _, _, p in results])
    place = np.minimum((said * BINS).astype(int), BINS - 1)
    return float(
        sum(
            abs(right[place == index].mean() - said[place == index].mean()) * (place == index).mean()
            for index in np.unique(place)
        )
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, help="where solved plates are kept")
    parser.add_argument("--plates", type=int, default=135)
    parser.add_argument("--write", action="store_true", help="write line_model.json")
    flags = parser.parse_args()
    rows = table(flags.cache, flags.plates)
    stored: dict[str, object] = {
        "trained_on": f"synthetic plates 0 to {flags.plates - 1} of benchmarks/line_plates.py",
        "lines": {
            kind: {name: sum(row[1] == name for row in found) for name in CLASSES} for kind, found in rows.items()
        },
    }
    for kind, found in rows.items():
        results = judged(found, kind)
        print(f"\n{kind}: {len(found)} lines\n\n| true | {' | '.join(CLASSES)} |\n|---|{'---|' * len(CLASSES)}")
        for name in CLASSES:
            counts = [sum(label == name and best == other for label, best, _ in results) for other in CLASSES]
            print(f"| {name} | {' | '.join(map(str, counts))} |")
        right = np.mean([label == best for label, best, _ in results])
        print(f"\nright {100 * right:.1f} %, calibration error {calibration_error(results):.3f}")
        model = fit(found, kind)
        stored[kind] = {
            "classes": model.classes,
            "facts": model.facts,
            **{name: np.round(getattr(model, name), 4).tolist() for name in ("mean", "scale", "weights", "bias")},
        }
    if flags.write:
        FILE.write_text(json.dumps(stored, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
