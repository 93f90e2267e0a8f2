"""Photographs of a worked plate, and the session folder with its truth."""

import csv
from pathlib import Path
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
import yaml
from marked_canvas import Canvas
from marked_crossings import with_crossings
from render import (
    BRUSH_DEG,
    BRUSH_ROUGHNESS,
    METAL_REFLECTANCE,
    attribute,
    dome_lamps,
    metal,
)

from lightdome.marks.outlines import outline_geometry
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster
from lightdome.store import write_json, write_raster

LAMP_DISTANCE_MM = 250.0
READ_NOISE, SHOT_NOISE = 0.0005, 0.004
"""Standard deviation in the dark and at white, of white."""
EXPOSED_TO = 0.9
TILE_PX, MARGIN_UM = 160, 250.0
"""Rendered at once, and what around it may cast shadows: a 40 um wall under a lamp 15 degrees high."""
PLATE, SIDE, FIELD = "BP-001", "front", "A"


def lamps_of(count: int) -> np.ndarray:
    """Positions (count, 3), mm."""
    return dome_lamps(count, LAMP_DISTANCE_MM)


def render_plate(canvas: Canvas, material: str, lamps_mm: np.ndarray, bounces: int, samples: int) -> np.ndarray:
    """Light (L, size, size), float32, under each lamp of unit power; 1 is a white matte plate at the origin."""
    light = np.empty((len(lamps_mm), canvas.size, canvas.size), np.float32)
    starts = range(0, canvas.size, TILE_PX)
    margin = int(np.ceil(MARGIN_UM / canvas.pitch_um))
    for row in starts:
        for col in starts:
            stop = min(row + TILE_PX, canvas.size), min(col + TILE_PX, canvas.size)
            part = slice(row, stop[0]), slice(col, stop[1])
            light[:, *part] = _render_tile(canvas, part, margin, material, lamps_mm, bounces, samples)
    return light


def _render_tile(
    canvas: Canvas,
    part: tuple[slice, slice],
    margin: int,
    material: str,
    lamps_mm: np.ndarray,
    bounces: int,
    samples: int,
) -> np.ndarray:
    rows, cols = part
    pitch_mm = canvas.pitch_um / 1000
    shape = rows.stop - rows.start, cols.stop - cols.start
    x_mm = ((cols.start + cols.stop) / 2 - canvas.size / 2) * pitch_mm
    y_mm = (canvas.size / 2 - (rows.start + rows.stop) / 2) * pitch_mm
    aim = mi.ScalarTransform4f().look_at(origin=[x_mm, y_mm, 10.0], target=[x_mm, y_mm, 0], up=[0, 1, 0])
    half = shape[1] * pitch_mm / 2
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": bounces + 1, "rr_depth": bounces + 2},
            "plate": _mesh(canvas, part, margin, material),
            "lamp": {"type": "point", "position": [0, 0, 1], "intensity": {"type": "spectrum", "value": 1.0}},
            "sensor": {
                "type": "orthographic",
                "to_world": aim @ mi.ScalarTransform4f().scale([half, half, 1]),
                "film": {
                    "type": "hdrfilm",
                    "width": shape[1],
                    "height": shape[0],
                    "pixel_format": "luminance",
                    "component_format": "float32",
                    "rfilter": {"type": "box"},
                },
                "sampler": {"type": "stratified", "sample_count": samples},
            },
        }
    )
    parameters = mi.traverse(scene)
    light = np.empty((len(lamps_mm), *shape), np.float32)
    for index, position in enumerate(lamps_mm):
        parameters["lamp.position"] = mi.Point3f(*map(float, position))
        parameters["lamp.intensity.value"] = mi.Float(float((position**2).sum()))
        parameters.update()
        light[index] = np.pi * np.array(mi.render(scene, seed=index + 1000 * rows.start + cols.start))[..., 0]
    return light


def _mesh(canvas: Canvas, part: tuple[slice, slice], margin: int, material: str) -> Any:
    """Two flat facets a cell of a part of the plate and a margin around it, mm in the plate frame."""
    low = [max(0, each.start - margin) * canvas.sub for each in part]
    high = [min(canvas.size, each.stop + margin) * canvas.sub for each in part]
    corners = slice(low[0], high[0] + 1), slice(low[1], high[1] + 1)
    step, half = canvas.cell_um / 1000, canvas.size * canvas.pitch_um / 2000
    height = canvas.height[corners]
    y = half - np.arange(low[0], high[0] + 1) * step
    x = np.arange(low[1], high[1] + 1) * step - half
    x, y = np.meshgrid(x, y)
    index = np.arange(height.size, dtype=np.uint32).reshape(height.shape)
    a, b, c, d = (piece.ravel() for piece in (index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]))
    faces = np.stack([np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)], axis=1).reshape(-1, 3)
    properties = mi.Properties()
    properties["face_normals"] = True
    properties["bsdf"] = mi.load_dict(_finish(material))
    mesh = mi.Mesh("plate", height.size, len(faces), has_vertex_texcoords=True, props=properties)
    alpha = BRUSH_ROUGHNESS[0] if material == "brushed" else float(material.split("-")[1])

    def of_cells(values: np.ndarray) -> np.ndarray:
        rows = (values[:-1] + values[1:]) / 2
        return np.repeat(((rows[:, :-1] + rows[:, 1:]) / 2).ravel(), 2).astype(np.float32)

    rougher = of_cells(canvas.rougher[corners])
    mesh.add_attribute("face_alpha", 1, alpha * rougher)
    mesh.add_attribute("face_across", 1, alpha * rougher * np.float32(BRUSH_ROUGHNESS[1] / BRUSH_ROUGHNESS[0]))
    mesh.add_attribute("face_gloss", 1, METAL_REFLECTANCE * of_cells(canvas.gloss[corners]))
    mesh.add_attribute("face_matte", 1, of_cells(canvas.matte[corners]))
    mesh.add_attribute("face_albedo", 1, of_cells(canvas.albedo[corners]))
    parameters = mi.traverse(mesh)
    brush = np.radians(BRUSH_DEG)
    along, across = x * np.cos(brush) + y * np.sin(brush), y * np.cos(brush) - x * np.sin(brush)
    parameters["vertex_positions"] = np.stack([x, y, height / 1000], axis=-1).astype(np.float32).ravel()
    parameters["vertex_texcoords"] = np.stack([along, across], axis=-1).astype(np.float32).ravel()
    parameters["faces"] = faces.ravel()
    parameters.update()
    return mesh


