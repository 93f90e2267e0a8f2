"""Marks found against marks made: the scores of finished sessions with truth, pooled.

    python benchmarks/marks.py SESSION RESULTS [SESSION RESULTS ...] [--json FILE] [--list]

RESULTS = results/<session>, finished. A point of a line lies on another line where that passes within 2.5 pixels in a
direction less than 30 degrees off. A true line is found when half of its length lies on found lines; a found line is
right when half of its length lies on true lines; `strict`: lines of the two cut classes (tooled, scratch) alone.
Widths of 3 and 4 pixels are those of the mouth. Fields of at most 30 um a pixel count for lines, pixels, sizes; coarser
ones for scratches narrower than a pixel (precision: of all lines reported as narrower than three pixels). A found line
that is right belongs to the true line it shares most with; the class, sizes and residue of a true line are those of the
line of its own that covers most of it. Precision and recall of pixels: within two pixels.
Sizes: median of |error| / truth, median error / truth (bias), share of truths within 1.96 standard uncertainties.
"""

import argparse
import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from mark_scores import LEAST_CONTRAST, Score, score_field

from lightdome.session.sheet import plan_session

BINS = 10
K95 = 1.96


def share(values: list[bool]) -> tuple[float, int]:
    """Share of yes and number of all."""
    return (float(np.mean(values)) if values else float("nan")), len(values)


def by_length(pairs: list[tuple[float, float]]) -> tuple[float, int]:
    """Share of the length and number of lines."""
    total = sum(pair[0] for pair in pairs)
    return (sum(pair[1] for pair in pairs) / total if total else float("nan")), len(pairs)


def calibration_error(pairs: list[tuple[float, bool]]) -> float:
    """Mean over the marks of |mean confidence - share right| of their bin of confidence."""
    if not pairs:
        return float("nan")
    confidence, right = (np.array(part, float) for part in zip(*pairs, strict=True))
    bins = np.minimum((confidence * BINS).astype(int), BINS - 1)
    gaps = [
        abs(confidence[bins == each].mean() - right[bins == each].mean()) * (bins == each).mean()
        for each in np.unique(bins)
    ]
    return float(sum(gaps))


def sizes(rows: list[dict[str, Any]], name: str) -> dict[str, float]:
    """Errors of one size."""
    known = [row for row in rows if row[name] and row[f"found_{name}"]]
    if not known:
        return {"n": 0}
    true, found = (np.array([row[key] for row in known], float) for key in (name, f"found_{name}"))
    u = np.array([row[f"found_u_{name}"] or 0 for row in known], float)
    off = found / true - 1
    return {
        "n": len(known),
        "median_error": float(np.median(np.abs(off))),
        "p90_error": float(np.percentile(np.abs(off), 90)),
        "bias": float(np.median(off)),
        "in_95": float((np.abs(found - true) <= K95 * u).mean()),
        "median_u": float(np.median(u / true)),
    }


def pooled(scores: list[Score]) -> Score:
    """Lists of all fields, joined."""
    names = sorted({name for score in scores for name in score})
    return {name: [value for score in scores for value in score.get(name, [])] for name in names}


def figures(score: Score) -> dict[str, Any]:
    """Every figure as a plain value."""
    of = score.get
    tp, n_found, hit, n_true = (np.array(of("dice", [])).reshape(-1, 4).sum(axis=0)).tolist()
    precision, recall = tp / n_found if n_found else 0.0, hit / n_true if n_true else float("nan")
    inked = [claim for contrast, claim in score["residue"] if contrast <= -LEAST_CONTRAST]
    clean = [claim for contrast, claim in score["residue"] if contrast == 0]
    decided = [order for order in score["order"] if order[0]]
    confusion = [(true, found) for true, found, fine in score["confusion"] if fine]
    settled = [(true, found) for true, found in confusion if found != "not decided"]
    area = sum(score["area_dm2"])
    facts: dict[str, Any] = {
        "lines >= 3 px recall": share(score["recall"]),
        "lines >= 3 px precision": share(score["precision"]),
        "strict recall": share(score["strict_recall"]),
        "strict precision": share(score["strict_precision"]),
        "thin scratches recall by length": by_length(score["thin_recall"]),
        "thin scratches precision by length": by_length(score["thin_precision"]),
        "scratch pixels precision, recall": (precision, recall),
        "scratch pixels Dice": 2 * precision * recall / max(precision + recall, 1e-9),
        "class right": share([true == found for true, found in confusion]),
        "class right among decided": share([true == found for true, found in settled]),
        "residue found": share(inked),
        "residue false alarms": share(clean),
        "order decided": share([order[0] for order in score["order"]]),
        "order right among decided": share([order[1] for order in decided]),
        "print IoU": share(of("print", [])),
        "false prints": sum(score["false_prints"]),
        "calibration error": (calibration_error(score["confidence"]), len(score["confidence"])),
        "class map agrees": share(score["agree"]),
        "false marks per dm2": {kind: round(count / area, 2) for kind, count in Counter(score["false"]).items()},
        "area dm2": round(area, 5),
    }
    for name in ("width_um", "depth_um"):
        facts[name] = {"all": sizes(score["sizes"], name)}
        for kind in sorted({row["class"] for row in score["sizes"]}):
            facts[name][kind] = sizes([row for row in score["sizes"] if row["class"] == kind], name)
    for name in ("relief", "relief_scratched"):
        total = np.array(of(name, [(0.0, 0)])).sum(axis=0)
        facts[f"{name} rms um"] = float(np.sqrt(total[0] / total[1])) if total[1] else float("nan")
    facts["confusion"] = [{"true": t, "found": f, "n": n} for (t, f), n in sorted(Counter(confusion).items())]
    return facts


def told(facts: dict[str, Any]) -> str:
    """The figures as a table."""
    rows = []
    for name, value in facts.items():
        if name in ("width_um", "depth_um"):
            for kind, each in value.items():
                numbers = ", ".join(f"{key} {number:.3g}" for key, number in each.items())
                rows.append(f"| {name.split('_')[0]}, {kind} | {numbers} |")
        elif name == "confusion":
            rows += [f"| true {each['true']} found {each['found']} | {each['n']} |" for each in value]
        elif isinstance(value, tuple) and isinstance(value[1], int):
            rows.append(f"| {name} | {value[0]:.3f} of {value[1]} |")
        elif isinstance(value, tuple):
            rows.append(f"| {name} | {value[0]:.3f}, {value[1]:.3f} |")
        else:
            rows.append(f"| {name} | {value:.3f} |" if isinstance(value, float) else f"| {name} | {value} |")
    return "| figure | value |\n|---|---|\n" + "\n".join(rows)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+", metavar="SESSION RESULTS")
    parser.add_argument("--json", type=Path, help="also write the figures here")
    parser.add_argument("--list", action="store_true", help="also print every measured line")
    flags = parser.parse_args()
    if len(flags.folders) % 2:
        parser.error("give a results folder after each session")
    scores = []
    for session, results in zip(flags.folders[::2], flags.folders[1::2], strict=True):
        for name in plan_session(session).fields:
            truth = session / "truth" / str(name)
            if truth.is_dir() and (results / str(name) / "marks/marks.geojson").is_file():
                scores.append(score_field(truth, results / str(name)))
            else:
                print(f"{session} {name}: no truth or no marks", file=sys.stderr)
    if not scores:
        return 1
    score = pooled(scores)
    facts = figures(score)
    print(told(facts))
    if flags.list:
        for row in score["sizes"]:
            print({key: round(v, 2) if isinstance(v, float) else v for key, v in row.items()})
    if flags.json:
        flags.json.write_text(json.dumps(facts, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
