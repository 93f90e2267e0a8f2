"""Rows of the page's and the report's tables, as text ready to print."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from lightdome.publish.scale import UNKNOWN, number, unit_words, with_uncertainty

MOST_ROWS = 300


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
        "crosses": [_crossing(str(mark["id"]), crossing) for crossing in mark.get("crosses") or ()],
        "evidence": [str(sentence) for sentence in mark.get("evidence") or ()],
    }


def _crossing(own: str, crossing: Mapping[str, Any]) -> str:
    other, later = str(crossing.get("id")), crossing.get("later")
    if later is None:
        return f"crosses {other}, order undecided"
    return f"crosses {other}, {'this one' if str(later) == own else other} is later"


def count_by_class(features: Sequence[Mapping[str, Any]]) -> list[tuple[str, int]]:
    """How many marks there are of each class, most first."""
    return Counter(str(feature["properties"]["class"]) for feature in features).most_common()


def texture_rows(texture: Mapping[str, Any]) -> list[dict[str, str]]:
    """Parameters of `surface/texture.json` by region: every plain number in it, with its unit where it says so."""
    units = texture.get("units", {})
    rows = []
    for region in texture.get("regions", []):
        for name, value in (region.get("parameters") or {}).items():
            known = isinstance(value, int | float)
            rows.append(
                {
                    "region": str(region.get("name", region.get("region", ""))),
                    "parameter": str(name),
                    "value": f"{value:.4g}".replace("-", "−") if known else UNKNOWN,
                    "unit": unit_words(str(units.get(name, ""))),
                }
            )
    return rows


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
