"""Scores of one field: what was found against what was made, as lists of plain values that pool by joining."""

from pathlib import Path
from typing import Any

import numpy as np
from mark_match import MOSTLY, Line, lines_of, nearness, patches_of
from scipy.ndimage import distance_transform_edt

from lightdome.marks.records import CLASS_CODE
from lightdome.marks.relief import form_of
from lightdome.raster import Grid
from lightdome.store import open_raster, read_json, read_raster

LINES = ("etched", "tooled", "scratch")
UNDECIDED = "not decided"
WIDE_PX, MEASURED_PX = 3.0, 4.0
"""Mouth of a line that must be found; of one whose width and depth must be right."""
FINE_MM = 0.03
"""Pixels up to this count as fine."""
TOLERANCE_PX = 2.0
LEAST_CONTRAST = 0.10
PRINT = "friction-ridge print"

Score = dict[str, list[Any]]


def class_of(facts: dict[str, Any]) -> str:
    """Class of a found mark, or that it was left open."""
    return UNDECIDED if facts.get("decided") is False else str(facts["class"])


def mouth_px(facts: dict[str, Any], pitch_mm: float) -> float:
    """Full width of a true line in pixels; a collection without mouths gives its widths at the level of the land."""
    return float(facts.get("mouth_um") or facts["width_um"]) / 1000 / pitch_mm


def has_residue(facts: dict[str, Any]) -> bool | None:
    """Whether a found mark is said to hold residue; None where nothing is said."""
    residue = facts.get("residue")
    if not residue or residue.get("high") is None:
        return None
    return bool(residue["found"]) if "found" in residue else bool(residue["high"] < 0)


def score_field(truth: Path, results: Path) -> Score:
    """All scores of one field; `truth` and `results` are the field's folders."""
    marks = results / "marks"
    true_class, found_class = (read_raster(folder / "class.tif") for folder in (truth, marks))
    grid = true_class.grid
    true, found = (read_json(folder / "marks.geojson") for folder in (truth, marks))
    true_lines, found_lines = lines_of(true, grid), lines_of(found, grid)
    score = _line_scores(true_lines, found_lines, grid)
    codes = true_class.values[0], found_class.values[0]
    if grid.pitch_mm <= FINE_MM:
        score |= _dice(*codes)
    score |= _patch_scores(true, found, grid, codes[0], score)
    score["area_dm2"] = [grid.shape[0] * grid.shape[1] * (grid.pitch_mm / 100) ** 2]
    score["agree"] = [float((codes[0] == codes[1]).mean())]
    if (truth / "height_without_scratches.tif").is_file():
        score |= _relief(truth, marks, codes[0])
    return score


def _line_scores(true: list[Line], found: list[Line], grid: Grid) -> Score:
    on_found, on_true = nearness(true, found), nearness(found, true)
    pitch = grid.pitch_mm
    fine = pitch <= FINE_MM
    score: Score = {name: [] for name in ("recall", "strict_recall", "precision", "strict_precision", "confusion")}
    score |= {
        name: [] for name in ("thin_recall", "thin_precision", "sizes", "residue", "order", "confidence", "false")
    }
    cuts = {index for index, line in enumerate(found) if class_of(line.facts) in ("tooled", "scratch")}
    owners: dict[str, str] = {}
    for line, near in zip(found, on_true, strict=True):
        hit, kind = near.share() >= MOSTLY, class_of(line.facts)
        owner = true[near.best()].facts if hit else None
        if owner is not None:
            owners[line.facts["id"]] = owner["id"]
        else:
            score["false"].append(kind)
        score["confidence"].append((line.facts["confidence"], owner is not None and owner["class"] == kind))
        if line.facts["resolved"] and kind in ("tooled", "scratch") and fine:
            score["precision"].append(hit)
            score["strict_precision"].append(owner is not None and owner["class"] in ("tooled", "scratch"))
        if not line.facts["resolved"] and not fine:
            score["thin_precision"].append((line.length_px, line.length_px * near.share()))
    for line, near in zip(true, on_found, strict=True):
        wide, kind = mouth_px(line.facts, pitch), line.facts["class"]
        if kind not in LINES:
            continue
        hit = near.share() >= MOSTLY
        if wide >= WIDE_PX and kind != "etched" and fine:
            score["recall"].append(hit)
            score["strict_recall"].append(near.share(cuts) >= MOSTLY)
        if wide < 1 and kind == "scratch":
            score["thin_recall"].append((line.length_px, line.length_px * near.share()))
        own = [
            (near.on(index), each)
            for index, each in enumerate(found)
            if owners.get(each.facts["id"]) == line.facts["id"]
        ]
        if own and wide >= WIDE_PX:
            best = max(own, key=lambda each: each[0])[1]
            score["confusion"].append((kind, class_of(best.facts), bool(fine)))
            if wide >= MEASURED_PX and fine:
                score["sizes"].append(_sizes(line.facts, best.facts))
            claim = has_residue(best.facts)
            if claim is not None:
                score["residue"].append((_contrast(line.facts), claim))
    score["order"] = _orders({line.facts["id"]: line.facts for line in true}, found, owners)
    return score


