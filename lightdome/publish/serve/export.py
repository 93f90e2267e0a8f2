"""The findings of a plate for other programs: W3C Web Annotations and GeoJSON. Records in, JSON values out.

Both state the plate frame: millimetres, x to the right, y up, the origin at the field's image centre.
"""

from collections.abc import Mapping
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

from lightdome import __version__
from lightdome.publish.serve.changes import Change, State, fold
from lightdome.publish.serve.plate import Plate

FRAME = {
    "frame": "plate",
    "unit": "mm",
    "origin": "image centre on the plate surface",
    "axes": "x to the right along columns, y up against rows, seen from the camera",
}
CONTEXT = "http://www.w3.org/ns/anno.jsonld"
DOT_MM = 0.1
"""Radius that a point is drawn with."""


def to_geojson(plate: Plate, changes: list[Change]) -> dict[str, Any]:
    """Every finding as it stands now, proposed or drawn, decided or not (RFC 7946, in a frame that is stated)."""
    states = fold(changes)
    marks = plate.marks()
    names = [*marks, *(name for name in states if name not in marks)]
    return {
        "type": "FeatureCollection",
        "session": plate.session,
        "plate": plate.name,
        **FRAME,
        "last": changes[-1].sequence if changes else 0,
        "features": [_feature(marks.get(name), states.get(name, State(name))) for name in names],
    }


def to_annotations(plate: Plate, changes: list[Change]) -> dict[str, Any]:
    """What people said, an annotation a finding: https://www.w3.org/TR/annotation-model/."""
    marks = plate.marks()
    return {
        "@context": CONTEXT,
        "id": _urn(plate, "annotations"),
        "type": "AnnotationPage",
        "items": [_annotation(plate, marks.get(state.finding), state) for state in fold(changes).values()],
    }


def _feature(proposed: Mapping[str, Any] | None, state: State) -> dict[str, Any]:
    side, field = _place(state)
    decision = state.decision
    return {
        "type": "Feature",
        "id": state.finding,
        "geometry": _geometry(proposed, state),
        "properties": {
            "side": side,
            "field": field,
            "status": state.status,
            "proposed_still": proposed is not None if state.drawn is None else None,
            "class": _class(proposed, state),
            "proposed_class": proposed["properties"].get("class") if proposed else None,
            "confidence": proposed["properties"].get("confidence") if proposed else None,
            "author": decision.author if decision else None,
            "time": decision.time if decision else None,
            "reason": decision.reason if decision else None,
            "contested": state.contested,
            "drawn_by": state.changes[0].author if state.drawn else None,
            "comments": [
                {"author": comment.author, "time": comment.time, "text": comment.body["text"]}
                for comment in state.comments
            ],
        },
    }


def _annotation(plate: Plate, proposed: Mapping[str, Any] | None, state: State) -> dict[str, Any]:
    geometry = _geometry(proposed, state)
    side, field = _place(state)
    first, last = state.changes[0], state.changes[-1]
    named = _class(proposed, state)
    said = [_text("classifying", named)] if named else []
    if state.decision:
        said.append(_text("assessing", state.status, state.decision))
        if state.decision.reason:
            said.append(_text("describing", state.decision.reason, state.decision))
    said += [_text("commenting", comment.body["text"], comment) for comment in state.comments]
    return {
        "id": _urn(plate, state.finding),
        "type": "Annotation",
        "motivation": "assessing" if state.decision else "classifying" if state.drawn else "commenting",
        "created": first.time,
        "modified": last.time,
        "creator": _person(first.author),
        "generator": {"type": "Software", "name": f"lightdome {__version__}"},
        "body": said,
        "target": {
            "type": "SpecificResource",
            "source": {
                "id": _urn(plate, f"{side}/{field}"),
                "type": "Image",
                "label": f"{plate.name}, {side}, field {field}; {', '.join(FRAME.values())}",
            },
            **({"selector": {"type": "SvgSelector", "value": svg(geometry)}} if geometry else {}),
        },
    }


def svg(geometry: Mapping[str, Any]) -> str:
    """A geometry in plate mm as SVG: one unit is 1 mm, and y is turned to run up as it does on the plate."""
    coordinates = geometry["coordinates"]
    if geometry["type"] == "Point":
        x, y = coordinates[:2]
        shape = f'<circle cx="{x:g}" cy="{y:g}" r="{DOT_MM:g}"/>'
        points = [coordinates]
    else:
        is_area = geometry["type"] == "Polygon"
        lines = coordinates if is_area else [coordinates]
        path = "".join("M" + "L".join(f"{x:.6g} {y:.6g}" for x, y, *_ in line) + "Z" * is_area for line in lines)
        shape = (
            f'<path fill-rule="evenodd" d="{path}"/>' if is_area else f'<path fill="none" stroke="black" d="{path}"/>'
        )
        points = [position for line in lines for position in line]
    xs, ys = [point[0] for point in points], [point[1] for point in points]
    left, top = min(xs) - DOT_MM, -max(ys) - DOT_MM
    width, height = max(xs) - min(xs) + 2 * DOT_MM, max(ys) - min(ys) + 2 * DOT_MM
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.6g}mm" height="{height:.6g}mm" '
        f'viewBox="{left:.6g} {top:.6g} {width:.6g} {height:.6g}"><g transform="scale(1 -1)">{shape}</g></svg>'
    )


def _geometry(proposed: Mapping[str, Any] | None, state: State) -> Mapping[str, Any] | None:
    """Of a finding: as drawn, as proposed, or as it was when it was spoken of."""
    if state.drawn:
        return state.drawn["geometry"]
    known = proposed or state.about
    return known["geometry"] if known else None


def _place(state: State) -> tuple[str, str]:
    """Side and field."""
    if state.drawn:
        return state.drawn["side"], state.drawn["field"]
    side, field, _ = state.finding.rpartition(":")[2].split("/")
    return side, field


def _class(proposed: Mapping[str, Any] | None, state: State) -> str | None:
    if proposed:
        return state.named or proposed["properties"].get("class")
    return state.named or (state.about["class"] if state.about else None)


def _text(purpose: str, value: str, change: Change | None = None) -> dict[str, Any]:
    """A body of an annotation, with who said it and when where a person did."""
    body = {"type": "TextualBody", "purpose": purpose, "value": value, "format": "text/plain", "language": "en"}
    if change is None:
        return body
    if purpose in ("describing", "commenting"):
        del body["language"]
    return body | {"creator": _person(change.author), "created": change.time}


def _person(name: str) -> dict[str, str]:
    return {"type": "Person", "name": name}


def _urn(plate: Plate, what: str) -> str:
    """A name that is the same every time."""
    if what.startswith("person:"):
        return UUID(what.removeprefix("person:")).urn
    return uuid5(NAMESPACE_URL, f"lightdome:{plate.session}/{plate.name}/{what}").urn
