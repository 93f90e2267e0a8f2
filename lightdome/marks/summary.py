"""Statistics of a field's marks: how many, how long, which way, how deep and wide, where, and in which order.

Counts are of the marks that were found: what is too narrow or too shallow to be found is in none of them.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import stats

from lightdome.marks.axial import BINS, axes_of
from lightdome.marks.records import CLASS_CODE, CLASSES, Mark
from lightdome.marks.regions import Region, length_inside, middle, regions_of
from lightdome.marks.residue import residue_by_class
from lightdome.raster import Grid

MM2_PER_DM2 = 10_000.0
PERCENTILES = (5, 25, 50, 75, 95)
LATER = "scratch"
MADE = "etched"


def summary_of(
    marks: Sequence[Mark],
    classes: np.ndarray,
    grid: Grid,
    known: np.ndarray | None = None,
    structures: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """What `marks/summary.json` says. Numbers that cannot be told are None.

    classes : (rows, columns) uint8, class of each pixel. known : bool, where the height is known; None for everywhere.
    structures : of etched areas, by `area_structure.with_structure`.
    """
    known = np.ones(classes.shape, bool) if known is None else known
    return {
        "statement": "what was found on this field; what is too narrow or too shallow to be found is not counted",
        "pixel_pitch_mm": grid.pitch_mm,
        "counts": {name: sum(mark.class_name == name for mark in marks) for name in CLASSES},
        "marks": len(marks),
        "density": _density([mark for mark in marks if mark.class_name == LATER], _area_dm2(known, grid)),
        "by_class": {
            name: _of_class([mark for mark in marks if mark.class_name == name], grid)
            for name in CLASSES
            if any(mark.class_name == name for mark in marks)
        },
        "etched_share": _etched_share(marks, classes, known, grid),
        "regions": [_region(region, marks, classes, known, grid) for region in regions_of(grid)],
        "events": _events(marks),
        "order": order_at_crossings(marks),
        "residue_by_class": residue_by_class(marks),
        "structure": list(structures),
    }


def _area_dm2(known: np.ndarray, grid: Grid) -> float:
    return float(known.sum()) * grid.pitch_mm**2 / MM2_PER_DM2


def _density(scratches: Sequence[Mark], area_dm2: float) -> dict[str, Any]:
    """Scratches per dm2: an interval that holds the mean of the Poisson law that gave this count, 95 %."""
    low, high = poisson_interval(len(scratches))
    length_mm = sum(mark.length_mm for mark in scratches)
    each = 1 / area_dm2 if area_dm2 > 0 else None

    def per_dm2(value: float) -> float | None:
        return None if each is None else value * each

    return {
        "class": LATER,
        "count": len(scratches),
        "area_dm2": area_dm2,
        "per_dm2": per_dm2(len(scratches)),
        "u_per_dm2": per_dm2(len(scratches) ** 0.5),
        "interval_95_per_dm2": [per_dm2(low), per_dm2(high)],
        "length_mm_per_dm2": per_dm2(length_mm),
        "u_reason": "counting alone (Poisson); scratches that were missed or wrongly claimed are not in it",
    }


def poisson_interval(count: int, level: float = 0.95) -> tuple[float, float]:
    """Exact central interval of the mean of a Poisson law from one count (Garwood 1936, by quantiles of chi-square)."""
    tail = (1 - level) / 2
    low = float(stats.chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return low, float(stats.chi2.ppf(1 - tail, 2 * count + 2)) / 2


def _of_class(marks: Sequence[Mark], grid: Grid) -> dict[str, Any]:
    lines = [np.array(mark.geometry["coordinates"]) for mark in marks if mark.geometry["type"] == "LineString"]
    lengths = [mark.length_mm for mark in marks if mark.geometry["type"] == "LineString"]
    axes = axes_of(lines)
    resolved = [mark for mark in marks if mark.resolved]
    measured = [mark for mark in resolved if not lines or mark.geometry["type"] == "LineString"]
    return {
        "count": len(marks),
        "lines": len(lines),
        "resolved": len(resolved),
        "unresolved": len(marks) - len(resolved),
        "line_length_mm": float(sum(lengths)),
        # each end lies anywhere within its pixel (rectangular distribution, JCGM 100, 4.3.7)
        "u_line_length_mm": grid.pitch_mm * (2 * len(lines) / 12) ** 0.5,
        "u_length_reason": "ends within a pixel; gaps and ends that fade away are not in it",
        "orientation": {
            "bins_deg": [180 / BINS * number for number in range(BINS + 1)],
            "length_mm": [float(value) for value in axes.length_by_bin],
            "mean_deg": _number(axes.mean_deg),
            "u_mean_deg": _number(axes.u_mean_deg),
            "resultant": _number(axes.resultant),
        },
        "measured": "lines" if lines else "areas and spots",
        "depth_um": distribution([mark.depth_um for mark in measured], [mark.u_depth_um for mark in measured]),
        "width_um": distribution([mark.width_um for mark in measured], [mark.u_width_um for mark in measured]),
    }


def distribution(values: Sequence[float | None], u: Sequence[float | None]) -> dict[str, Any]:
    """Percentiles of the known values, a 95 % interval of their median, and the median of their own uncertainties.

    The interval is that of the binomial law of the ranks: it needs no shape of the distribution, but six values.
    """
    known = np.array([value for value in values if value is not None], float)
    own = [value for value in u if value is not None]
    interval: list[float | None] = [None, None]
    if known.size:
        found = stats.quantile_test(known, p=0.5).confidence_interval(0.95)
        interval = [_number(found.low), _number(found.high)]
    return {
        "count": int(known.size),
        "percentiles": {
            f"p{share}": float(np.percentile(known, share)) if known.size else None for share in PERCENTILES
        },
        "median_interval_95": interval,
        "median_u": float(np.median(own)) if own else None,
    }


def _etched_share(marks: Sequence[Mark], classes: np.ndarray, known: np.ndarray, grid: Grid) -> dict[str, Any]:
    """Share of the known pixels that are etched; each etched mark is so with its confidence."""
    pixels = int(known.sum())
    if not pixels:
        return {"value": None, "u": None, "u_reason": "no pixel is known"}
    doubt_mm4 = sum(
        _covered_mm2(mark) ** 2 * mark.confidence * (1 - mark.confidence) for mark in marks if mark.class_name == MADE
    )
    return {
        "value": float(((classes == CLASS_CODE[MADE]) & known).sum()) / pixels,
        "u": doubt_mm4**0.5 / (pixels * grid.pitch_mm**2),
        "u_reason": "from the confidence of each mark called etched; where borders lie is not in it",
    }


def _covered_mm2(mark: Mark) -> float:
    """What a mark covers: its outline's area, or its length times its width."""
    if mark.geometry["type"] == "LineString":
        return mark.length_mm * (mark.width_um or 0.0) / 1000.0
    coordinates = mark.geometry["coordinates"]
    rings = coordinates if mark.geometry["type"] == "Polygon" else [ring for part in coordinates for ring in part]
    area = 0.0
    for ring in rings:  # holes run the other way round
        x, y = np.array(ring, float).T
        area += float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum()) / 2
    return abs(area)


