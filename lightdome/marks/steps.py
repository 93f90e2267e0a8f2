"""The steps of this word: paths in, paths out."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.errors import GridError, MarkError
from lightdome.marks.area_structure import with_structure
from lightdome.marks.classify import Maps, classify
from lightdome.marks.detect import Settings, confirm, find
from lightdome.marks.features import COLUMNS, collection, table_row, traces_as_json, traces_from_json
from lightdome.marks.field import above_floors, field_of
from lightdome.marks.paint import painted
from lightdome.marks.prints import find_prints, print_marks, unseen, without_ridges
from lightdome.marks.records import CLASS_CODE, Roughness
from lightdome.marks.residue import with_residue
from lightdome.marks.split import BANDS, split
from lightdome.marks.summary import summary_of
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster, Window
from lightdome.store import open_raster, open_stack, raster_writer, read_json, write_json, write_raster, write_table
from lightdome.tiles import TILE_PX, tiles
from lightdome.units import UM_PER_MM

SHINES = 0.5
"""Share of a line's length along which the light of its pixels needs several slopes: no height need show it."""
AREA_BAND = Band("area", "1")
CLASS_BAND = Band("class", "1")
COLOUR = "colour"
SHINE = ("total", "diffuse", "specular", "roughness", COLOUR)
FILM = {
    "specular": "specular reflectance",
    "roughness": "roughness of the sheen",
    "diffuse": "diffuse reflectance",
    COLOUR: "colour",
}
"""What can show a film on the metal, and what people call it."""


def trace_marks(
    *,
    height: Path,
    height_uncertainty: Path,
    normal_uncertainty: Path,
    curvature: Path,
    traces: Path,
    areas: Path,
    reference_cutoff_mm: float = 8.0,
    widest_line_um: float = 500.0,
    threshold: float = 6.0,
    longest_gap_um: float = 1500.0,
    shortest_mm: float = 0.25,
    threads: int = 1,
    tile_px: int = TILE_PX,
) -> None:
    """Lines joined into traces, and areas below or above the surface beside them.

    Writes `traces` (JSON: polylines in plate mm) and `areas` (band area: 1, 2, ... below; -1, -2, ... above; 0 none;
    NaN unknown).

    reference_cutoff_mm : cut-off of the surface that counts as land (ISO 16610-61 weight; 8 mm is the widest usual
    index that keeps the drift of photometric heights out, ISO 25178-3, from memory). widest_line_um : wider is an
    area. threshold : rise over noise a line needs: 4 is enough on rolled metal (tests/marks/test_lines.py), 6 keeps
    crowded lettering from branching.
    longest_gap_um : bridged between pieces of one line, as far as they are twice as long. shortest_mm : shorter traces
    are dropped.
    """
    settings = {
        "reference_cutoff_mm": reference_cutoff_mm,
        "widest_line_um": widest_line_um,
        "threshold": threshold,
        "longest_gap_um": longest_gap_um,
        "shortest_mm": shortest_mm,
    }
    for name, value in settings.items():
        if not (np.isfinite(value) and value > 0):
            raise MarkError(f"trace_marks: {name} must be positive, got {value}; correct the setting")
    height_um, grid = _band(height, "height")
    u_height_um, _ = _band(height_uncertainty, "u_height", like=(height, grid))
    u_tilt_deg, _ = _band(normal_uncertainty, "u_tilt", like=(height, grid))
    field = replace(field_of(height_um, u_height_um, reference_cutoff_mm / grid.pitch_mm), u_tilt_deg=u_tilt_deg)
    told = Settings.of(grid.pitch_mm, widest_line_um, threshold, longest_gap_um, shortest_mm)
    found = find(field, told, threads, tile_px)
    for kind, band in (("valley", "k2"), ("ridge", "k1")):
        bend, _ = _band(curvature, band, like=(height, grid))
        found = confirm(found, bend, kind)
    sources = [height, height_uncertainty, normal_uncertainty, curvature]
    provenance = Provenance.of("trace-marks", sources, settings)
    labels = np.where(np.isfinite(height_um), found.labels, np.nan).astype(np.float32)
    write_raster(areas, Raster(labels[None], grid, (AREA_BAND,)), provenance)
    write_json(traces, {**traces_as_json(found, grid), "provenance": provenance.as_dict()})


