"""A field's products, read as far as they are there and drawn at the size of a picture.

With steps.py the only file of this word that opens anything.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.errors import LightdomeError, PublishError
from lightdome.lights.lamps import LampSet
from lightdome.publish import chart, class_map, flag_map, pictures, statistics, views
from lightdome.publish.records import FieldFacts, Lit, MapView, Missing, Picture, Sheet
from lightdome.publish.veil import Reader, Veil, veiled
from lightdome.raster import Grid
from lightdome.relight.render import render_lamp
from lightdome.session.records import FieldName, Session
from lightdome.session.sheet import plan_session, read_leniently
from lightdome.store import open_raster, read_json

SMALL_PRODUCTS = {
    "quality": "frames/quality.json",
    "lamps": "lights/lamps.json",
    "lobe": "surface/lobe.json",
    "texture": "surface/texture.json",
    "relight": "relight/quality.json",
    "marks": "marks/marks.geojson",
}
SUMMARY = "marks/summary.json"
COEFFICIENTS, CLASSES, FLAGS = "relight/coefficients.tif", "marks/class.tif", "surface/flags.tif"
RASTERS = (*dict.fromkeys(view.file for view in views.MAPS), FLAGS, CLASSES, COEFFICIENTS)
SMALL_PX = 320


def read_plate(plate_results: Path, session: Path, *, blur_prints: bool = False) -> tuple[Session, list[FieldFacts]]:
    """Facts of the session, and of each field of the plate that the results folder is named after.

    blur_prints : whether friction-ridge prints are to be shown blurred.
    """
    plan = plan_session(session)
    names = [name for name in plan.fields if name.plate == plate_results.resolve().name]
    if not names:
        raise PublishError(
            f"{plate_results}: session {plan.session} has no field of a plate of this name; name the plate's own folder"
        )
    return read_leniently(session), [_read_field(plate_results, name, blur_prints) for name in names]


def _read_field(plate_results: Path, name: FieldName, blur_prints: bool) -> FieldFacts:
    folder = plate_results / name.side / name.field
    found = {key: _json(folder / file) for key, file in SMALL_PRODUCTS.items()}
    absent = [file for key, file in SMALL_PRODUCTS.items() if found[key] is None]
    if lamps_of(found["lamps"]) is None:
        found["lamps"] = None
    marks = found.pop("marks")
    features = None if marks is None else marks.get("features", [])
    return FieldFacts(
        name,
        folder,
        marks=features,
        absent=tuple(absent),
        summary=_json(folder / SUMMARY),
        veil=Veil.of(features) if blur_prints else None,
        **found,
    )


def origins_of(field: FieldFacts) -> list[dict[str, Any]]:
    """Provenance of each product of a field that is there and can be read, in the plate's way."""
    origins = []
    for file in (*SMALL_PRODUCTS.values(), SUMMARY, *RASTERS):
        path = field.folder / file
        if not path.is_file():
            continue
        try:
            if path.suffix == ".tif":
                with open_raster(path) as reader:
                    origin = reader.provenance
            else:
                origin = read_json(path).get("provenance", {})
        except LightdomeError:
            continue
        origins.append({"file": file, **origin})
    return origins


def draw_field(field: FieldFacts, facts: Session, keys: Collection[str] | None = None) -> Iterator[Picture | Missing]:
    """Every picture of a field, in the page's order, one in memory at a time; `keys` to draw some of them."""
    identifier = " · ".join(part for part in (str(field.name).replace("/", " "), facts.date) if part)
    if keys is None or any(key.startswith("light") for key in keys):
        yield from _draw_light(field, identifier, keys)
    if keys is None or "classes" in keys:
        yield _draw_classes(field, identifier)
    if field.summary is not None and field.marks is not None:
        for key, title in statistics.TITLES.items():
            if keys is None or key in keys:
                yield Picture(
                    key,
                    title,
                    statistics.CAPTIONS[key],
                    f"{title}, {identifier}; the numbers stand in the tables beside it.",
                    _draw_chart(key, title, field.summary, field.marks, identifier),
                )
    for view in views.MAPS:
        if keys is None or view.key in keys:
            item = _draw_map(field, view, identifier)
            if item is not None:
                yield item
    if keys is None or "flags" in keys:
        yield _draw_flags(field, identifier)
    if keys is None or "lamp_layout" in keys:
        yield _lamp_layout(field)


def _draw_map(field: FieldFacts, view: MapView, identifier: str) -> Picture | Missing | None:
    try:
        with open_product(field.folder / view.file, field.veil) as reader:
            values = _band(reader, view.band)
            unit = next(band.unit for band in reader.bands if band.name == view.band)
            sheet = Sheet(view.title, identifier, _width_mm(reader))
    except LightdomeError as error:
        return None if view.optional else Missing(view.key, view.title, view.file, str(error))
    if view.optional and not np.isfinite(values).any():
        return None
    png = pictures.draw_map(values, unit, view.palette, view.span, sheet)
    return Picture(view.key, view.title, view.caption, views.alt_text(view, values, unit, identifier), png)