def _region(
    region: Region, marks: Sequence[Mark], classes: np.ndarray, known: np.ndarray, grid: Grid
) -> dict[str, Any]:
    seen = known[region.window.slices]
    area_dm2 = _area_dm2(seen, grid)
    scratches = [mark for mark in marks if mark.class_name == LATER and mark.geometry["type"] == "LineString"]
    lines = [np.array(mark.geometry["coordinates"], float) for mark in scratches]
    count = sum(region.holds(*middle(line)) for line in lines)
    length_mm = sum(length_inside(line, region) for line in lines)
    low, high = poisson_interval(count)
    shares = np.bincount(classes[region.window.slices][seen], minlength=len(CLASSES))
    return {
        "region": region.name,
        "x_mm": list(region.x_mm),
        "y_mm": list(region.y_mm),
        "area_dm2": area_dm2,
        "scratches": count,
        "scratches_per_dm2": count / area_dm2 if area_dm2 else None,
        "interval_95_per_dm2": [low / area_dm2, high / area_dm2] if area_dm2 else [None, None],
        "scratch_length_mm": length_mm,
        "scratch_length_mm_per_dm2": length_mm / area_dm2 if area_dm2 else None,
        "area_share": {
            name: float(shares[code]) / seen.sum() if seen.any() else None for name, code in CLASS_CODE.items()
        },
    }


def _events(marks: Sequence[Mark]) -> list[dict[str, Any]]:
    """Marks that belong to one event, such as the parallel scratches of one wipe; most marks first."""
    members: dict[str, list[Mark]] = {}
    for mark in marks:
        event = getattr(mark, "event", None)
        if event is not None:
            members.setdefault(str(event), []).append(mark)
    found = []
    for event, group in sorted(members.items(), key=lambda item: (-len(item[1]), item[0])):
        lines = [np.array(mark.geometry["coordinates"]) for mark in group if mark.geometry["type"] == "LineString"]
        axes = axes_of(lines)
        found.append(
            {
                "event": event,
                "marks": [mark.id for mark in group],
                "classes": dict(Counter(mark.class_name for mark in group)),
                "length_mm": sum(mark.length_mm for mark in group),
                "mean_deg": _number(axes.mean_deg),
                "u_mean_deg": _number(axes.u_mean_deg),
            }
        )
    return found


def order_at_crossings(marks: Sequence[Mark]) -> dict[str, Any]:
    """At how many crossings of a scratch with an etched mark the scratch is the later one; pairs of marks counted once.

    The interval (Wilson, 95 %) is of the share of the decided crossings, taken as independent.
    """
    class_of = {mark.id: mark.class_name for mark in marks}
    pairs: dict[tuple[str, str], str | None] = {}
    for mark in marks:
        for crossing in mark.crosses:
            other = str(crossing["id"])
            if {mark.class_name, class_of.get(other)} == {LATER, MADE}:
                pair = (mark.id, other) if mark.class_name == LATER else (other, mark.id)
                pairs[pair] = crossing["later"] or pairs.get(pair)
    later = sum(winner == scratch for (scratch, _), winner in pairs.items())
    decided = sum(winner is not None for winner in pairs.values())
    interval: list[float | None] = [None, None]
    if decided:
        found = stats.binomtest(later, decided).proportion_ci(method="wilson")
        interval = [float(found.low), float(found.high)]
    return {
        "crossings": len(pairs),
        "decided": decided,
        "scratch_later": later,
        "undecided": len(pairs) - decided,
        "share": later / decided if decided else None,
        "interval_95": interval,
        "sentence": _order_sentence(len(pairs), decided, later),
    }


def _order_sentence(crossings: int, decided: int, later: int) -> str:
    if not crossings:
        return "No scratch crosses an etched mark, so nothing is said of which came first."
    undecided = crossings - decided
    if not decided:
        return f"None of the {crossings} crossings of scratches with etched marks could be decided."
    return (
        f"The scratches are later than the etching at {later} of {decided} decided crossings ({undecided} undecided)."
    )


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
