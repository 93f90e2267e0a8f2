"""What the review page is told of a plate: its fields, their display layers, and what is missing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.errors import LightdomeError, PublishError
from lightdome.lights.lamps import LampSet
from lightdome.publish import views
from lightdome.publish.coding import Coding
from lightdome.publish.records import FieldFacts
from lightdome.session.records import Session
from lightdome.surface.lobe import Lobe

FORMAT = 1
MAPS = {view.key: view for view in views.MAPS}
SINGLE = {
    "height": MAPS["height"],
    "height_uncertainty": MAPS["height_uncertainty"],
    "tilt_uncertainty": MAPS["tilt_uncertainty"],
    "curvature": MAPS["curvature_mean"],
    "roughness": MAPS["roughness"],
    "specular": MAPS["specular"],
    "diffuse": MAPS["reflectance"],
}
"""Layers of one band, and the map of the still pictures that each shows."""
MEASURED = {
    "height": "surface/height.tif",
    "height_uncertainty": "surface/height_uncertainty.tif",
    "normals": "surface/normals.tif",
    "normal_uncertainty": "surface/normal_uncertainty.tif",
    "reflectance": "surface/reflectance.tif",
    "curvature": "surface/curvature.tif",
    "class": "marks/class.tif",
}
"""Products of full resolution that the page measures in."""


@dataclass(frozen=True)
class Layer:
    """One display layer of one field."""

    name: str
    title: str
    file: str
    """Below the review folder."""
    bands: tuple[str, ...]
    unit: str
    coding: Coding
    shape: tuple[int, int]
    pitch_mm: float
    span: str | None = None
    """How the legend spans, as in `MapView`; None where there is no legend of numbers."""
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if (self.low is None) != (self.high is None) or (self.low is not None and not self.low < (self.high or 0.0)):
            raise PublishError(f"layer {self.name}: the display range {self.low} to {self.high} is none")

    def as_dict(self) -> dict[str, Any]:
        """For the manifest."""
        return {
            "title": self.title,
            "file": self.file,
            "bands": list(self.bands),
            "unit": self.unit,
            "coding": self.coding.as_dict(),
            "span": self.span,
            "low": self.low,
            "high": self.high,
            "max_error": self.coding.max_error,
        }


@dataclass(frozen=True)
class NoLayer:
    """A layer that could not be made."""

    name: str
    why: str


def plate_entry(session: Session, name: str, fields: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The manifest of a plate."""
    plate = session.plates.get(name)
    return {
        "format": FORMAT,
        "session": session.name,
        "plate": name,
        "title": plate.title if plate else "",
        "date": session.date,
        "material": plate.material if plate else "",
        "size_mm": list(plate.size_mm) if plate and plate.size_mm else None,
        "fields": list(fields),
    }


def field_entry(
    field: FieldFacts, session: Session, made: Sequence[Layer | NoLayer], white: float | None
) -> dict[str, Any]:
    """One field of the manifest; paths are relative to the review folder.

    Where prints are blurred, the products of full detail are not named.

    white : linear light that is shown as white.
    """
    lamps = LampSet.from_dict(field.lamps) if field.lamps else None
    layers = [layer for layer in made if isinstance(layer, Layer)]
    names = {layer.name for layer in layers}
    first = layers[0] if layers else None
    beside = f"../{field.name.side}/{field.name.field}"
    there = {key: file for key, file in MEASURED.items() if (field.folder / file).is_file() and field.veil is None}
    return {
        "side": field.name.side,
        "field": field.name.field,
        "title": f"{field.name.side}, field {field.name.field}",
        "shape": list(first.shape) if first else None,
        "pitch_mm": first.pitch_mm if first else None,
        "u_pitch_rel": session.camera.u_pixel_pitch or None,
        "camera_distance_mm": lamps.camera_distance_mm if lamps else None,
        "lamps": lamp_entry(lamps) if lamps else None,
        "white": white,
        "model": "lobe" if "relight" in names and _recommended(field) == "lobe" else "harmonics",
        "lobe": lobe_entry(field.relight) if "relight" in names else None,
        "layers": {layer.name: layer.as_dict() for layer in layers},
        "measured": {key: f"{beside}/{file}" for key, file in there.items()},
        "marks": f"{beside}/marks/marks.geojson" if field.marks is not None else None,
        "blurred": field.veil.sentence if field.veil else None,
        "missing": [{"layer": layer.name, "why": layer.why} for layer in made if isinstance(layer, NoLayer)],
    }


def lamp_entry(lamps: LampSet) -> dict[str, Any]:
    """The lamps that the field was photographed under."""
    facts = lamps.as_dict()["lamps"]
    heights = [lamp["elevation_deg"] for lamp in facts]
    near = lamps.model == "near"
    return {
        "model": lamps.model,
        "distance_mm": float(np.median(np.linalg.norm(lamps.vectors, axis=1))) if near else None,
        "lowest_deg": min(heights),
        "highest_deg": max(heights),
        "used": [
            {"name": lamp["lamp"], "azimuth_deg": lamp["azimuth_deg"], "elevation_deg": lamp["elevation_deg"]}
            for lamp in facts
        ],
    }


def relight_facts(relight: Mapping[str, Any] | None) -> dict[str, Any]:
    """What `relight/quality.json` says of the lobe model; PublishError where it says nothing."""
    try:
        facts = dict((relight or {})["lobe"])
        Lobe.from_dict(facts["lobe"])
        facts["packed"]["ranges"].items()
    except (KeyError, TypeError, AttributeError, LightdomeError) as error:
        raise PublishError(f"relight/quality.json has no lobe and no ranges ({error}): run fit-relighting") from error
    return facts


def lobe_entry(relight: Mapping[str, Any] | None) -> dict[str, Any]:
    """The lobe that the packed layer goes with, as `surface/lobe.py` reflects with it."""
    lobe = Lobe.from_dict(relight_facts(relight)["lobe"])
    return {
        "table": [float(value) for value in lobe.table],
        "diffuse_curvature": lobe.diffuse_curvature,
        "shadowing": lobe.shadowing,
        "stretched": [float(value) for value in lobe.stretched],
        "integral": lobe.integral,
    }


def _recommended(field: FieldFacts) -> str:
    return str((field.relight or {}).get("model", ""))


def plain_error(low: float, high: float, largest: float) -> float:
    """Error that a legend from low to high does not show: a thousandth of it, and no more than `largest`."""
    return min(largest, (high - low) / 1000)
