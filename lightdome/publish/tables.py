"""Rows of the page's and the report's tables, as text ready to print."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from lightdome.publish.scale import UNKNOWN, number, unit_words, with_uncertainty

MOST_ROWS = 300
PARAMETER_WORDS = {
    "Sa": "mean height",
    "Sq": "root mean square height",
    "Ssk": "skewness",
    "Sku": "kurtosis, 3 if normal",
    "Sp": "highest peak",
    "Sv": "deepest pit",
    "Sz": "Sp and Sv together",
    "height_0_1_percent": "height that 0.1 % lie below",
    "height_99_9_percent": "height that 99.9 % lie below",
    "S10z": "S5p and S5v together",
    "S5p": "mean of the five highest peaks",
    "S5v": "mean of the five deepest pits",
    "Sal": "shortest correlation length",
    "Str": "0 directional, 1 isotropic",
    "Std": "direction of the lay",
    "Sdq": "root mean square slope",
    "Sdr": "area beyond that of the plane",
    "Sk": "height of the core",
    "Spk": "height of the peaks above it",
    "Svk": "depth of the valleys below it",
    "Smrk1": "share of the peaks",
    "Smrk2": "share of peaks and core",
    "Sxp": "height from 50 % to 2.5 % of the area",
    "Vmp": "material of the peaks",
    "Vmc": "material of the core",
    "Vvc": "void of the core",
    "Vvv": "void of the valleys",
    "Spd": "density of peaks",
    "Spc": "mean curvature of the peaks",
    "Svd": "density of pits",
    "Svc": "mean curvature of the pits",
}
NO_SYMBOL = ("height_0_1_percent", "height_99_9_percent")
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
        values = [_texture_value(one) for one in found]
        rows.append(
            {
                "parameter": "" if parameter in NO_SYMBOL else parameter,
                "meaning": PARAMETER_WORDS.get(parameter, ""),
                "unit": unit_words(unit),
                "values": values,
            }
        )
    filters = [
        f"{INDEX_WORDS.get(name, name)} {value:g} mm" for name, value in texture.get("nesting_indices", {}).items()
    ]
    return {
        "regions": [str(region["region"]) for region in regions],
        "rows": rows,
        "standard": str(texture.get("standard", "")),
        "indices": "; ".join(part for part in (str(texture.get("order_of_work", "")), ", ".join(filters)) if part),
        "undefined": _undefined(regions),
        "cautions": [str(text) for text in (*texture.get("cautions", ()), texture.get("u_reason", "")) if text],
    }


def _undefined(regions: Sequence[Mapping[str, Any]]) -> list[str]:
    """Why parameters are not defined: a sentence a reason, with the parameters of each region."""
    named: dict[str, dict[str, list[str]]] = {}
    for region in regions:
        for parameter, found in region["parameters"].items():
            if found.get("reason"):
                named.setdefault(str(found["reason"]), {}).setdefault(str(region["region"]), []).append(parameter)
    said = []
    for reason, by_region in named.items():
        alike: dict[str, list[str]] = {}
        for name, parameters in by_region.items():
            alike.setdefault(", ".join(parameters), []).append(name)
        where = "; ".join(f"{parameters} ({', '.join(names)})" for parameters, names in alike.items())
        said.append(f"{where}: {reason}")
    return said


def _texture_value(found: Mapping[str, Any]) -> str:
    """With U (k = 2) where an uncertainty is known."""
    if found.get("reason"):
        return "not defined"
    if found.get("u") is not None:
        return with_uncertainty(found.get("value"), found["u"])
    return _figures(found.get("value"))


def _figures(value: float | None) -> str:
    """Three figures; a dash where unknown."""
    if value is None:
        return UNKNOWN
    figures = f"{value:#.3g}".rstrip(".") if abs(value) < 1000 else f"{float(f'{value:.3g}'):.0f}"
    return figures.replace("-", "−")


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