def _contrast(facts: dict[str, Any]) -> float:
    return float((facts.get("residue") or {}).get("contrast", 0.0))


def _sizes(true: dict[str, Any], found: dict[str, Any]) -> dict[str, Any]:
    """True and found width at half depth and depth, with standard uncertainties; None where not given."""
    half = "mouth_um" in true  # else the true width is not that at half depth
    sizes = {f"found_{name}": found.get(name) for name in ("width_um", "depth_um", "u_width_um", "u_depth_um")}
    return sizes | {
        "class": true["class"],
        "kind": true.get("kind"),
        "id": true["id"],
        "width_um": true["width_um"] if half else None,
        "depth_um": true["depth_um"],
        "mouth_um": true.get("mouth_um"),
    }


def _orders(true: dict[str, dict[str, Any]], found: list[Line], owners: dict[str, str]) -> list[Any]:
    """(whether decided, whether right) of each found crossing of two found lines that stand for two true ones."""
    orders, seen = [], set()
    for line in found:
        for cross in line.facts["crosses"]:
            one, other = line.facts["id"], cross["id"]
            if one not in owners or other not in owners or owners[one] == owners[other] or (other, one) in seen:
                continue
            seen.add((one, other))
            later = [each["later"] for each in true[owners[one]]["crosses"] if each["id"] == owners[other]]
            if not later:
                continue
            said = owners.get(cross["later"]) if cross["later"] else None
            orders.append((said is not None, said is not None and said == later[0], one, other))
    return orders


def _dice(true: np.ndarray, found: np.ndarray) -> Score:
    code = CLASS_CODE["scratch"]
    one, other = true == code, found == code
    near_true = distance_transform_edt(~one) <= TOLERANCE_PX if one.any() else np.zeros_like(one)
    near_found = distance_transform_edt(~other) <= TOLERANCE_PX if other.any() else np.zeros_like(one)
    return {"dice": [(int((other & near_true).sum()), int(other.sum()), int((one & near_found).sum()), int(one.sum()))]}


def _patch_scores(true: dict, found: dict, grid: Grid, true_class: np.ndarray, lines: Score) -> Score:
    true_patches, found_patches = patches_of(true, grid), patches_of(found, grid)
    prints = [
        [inside for facts, inside in patches if facts["class"] == PRINT] for patches in (true_patches, found_patches)
    ]
    wanted, got = (np.any(each, axis=0) if each else np.zeros(grid.shape, bool) for each in prints)
    score: Score = {
        "print": [],
        "false_prints": [sum(1 for each in prints[1] if (each & wanted).sum() < 0.1 * each.sum())],
    }
    if wanted.any():
        score["print"].append(float((wanted & got).sum() / (wanted | got).sum()))
    confidence, false, residue = list(lines["confidence"]), list(lines["false"]), list(lines["residue"])
    for facts, inside in found_patches:
        counts = np.bincount(true_class[inside], minlength=len(CLASS_CODE)) if inside.any() else np.zeros(1)
        kind = class_of(facts)
        share = counts[CLASS_CODE[kind]] / max(counts.sum(), 1) if kind in CLASS_CODE and len(counts) > 1 else 0.0
        if kind == PRINT:  # the class map shows the marks that lie in a print instead of it
            share = (inside & wanted).sum() / max(inside.sum(), 1)
        confidence.append((facts["confidence"], bool(share >= MOSTLY)))
        if counts.sum() and counts[0] / counts.sum() > MOSTLY and not (kind == PRINT and share > MOSTLY):
            false.append(kind)
    areas = [(facts, inside) for facts, inside in found_patches if facts["class"] == "etched"]
    for facts, inside in true_patches:
        if facts["class"] != "etched" or not areas:
            continue
        best = max(areas, key=lambda each: int((each[1] & inside).sum()))
        claim = has_residue(best[0])
        if (best[1] & inside).sum() > MOSTLY * inside.sum() and claim is not None:
            residue.append((_contrast(facts), claim))
    return score | {"confidence": confidence, "false": false, "residue": residue}


def _relief(truth: Path, marks: Path, classes: np.ndarray) -> Score:
    """Squared error of the etched map against the truth without scratches, both less form: of all, of scratches."""
    etched = read_raster(marks / "etched_height.tif")
    clean = read_raster(truth / "height_without_scratches.tif").values[0]
    cutoff_mm = _form_cutoff(marks)
    off = etched.values[0] - (clean - form_of(clean, cutoff_mm / etched.grid.pitch_mm))
    off -= np.nanmedian(off)
    known, scratched = np.isfinite(off), classes == CLASS_CODE["scratch"]
    return {
        "relief": [(float((off[known] ** 2).sum()), int(known.sum()))],
        "relief_scratched": [(float((off[known & scratched] ** 2).sum()), int((known & scratched).sum()))],
    }


def _form_cutoff(marks: Path) -> float:
    """The form's cut-off that `split-relief` used, mm."""
    with open_raster(marks / "etched_height.tif") as reader:
        return float(reader.provenance["settings"]["form_cutoff_mm"])
