"""What `marks/summary.json` says, as sentences and rows ready to print."""

from collections.abc import Mapping, Sequence
from typing import Any

from lightdome.publish.chart import mean_words
from lightdome.publish.scale import UNKNOWN, figures, number, with_uncertainty

MOST_EVENTS = 12
MOST_AREAS = 6
CAPTIONS = {
    "rose": "Length of the lines by direction, counter-clockwise from the right edge; one rose a class. "
    "U (k = 2) is from the scatter of the lines.",
    "sections": "Of lines at least three pixels wide. Each value's own uncertainty stands in the table of marks.",
    "density": "Scratches whose middle lies in the region, and the length of scratches inside it. "
    "The counts are those found; their Poisson interval stands in the table.",
}
TITLES = {
    "rose": "Which way the lines run",
    "sections": "How deep and how wide the lines are",
    "density": "Scratches per dm²",
}


def statistics_of(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Sentences, and the rows of the tables by class and by region."""
    return {
        "sentences": [
            _density_sentence(summary["density"]),
            _etched_sentence(summary["etched_share"]),
            str(summary["order"]["sentence"]) + _order_interval(summary["order"]),
            *(facts["sentence"] for facts in summary["residue_by_class"].values() if facts["marks"]),
            *_structure_sentences(summary["structure"]),
            *_event_sentences(summary["events"]),
        ],
        "classes": [_class_row(name, facts) for name, facts in summary["by_class"].items()],
        "regions": [_region_row(region) for region in summary["regions"]],
    }


def _density_sentence(density: Mapping[str, Any]) -> str:
    low, high = density["interval_95_per_dm2"]
    count = density["count"]
    found = f"{count} {'scratch was' if count == 1 else 'scratches were'} found"
    if density["per_dm2"] is None:
        return f"{found}; no area is known."
    return (
        f"{found} on {density['area_dm2']:.3g} dm²: {figures(density['per_dm2'])} per dm² "
        f"(95 % interval {figures(low)} to {figures(high)}, from counting alone) and "
        f"{figures(density['length_mm_per_dm2'])} mm of scratches per dm²."
    )


def _etched_sentence(share: Mapping[str, Any]) -> str:
    if share["value"] is None:
        return "The etched share is not known: no height is known."
    return (
        f"{number(100 * share['value'], 1)} ± {number(200 * share['u'], 1)} % of the field is etched "
        "(U, k = 2, from the confidence of the marks called etched; where borders lie is not in it)."
    )


def _order_interval(order: Mapping[str, Any]) -> str:
    low, high = order["interval_95"]
    if low is None:
        return ""
    return f" The 95 % interval of that share is {number(100 * low, 0)} to {number(100 * high, 0)} %."


def _event_sentences(events: Sequence[Mapping[str, Any]]) -> list[str]:
    sentences = []
    for event in events[:MOST_EVENTS]:
        mean = "" if event["mean_deg"] is None else f", along {number(event['mean_deg'], 1)}°"
        sentences.append(
            f"Event {event['event']}: {len(event['marks'])} marks ({', '.join(event['marks'][:8])}"
            f"{', …' if len(event['marks']) > 8 else ''}), {number(event['length_mm'], 1)} mm{mean}."
        )
    if len(events) > MOST_EVENTS:
        sentences.append(f"{len(events) - MOST_EVENTS} smaller events stand in marks/summary.json.")
    return sentences


def _structure_sentences(structures: Sequence[Mapping[str, Any]]) -> list[str]:
    """What the largest etched areas are made of; their marks say why."""
    largest = sorted(structures, key=lambda facts: -facts["area_mm2"])
    sentences = []
    for facts in largest[:MOST_AREAS]:
        grains = ""
        if facts["verdict"] == "grained":
            u = facts["u_grains_per_mm2"]
            grains = f", {with_uncertainty(facts['grains_per_mm2'], u)} grains per mm² (U, k = 2, from counting alone)"
        sentences.append(f"Etched area {facts['id']} ({figures(facts['area_mm2'])} mm²): {facts['verdict']}{grains}.")
    if len(largest) > MOST_AREAS:
        sentences.append(f"{len(largest) - MOST_AREAS} smaller areas stand in marks/summary.json.")
    return sentences


def _class_row(name: str, facts: Mapping[str, Any]) -> dict[str, str]:
    return {
        "class": name,
        "count": str(facts["count"]),
        "unresolved": str(facts["unresolved"]),
        "length": with_uncertainty(facts["line_length_mm"], facts["u_line_length_mm"]) if facts["lines"] else UNKNOWN,
        "direction": ", ".join(mean_words(facts["orientation"])) if facts["lines"] else UNKNOWN,
        "depth": _spread(facts["depth_um"]),
        "width": _spread(facts["width_um"]),
    }


def _spread(facts: Mapping[str, Any]) -> str:
    """Median with its 95 % interval, and the middle 90 % of the values."""
    shares = facts["percentiles"]
    if shares["p50"] is None:
        return UNKNOWN
    low, high = facts["median_interval_95"]
    sure = "interval unknown" if low is None or high is None else f"{figures(low)} to {figures(high)}"
    return f"{figures(shares['p50'])} ({sure}), {figures(shares['p5'])} to {figures(shares['p95'])}"


def _region_row(region: Mapping[str, Any]) -> dict[str, str]:
    low, high = region["interval_95_per_dm2"]
    etched = region["area_share"]["etched"]
    return {
        "region": str(region["region"]),
        "scratches": str(region["scratches"]),
        "per_dm2": figures(region["scratches_per_dm2"]),
        "interval": UNKNOWN if low is None else f"{figures(low)} to {figures(high)}",
        "length_mm": number(region["scratch_length_mm"], 1),
        "etched_percent": UNKNOWN if etched is None else number(100 * etched, 1),
    }