def classify_marks(
    *,
    height: Path,
    height_uncertainty: Path,
    normal_uncertainty: Path,
    reflectance: Path,
    traces: Path,
    areas: Path,
    marks: Path,
    table: Path,
    classes: Path,
    summary: Path,
    stack: Path | None,
) -> None:
    """Section, most likely cause, evidence and confidence of every mark.

    Writes `marks` (GeoJSON in plate mm), `table` (the same as CSV), `classes` (band class) and `summary` (statistics).
    No mark at all is a result: an empty collection, a table of its header alone, classes all 0.

    stack : of the photographs, for their mean colour; None: colour is not looked at.
    """
    sources = [height, height_uncertainty, normal_uncertainty, reflectance, traces, areas, *([stack] if stack else [])]
    height_um, grid = _band(height, "height")
    u_height_um, _ = _band(height_uncertainty, "u_height", like=(height, grid))
    lobe_roughness, _ = _band(reflectance, "roughness", like=(height, grid))
    u_tilt_deg, _ = _band(normal_uncertainty, "u_tilt", like=(height, grid))
    labels, _ = _band(areas, "area", like=(height, grid))
    facts = read_json(traces)
    try:
        lines = traces_from_json(facts, grid)
        wide, land_um = int(facts["wide_areas"]), float(facts["land_scale_um"])
        rough = Roughness.of(facts["line_widths_um"], facts["roughness_um"], grid.pitch_mm)
        told = facts["provenance"]["settings"]
        cutoff_mm, widest_um = float(told["reference_cutoff_mm"]), float(told["widest_line_um"])
    except (MarkError, KeyError, TypeError, ValueError) as error:
        raise MarkError(f"{traces}: is not what trace-marks writes ({error}); run trace-marks again") from error
    numbers = np.nan_to_num(labels, nan=0.0).astype(np.int32)
    del labels
    above_um = field_of(height_um, u_height_um, cutoff_mm / grid.pitch_mm).flattened()
    area = (numbers > 0) & (numbers <= wide)
    flat_um = above_floors(above_um, area, widest_um / (grid.pitch_mm * UM_PER_MM))
    floors_um = float(np.nanstd(flat_um[area])) if area.any() else rough.widest_um
    relief = [(line.points_px, 2 * line.width_px) for line in lines if line.glint_share < SHINES]
    marked = (numbers != 0) | painted(grid.shape, relief)
    film = ((FILM[name], values) for name, values in _gloss_and_colour(reflectance, stack, (height, grid), FILM))
    patches = find_prints(film, height_um, marked, grid.pitch_mm)
    del marked
    maps = Maps(
        above_um, flat_um, u_height_um, lobe_roughness, u_tilt_deg, numbers, wide, land_um, rough, floors_um, grid
    )
    found, coded = classify(maps, without_ridges(lines, patches, grid))
    del maps, u_height_um, u_tilt_deg, lobe_roughness, flat_um, numbers, area
    found, structures = with_structure(found, above_um, grid, rough.at(0.0))
    del above_um
    shine = _gloss_and_colour(reflectance, stack, (height, grid), SHINE)
    found = with_residue(found, coded, height_um, shine, grid)
    found += print_marks(patches, coded, grid, len(found))
    provenance = Provenance.of("classify-marks", sources, {})
    write_raster(classes, Raster(coded[None], grid, (CLASS_BAND,)), provenance, dtype="uint8")
    write_table(table, COLUMNS, [table_row(mark) for mark in found])
    unsaid = unseen(grid.pitch_mm)
    notes = {"notes": [unsaid]} if unsaid else {}
    write_json(marks, {**collection(found, grid), **notes, "provenance": provenance.as_dict()})
    statistics = summary_of(found, coded, grid, np.isfinite(height_um), structures)
    write_json(summary, {**statistics, "provenance": provenance.as_dict()})


def _gloss_and_colour(
    reflectance: Path, stack: Path | None, like: tuple[Path, Grid], names: Collection[str]
) -> Iterator[tuple[str, np.ndarray]]:
    """Named bands of the reflectance and the colour, red over blue, one at a time and as far as they are known."""
    for band in names:
        if band != COLOUR:
            values, _ = _band(reflectance, band, like)
            if np.isfinite(values).any():
                yield band, values
    if stack is None:
        return
    with open_stack(stack) as light:
        hue = np.empty(like[1].shape, np.float32)
        for tile in tiles(light.grid.shape, TILE_PX):
            red, _, blue = light.read_colour(tile.core)
            with np.errstate(divide="ignore", invalid="ignore"):
                hue[tile.core.slices] = np.where(blue > 0, red / blue, np.nan)
    if np.nanmax(hue, initial=-np.inf) > np.nanmin(hue, initial=np.inf):  # a grey camera has no colour
        yield COLOUR, hue