def _draw_light(field: FieldFacts, identifier: str, keys: Collection[str] | None) -> Iterator[Picture | Missing]:
    lits = views.lit_views(*views.elevations_deg(lamps_of(field.lamps)))
    wanted = [lit for lit in lits if keys is None or lit.key in keys]
    try:
        with open_product(field.folder / COEFFICIENTS, field.veil) as reader:
            coefficients, width_mm = reader.read_reduced(pictures.LONGEST_PX), _width_mm(reader)
    except LightdomeError as error:
        yield Missing("light", "Under a lamp", COEFFICIENTS, str(error))
        return
    white = pictures.white_of(_raking_lights(coefficients, lits))
    for lit in wanted:
        light = render_lamp(coefficients, lit.azimuth_deg, lit.elevation_deg)
        shown_white = white if lit in lits[:4] else pictures.white_of(light)
        sheet = Sheet(f"Light {lit.words}", identifier, width_mm)
        png = pictures.draw_light(light, shown_white, lit.azimuth_deg, lit.elevation_deg, sheet)
        alt = f"{identifier} as it looks under light {lit.words}."
        yield Picture(lit.key, f"Light {lit.words}", views.LIGHT_CAPTION, alt, png)


def _draw_classes(field: FieldFacts, identifier: str) -> Picture | Missing:
    title = "What made each mark"
    try:
        with open_product(field.folder / CLASSES) as reader:
            classes, width_mm = reader.read_reduced(pictures.LONGEST_PX)[0], _width_mm(reader)
    except LightdomeError as error:
        return Missing("classes", title, CLASSES, str(error))
    light = _raking(field.folder, pictures.LONGEST_PX, field.veil)
    png = class_map.draw_classes(classes, light, field.marks or [], Sheet(title, identifier, width_mm))
    return Picture("classes", title, class_map.CAPTION, class_map.alt_text(classes, identifier), png)


def _draw_chart(key: str, title: str, summary: dict[str, Any], marks: list[dict[str, Any]], identifier: str) -> bytes:
    if key == "rose":
        return chart.draw_rose(summary["by_class"], title, identifier)
    if key == "sections":
        return chart.draw_sections(marks, title, identifier)
    left, right = summary["regions"][0]["x_mm"]
    return chart.draw_density(summary["regions"], Sheet(title, identifier, right - left))


def _draw_flags(field: FieldFacts, identifier: str) -> Picture | Missing:
    title = "How far the normals can be trusted"
    try:
        with open_product(field.folder / FLAGS) as reader:
            flags, width_mm = reader.read_reduced(pictures.LONGEST_PX)[0], _width_mm(reader)
        if field.veil is not None:
            small = Grid(flags.shape, width_mm / flags.shape[1])
            flags = field.veil.without_codes(small, small.window, flags)
    except LightdomeError as error:
        return Missing("flags", title, FLAGS, str(error))
    png = flag_map.draw_flags(flags, Sheet(title, identifier, width_mm))
    return Picture("flags", title, flag_map.CAPTION, flag_map.alt_text(flags, identifier), png)


def _lamp_layout(field: FieldFacts) -> Picture | Missing:
    title, file = "Where the lamps stood", "frames/lamp_layout.png"
    if field.lamps and field.lamps.get("spheres"):
        file = "lights/spheres.png"
    path = field.folder / file
    if not path.is_file():
        return Missing("lamp_layout", title, file, "it was not made")
    return Picture("lamp_layout", title, views.LAMPS_CAPTION, views.lamps_alt(field.lamps), path.read_bytes())


@contextmanager
def open_product(path: Path, veil: Veil | None = None) -> Iterator[Reader]:
    """Open a raster product, to be seen through a veil where there is one; PublishError where it was not made."""
    if not path.is_file():
        raise PublishError("it was not made")
    with open_raster(path) as reader:
        yield veiled(reader, veil)


def _band(reader: Reader, name: str) -> np.ndarray:
    names = [band.name for band in reader.bands]
    if name not in names:
        raise PublishError(f"it has no band {name}")
    return reader.read_reduced(pictures.LONGEST_PX)[names.index(name)]


def _width_mm(reader: Reader) -> float:
    return reader.grid.shape[1] * reader.grid.pitch_mm


def _raking(folder: Path, longest_px: int, veil: Veil | None = None) -> np.ndarray | None:
    """A field's light (rows, columns) under a low lamp on the left, or None where there is no model."""
    lit = views.lit_views(*views.elevations_deg(lamps_of(_json(folder / SMALL_PRODUCTS["lamps"]))))[2]
    try:
        with open_product(folder / COEFFICIENTS, veil) as reader:
            return render_lamp(reader.read_reduced(longest_px), lit.azimuth_deg, lit.elevation_deg)
    except LightdomeError:
        return None


def lamps_of(facts: dict[str, Any] | None) -> LampSet | None:
    """The lamps, or None where they are not known or cannot be understood."""
    try:
        return LampSet.from_dict(facts) if facts else None
    except LightdomeError:
        return None


def _json(path: Path) -> dict[str, Any] | None:
    """A small product, or None where it is missing or cannot be read."""
    try:
        return read_json(path)
    except LightdomeError:
        return None


def raking_white(field: FieldFacts) -> float | None:
    """The light that the still pictures show as white under their low lamps; None where there is no model."""
    try:
        with open_product(field.folder / COEFFICIENTS) as reader:
            coefficients = reader.read_reduced(pictures.LONGEST_PX)
    except LightdomeError:
        return None
    return pictures.white_of(
        _raking_lights(coefficients, views.lit_views(*views.elevations_deg(lamps_of(field.lamps))))
    )


def _raking_lights(coefficients: np.ndarray, lits: tuple[Lit, ...]) -> np.ndarray:
    """Light (lamp, rows, columns) under the low lamps."""
    return np.stack([render_lamp(coefficients, lit.azimuth_deg, lit.elevation_deg) for lit in lits[:4]])


def draw_small(folder: Path) -> bytes | None:
    """A small picture of a field in light from the left, without words; None where there is no model of it."""
    light = _raking(folder, SMALL_PX)
    return None if light is None else pictures.bare_picture(light)
