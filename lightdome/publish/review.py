"""What stands on a plate's page, as plain values for the template."""

from collections.abc import Mapping, Sequence
from typing import Any

from lightdome.publish.records import FieldFacts, Missing, Picture
from lightdome.publish.statistics import TITLES, statistics_of
from lightdome.publish.tables import MOST_ROWS, count_by_class, mark_rows, order_rows, texture_table
from lightdome.session.records import Session

GROUPS = (
    ("Relief", ("height", "height_uncertainty", "etched_height", "scratch_height", "tooled_height", "fine_texture")),
    ("Which way the surface faces", ("slope_x", "slope_y", "tilt_uncertainty", "flags")),
    ("How it reflects", ("reflectance", "specular", "roughness")),
    ("How it bends", ("curvature_mean", "curvature_k1", "curvature_k2", "curvature_gaussian")),
)
LIGHT_WORDS = {"none": "none of it", "low": "low", "medium": "medium", "high": "high"}


def plate_facts(session: Session, name: str) -> dict[str, Any]:
    """The object and the session, as they were written down."""
    plate = session.plates.get(name)
    size = " × ".join(f"{side:g}" for side in plate.size_mm) + " mm" if plate and plate.size_mm else ""
    return {
        "name": name,
        "title": plate.title if plate else "",
        "material": plate.material if plate else "",
        "size": size,
        "light_sensitive": LIGHT_WORDS.get(plate.most_light_sensitive, "") if plate else "",
        "session": session.name,
        "date": session.date,
        "operator": session.operator,
        "place": session.place,
        "pixel_pitch": f"{session.camera.pixel_pitch_mm:g} mm",
        "projection": session.camera.projection,
    }


def field_section(
    field: FieldFacts, shown: Sequence[Picture | Missing], origins: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """One field of the page."""
    by_key = {item.key: item for item in shown}
    lights = [item for item in shown if item.key.startswith("light_")]
    groups = [(title, [by_key[key] for key in keys if key in by_key]) for title, keys in GROUPS]
    marks = field.marks
    return {
        "statistics": statistics_of(field.summary) if field.summary else None,
        "charts": [by_key[key] for key in TITLES if key in by_key],
        "side": field.name.side,
        "field": field.name.field,
        "anchor": field.anchor,
        "folder": f"../{field.name.side}/{field.name.field}",
        "lights": lights,
        "no_light": by_key.get("light"),
        "classes": by_key.get("classes"),
        "groups": groups,
        "lamps": by_key.get("lamp_layout"),
        "lamp_count": len(field.lamps["lamps"]) if field.lamps else None,
        "verdict": verdict(field.quality),
        "solved": solved(field.lobe),
        "blurred": field.veil.sentence if field.veil else "",
        "marks": None if marks is None else mark_rows(marks),
        "mark_count": len(marks or ()),
        "most_rows": MOST_ROWS,
        "counts": count_by_class(marks or ()),
        "texture": texture_table(field.texture) if field.texture else None,
        "orders": order_rows(field.relight) if field.relight else None,
        "relight_notes": field.relight["notes"] if field.relight else [],
        "missing": [item for item in shown if isinstance(item, Missing)],
        "absent": field.absent,
        "origins": [origin_row(origin) for origin in origins],
    }


SOLVED = {
    "microfacet": "Normals from the whole lobe of the metal: one lobe and a diffuse part a pixel, several slopes where "
    "that fails; the lobe is the plate's own, learned from its pixels.",
    "robust": "Normals as of a matte surface, highlights and shadows left out by rank: on metal, depths are too large.",
    "least-squares": "Normals as of a matte surface by least squares: on metal, depths are far too large.",
}
"""By the method in `surface/lobe.json`."""


def solved(lobe: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """How the normals were solved, and what to know about it."""
    if lobe is None:
        return None
    said = [str(lobe[key]) for key in ("warning", "note") if lobe.get(key)]
    return {"how": SOLVED.get(str(lobe.get("method")), ""), "said": said, "warned": bool(lobe.get("warning"))}


def verdict(quality: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """The capture's verdict with its reasons."""
    if quality is None:
        return None
    layout = quality.get("lamp_layout") or {}
    return {
        "word": str(quality.get("verdict", "not judged")),
        "reasons": [str(text) for text in quality.get("reasons", ())],
        "warnings": [str(text) for text in quality.get("warnings", ())],
        "condition": f"{layout['condition_number']:.1f}" if layout.get("condition_number") is not None else "",
        "frames": len(quality.get("frames", ())),
    }


def origin_row(origin: Mapping[str, Any]) -> dict[str, str]:
    """One product and where it comes from."""
    settings = ", ".join(f"{key} = {value}" for key, value in (origin.get("settings") or {}).items())
    return {
        "file": str(origin["file"]),
        "step": str(origin.get("step", "")),
        "version": str(origin.get("version", "")),
        "created": str(origin.get("created", "")),
        "settings": settings,
    }