def split_relief(
    *,
    height: Path,
    marks: Path,
    classes: Path,
    etched_height: Path,
    scratch_height: Path,
    relief: Path,
    fill_mask: Path,
    form_cutoff_mm: float = 8.0,
    texture_cutoff_mm: float = 0.25,
) -> None:
    """Form, etched relief, tooled lines, scratches, spots and texture, adding up to the height. NaN stays NaN.

    Writes `relief` with a band each: form (areal Gaussian low-pass of the height); scratch, spots (pits and deposits)
    and tooled (what those marks added to the height or took away; zero elsewhere); texture (short waves of land and of
    the floors of etched areas); etched (what remains: the picture's lines, walls and tones). `scratch_height` is the
    scratch band, `etched_height` = etched + tooled + spots + texture: together the height less its form.
    `fill_mask` says how `etched_height` was found: 0 as measured, 1 less the scratch's section (under its ridges),
    2 continued from beside (its groove).

    form_cutoff_mm : wavelength of which half goes to the form (ISO 16610-61). 8 mm keeps the relief of lettering and
    tone and leaves out what photometric heights do not know (an error of lamps or gain bends the whole plate).
    texture_cutoff_mm : wavelength of which half goes to the texture; lines narrower than it have none.
    """
    settings = {"form_cutoff_mm": form_cutoff_mm, "texture_cutoff_mm": texture_cutoff_mm}
    for name, value in settings.items():
        if not (np.isfinite(value) and value > 0):
            raise MarkError(f"split_relief: {name} must be positive, got {value}; correct the setting")
    height_um, grid = _band(height, "height")
    codes, _ = _band(classes, "class", like=(height, grid))
    features = read_json(marks).get("features")
    if not isinstance(features, Sequence):
        raise MarkError(f"{marks}: has no list of features; run classify-marks again")
    lines = _centre_lines(marks, features, grid)
    if (codes == CLASS_CODE["scratch"]).any() and not any(f["properties"]["class"] == "scratch" for f in features):
        raise MarkError(f"{classes}: shows scratches, but {marks} has none; run classify-marks again")
    parts = split(height_um, codes, lines, form_cutoff_mm / grid.pitch_mm, texture_cutoff_mm / grid.pitch_mm)
    sources = [height, marks, classes]
    bands = [Band(name, "um") for name in BANDS]
    with raster_writer(relief, grid, bands, Provenance.of("split-relief", sources, settings)) as writer:
        for rows, strip in parts.strips():
            writer.write(strip, Window(rows.start, min(rows.stop, grid.shape[0]), 0, grid.shape[1]))
    # what the texture is does not touch the other products
    provenance = Provenance.of("split-relief", sources, {"form_cutoff_mm": form_cutoff_mm})
    etched_um = height_um - parts.form_um
    etched_um -= parts.scratch_um
    write_raster(etched_height, Raster(etched_um[None], grid, (Band("etched_height", "um"),)), provenance)
    write_raster(scratch_height, Raster(parts.scratch_um[None], grid, (Band("scratch_height", "um"),)), provenance)
    write_raster(fill_mask, Raster(parts.fill[None], grid, (Band("fill", "1"),)), provenance, dtype="uint8")


def _centre_lines(marks: Path, features: Sequence[Mapping[str, Any]], grid: Grid) -> dict[str, list[np.ndarray]]:
    """Centre lines (n, 2), row and column, of the long marks, by class."""
    lines: dict[str, list[np.ndarray]] = {}
    try:
        for feature in features:
            if feature["geometry"]["type"] == "LineString":
                x, y = np.array(feature["geometry"]["coordinates"], float)[:, :2].T
                lines.setdefault(feature["properties"]["class"], []).append(np.stack(grid.to_pixel(x, y), axis=1))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise MarkError(f"{marks}: a feature lacks or spoils {error}; run classify-marks again") from error
    return lines


def _band(path: Path, name: str, like: tuple[Path, Grid] | None = None) -> tuple[np.ndarray, Grid]:
    """One band (rows, columns) of a raster, which must lie on the same pixels as another."""
    with open_raster(path) as reader:
        if like is not None and not _same_pixels(reader.grid, like[1]):
            raise GridError(
                f"{path}: has {_pixels(reader.grid)}, but {like[0].name} has {_pixels(like[1])}; make both again"
            )
        return reader.read(bands=[name])[0], reader.grid


def _same_pixels(one: Grid, other: Grid) -> bool:
    return one.shape == other.shape and abs(one.pitch_mm / other.pitch_mm - 1) < 1e-6


def _pixels(grid: Grid) -> str:
    return f"{grid.shape[1]} x {grid.shape[0]} pixels of {grid.pitch_mm:g} mm"