def _finish(material: str) -> dict[str, Any]:
    """Metal under a matte film of varying cover and albedo."""
    if material == "brushed":
        bare = metal("ggx", alpha_u=attribute("face_alpha"), alpha_v=attribute("face_across"))
    else:
        bare = metal(material.split("-")[0], alpha=attribute("face_alpha"))
    return {
        "type": "blendbsdf",
        "weight": attribute("face_matte"),
        "metal": bare | {"specular_reflectance": attribute("face_gloss")},
        "film": {"type": "diffuse", "reflectance": attribute("face_albedo")},
    }


def photographed(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """16-bit counts (L, rows, columns): exposed once for all lamps, noisy, clipped."""
    gain = EXPOSED_TO / np.percentile(light, 99.9)
    counts = np.empty(light.shape, np.uint16)
    for index, frame in enumerate(light):
        seen = gain * frame
        seen = seen + np.sqrt(READ_NOISE**2 + SHOT_NOISE**2 * seen) * rng.standard_normal(seen.shape, np.float32)
        counts[index] = np.clip(np.rint(65535 * seen), 0, 65535)
    return counts


def write_session(out: Path, counts: np.ndarray, lamps_mm: np.ndarray, pitch_mm: float) -> None:
    """`session.yaml`, `frames.csv`, `lamps.csv` and the photographs as 16-bit PNG."""
    (out / "frames").mkdir(parents=True, exist_ok=True)
    names = [f"L{index + 1:02d}" for index in range(len(lamps_mm))]
    with (out / "lamps.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("lamp", "x_mm", "y_mm", "z_mm"))
        writer.writerows(
            [name, *(round(float(v), 4) for v in place)] for name, place in zip(names, lamps_mm, strict=True)
        )
    with (out / "frames.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("file", "plate", "side", "field", "role", "lamp"))
        for name, frame in zip(names, counts, strict=True):
            path = f"frames/{name}.png"
            cv2.imwrite(str(out / path), frame)
            writer.writerow((path, PLATE, SIDE, FIELD, "lit", name))
    side = round(counts.shape[1] * pitch_mm, 4)
    facts = {
        "format": 1,
        "session": out.name,
        "date": "2031-06-02",
        "operator": "A. Example",
        "place": "computed",
        "camera": {
            "projection": "orthographic",
            "pixel_pitch_mm": pitch_mm,
            "response": "linear",
            "black_level": 0,
            "white_level": 65535,
        },
        "lamps": {"source": "table", "model": "near"},
        "plates": {PLATE: {"title": "benchmark plate", "material": "zinc", "size_mm": [side, side]}},
    }
    (out / "session.yaml").write_text(yaml.safe_dump(facts, sort_keys=False))


def write_truth(out: Path, canvas: Canvas, settings: dict[str, Any]) -> None:
    """Heights, classes and marks as made, under `truth/<plate>/<side>/<field>`."""
    folder = out / "truth" / PLATE / SIDE / FIELD
    folder.mkdir(parents=True, exist_ok=True)
    grid = Grid((canvas.size, canvas.size), canvas.pitch_um / 1000)
    provenance = Provenance.of("marked-plates", [], settings)
    for name, corners in (("height", canvas.height), ("height_without_scratches", canvas.clean)):
        values = canvas.pixel_mean(corners).astype(np.float32)
        write_raster(folder / f"{name}.tif", Raster(values[None], grid, (Band("height", "um"),)), provenance)
    classes = Raster(canvas.class_map()[None], grid, (Band("class", "1"),))
    write_raster(folder / "class.tif", classes, provenance, dtype="uint8")
    features = [_feature(mark, canvas, grid) for mark in with_crossings(canvas)]
    write_json(
        folder / "marks.geojson",
        {"type": "FeatureCollection", "pixel_pitch_mm": grid.pitch_mm, "settings": settings, "features": features},
    )


def _feature(mark: dict[str, Any], canvas: Canvas, grid: Grid) -> dict[str, Any]:
    facts = {key: value for key, value in mark.items() if key not in ("points", "outline")}
    facts = {key: round(float(value), 4) if isinstance(value, float) else value for key, value in facts.items()}
    if "outline" in mark:
        geometry = outline_geometry(mark["outline"], 0, 0, grid) if mark["outline"].any() else None
    else:
        x, y = to_plate_mm(canvas, mark["points"])
        geometry = {"type": "LineString", "coordinates": np.round(np.stack([x, y], axis=1), 5).tolist()}
    return {"type": "Feature", "id": mark["id"], "geometry": geometry, "properties": facts}


def to_plate_mm(canvas: Canvas, points_um: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Plate x, y (mm) of places (row, column) in um from the top left corner."""
    half = canvas.side_um / 2
    return (points_um[..., 1] - half) / 1000, (half - points_um[..., 0]) / 1000
