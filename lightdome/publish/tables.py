"""Rows of the page's and the report's tables, as text ready to print."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from lightdome.publish.scale import UNKNOWN, number, unit_words, with_uncertainty

MOST_ROWS = 300
PARAMETER_WORDS = {"height_0_1_percent": "height, 0.1 %", "height_99_9_percent": "height, 99.9 %"}
INDEX_WORDS = {"s_filter_mm": "S-filter", "l_filter_mm": "L-filter"}


def mark_rows(features: Sequence[Mapping[str, Any]], most: int = MOST_ROWS) -> list[dict[str, Any]]:
    """The longest marks, later ones before the picture's own; numbers with U (k = 2) where an uncertainty is known."""
    order = sorted(
        (feature["properties"] for feature in features),
        key=lambda mark: (mark["class"] in ("etched", "land"), -(mark["length_mm"] or 0), str(mark["id"])),
    )
    return [_mark_row(mark) for mark in order[:most]]


def _mark_row(mark: Mapping[str, Any]) -> dict[str, Any]:
    narrow = mark.get("resolved") is False
    return {
        "id": str(mark["id"]),
        "class": str(mark["class"]),
        "confidence": number(mark.get("confidence"), 2),
        "length_mm": number(mark.get("length_mm"), 2),
        "width_um": with_uncertainty(mark.get("width_um"), mark.get("u_width_um")),
        "depth_um": "too narrow to measure"
        if narrow
        else with_uncertainty(mark.get("depth_um"), mark.get("u_depth_um")),
        "crosses": _crossings(str(mark["id"]), mark.get("crosses") or ()),
        "evidence": [str(sentence) for sentence in mark.get("evidence") or ()],
    }


def _crossings(own: str, crossings: Sequence[Mapping[str, Any]]) -> list[str]:
    """What a mark crosses, and which is later, in at most three sentences."""
    laters = {str(crossing.get("id")): crossing.get("later") for crossing in crossings}
    after = [other for other, later in laters.items() if later is not None and str(later) == own]
    before = [other for other, later in laters.items() if later is not None and str(later) != own]
    undecided = [other for other, later in laters.items() if later is None]
    said = (
        ("It is later than", after),
        ("It is earlier than", before),
        ("Order in time undecided against", undecided),
    )
    return [f"{words} {', '.join(others)}, which it crosses." for words, others in said if others]


def count_by_class(features: Sequence[Mapping[str, Any]]) -> list[tuple[str, int]]:
    """How many marks there are of each class, most first."""
    return Counter(str(feature["properties"]["class"]) for feature in features).most_common()


def texture_table(texture: Mapping[str, Any]) -> dict[str, Any]:
    """`surface/texture.json` with a row a parameter and a column a region, and what belongs to its reading."""
    regions = texture.get("regions", [])
    parameters = list(dict.fromkeys(name for region in regions for name in region["parameters"]))
    rows = []
    for parameter in parameters:
        found = [region["parameters"].get(parameter, {}) for region in regions]
        unit = next((one["unit"] for one in found if "unit" in one), "")
        values = [_figures(one.get("value")) for one in found]
        rows.append(
            {"parameter": PARAMETER_WORDS.get(parameter, parameter), "unit": unit_words(unit), "values": values}
        )
    indices = texture.get("nesting_indices", {})
    return {
        "regions": [str(region["region"]) for region in regions],
        "rows": rows,
        "standard": str(texture.get("standard", "")),
        "indices": ", ".join(f"{INDEX_WORDS.get(name, name)} {value:g} mm" for name, value in indices.items()),
        "cautions": [str(text) for text in (*texture.get("cautions", ()), texture.get("u_reason", "")) if text],
    }


def _figures(value: float | None) -> str:
    """Three figures; a dash where unknown."""
    return UNKNOWN if value is None else f"{value:#.3g}".rstrip(".").replace("-", "−")


def order_rows(relight: Mapping[str, Any]) -> list[dict[str, str]]:
    """Error on left-out lamps by order of the model."""
    return [
        {
            "order": str(order["order"]),
            "coefficients": str(order["coefficients"]),
            "psnr_db": number(order["psnr_db"], 1),
            "rms": f"{order['rms']:.2g}" if order["rms"] is not None else UNKNOWN,
            "stored": "stored" if order["order"] == relight["order"] else "",
        }
        for order in relight["orders"]
    ]
