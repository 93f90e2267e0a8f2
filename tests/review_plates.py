"""Review folders of made-up plates, whose every number is known, for tests of what the page shows."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.provenance import Provenance
from lightdome.publish.coding import Codes, Coding, Encoded, Packed, Plain, scaled_between
from lightdome.publish.layers import Layer
from lightdome.raster import Band, Grid, Raster
from lightdome.relight.basis import names
from lightdome.relight.pack import BYTES, ranges_of
from lightdome.relight.render import BANDS
from lightdome.store import form_writer, write_raster
from lightdome.surface.lobe import Lobe, family_table
from lightdome.surface.region import FLAGS
from lightdome.tiles import tiles

PITCH_MM = 0.05
LAMP_MM, CAMERA_MM, WHITE = 90.0, 400.0, 0.8
UNKNOWN = (slice(None), slice(330, 390), slice(320, 410))
CLASSES = ("land", "etched", "tooled", "scratch", "deposit", "friction-ridge print", "pit")
LOBE = Lobe(family_table(3.0), 0.3, np.array([1.25, 0.2, 0.832]), 0.3, np.array([1e-4, 0, 0, 0]), shadowing=0.8)
MADE = Provenance("build-review", {}, {}, created="2031-05-15T04:00:00+00:00")


@dataclass(frozen=True)
class Shown:
    """A review folder and what its layers hold after their coding."""

    folder: Path
    grid: Grid
    values: dict[str, np.ndarray]
    """(band, rows, columns), by layer."""
    layers: dict[str, Layer]
    pitch_mm: float


def write_review(page: Path, results: Path, shape: tuple[int, int], marks: list[dict[str, Any]]) -> Shown:
    """A plate of one field with every layer; `page` is the built front end."""
    review = results / "TP-017" / "review"
    shutil.copytree(page, review)
    grid = Grid(shape, PITCH_MM)
    values, layers = {}, {}
    for name, (bands, unit, coding, truth, span) in _contents(grid, np.random.default_rng(3)).items():
        file = f"tiles/front/A/{name}.tif"
        stored = coding.stored(truth)
        _write(review / file, grid, [Band(band, unit) for band in bands], coding, stored)
        low, high = _span(coding.values(stored), span)
        layers[name] = Layer(name, name, file, tuple(bands), unit, coding, shape, PITCH_MM, span, low, high)
        values[name] = coding.values(stored)
    measured = _write_measured(results / "TP-017/front/A", grid)
    (results / "TP-017/front/A/marks").mkdir(parents=True, exist_ok=True)
    collection = {"type": "FeatureCollection", "features": marks}
    (results / "TP-017/front/A/marks/marks.geojson").write_text(json.dumps(collection))
    field = field_entry(grid, layers) | {"measured": measured, "marks": "../front/A/marks/marks.geojson"}
    other = field | {"side": "back", "title": "back, field A"}
    plate = {
        "format": 1,
        "session": "tern-point-2031-05",
        "plate": "TP-017",
        "title": "tide table",
        "date": "2031-05-14",
        "material": "zinc",
        "size_mm": None,
        "fields": [field, other],
    }
    (review / "plate.json").write_text(json.dumps(plate))
    return Shown(review, grid, values, layers, PITCH_MM)


def groove_um(grid: Grid) -> np.ndarray:
    """Height of the measured plate: an upright groove about x = 5 mm, 20 um deep, 0.6 mm wide at the top and 0.4 mm at
    half depth, in a plane that rises 3 um in a mm along x."""
    x = np.broadcast_to(grid.x_mm()[None, :], grid.shape)
    wall = np.clip((0.3 - np.abs(x - 5.0)) / 0.2, 0, 1)
    return -20.0 * wall + 3.0 * x


def _write_measured(field: Path, grid: Grid) -> dict[str, str]:
    products = {
        "height": ("surface/height.tif", [("height", "um")], groove_um(grid)[None]),
        "height_uncertainty": ("surface/height_uncertainty.tif", [("u_height", "um")], np.full((1, *grid.shape), 0.4)),
        "normal_uncertainty": ("surface/normal_uncertainty.tif", [("u_tilt", "deg")], np.full((1, *grid.shape), 0.3)),
    }
    for file, bands, values in products.values():
        raster = Raster(values.astype(np.float32), grid, tuple(Band(*band) for band in bands))
        write_raster(field / file, raster, MADE)
    return {name: f"../front/A/{file}" for name, (file, _, _) in products.items()}


def _contents(grid: Grid, rng: np.random.Generator) -> dict[str, tuple[Any, ...]]:
    """Bands, unit, coding, values and span of every layer."""
    rows, cols = np.indices(grid.shape)

    def noise(low: float, high: float, count: int = 1) -> np.ndarray:
        values = rng.uniform(low, high, (count, *grid.shape)).astype(np.float32)
        values[UNKNOWN] = np.nan
        return values

    waves = np.stack([0.4 * np.sin(cols / 17), 0.4 * np.cos(rows / 13)]).astype(np.float32)
    model = np.concatenate([waves + noise(-0.05, 0.05, 2), noise(0.1, 0.4), noise(0.05, 0.7), noise(0.15, 0.6)])
    model = np.concatenate([model, noise(0.6, 1.4), noise(-0.05, 0.05, len(BANDS) - 6)])
    harmonics = np.concatenate([noise(0.3, 0.6), noise(-0.05, 0.05), noise(0.1, 0.3), noise(-0.05, 0.05, 6)])
    codes = (rows // 90 + cols // 130)[None]

    def whole(values: np.ndarray) -> Coding:
        flat = values.reshape(len(values), -1)
        return scaled_between(np.nanmin(flat, axis=1), np.nanmax(flat, axis=1))

    def single(band: str, unit: str, low: float, high: float, span: str) -> tuple[Any, ...]:
        values = noise(low, high)
        return [band], unit, whole(values), values, span

    order2 = [f"l{order}_m{degree}" for order, degree in names(2)]
    height = (10 * np.sin(cols / 25) + noise(-1, 1)[0])[None]
    return {
        "relight": ([f"byte{n}" for n in range(BYTES)], "1", Packed(ranges_of(model)), model, None),
        "harmonics": (order2, "1", whole(harmonics), harmonics, None),
        "colour": (["red", "green", "blue"], "1", Encoded(0.5), noise(0.1, 0.45, 3), None),
        "slopes": (["slope_x", "slope_y"], "1", whole(model[:2]), model[:2], "about-zero"),
        "height": (["height"], "um", Plain(0.01), height, "low-high"),
        "height_uncertainty": single("u_height", "um", 0.2, 0.9, "from-zero"),
        "tilt_uncertainty": single("u_tilt", "deg", 0.1, 3.0, "from-zero"),
        "curvature": single("mean", "1/mm", -2, 2, "about-zero"),
        "roughness": single("roughness", "1", 0.1, 0.8, "low-high"),
        "specular": single("specular", "1", 0, 0.7, "from-zero"),
        "diffuse": single("diffuse", "1", 0, 0.5, "from-zero"),
        "classes": (["class"], "1", Codes(dict(enumerate(CLASSES))), codes % 7, None),
        "flags": (["flags"], "1", Codes(FLAGS, summed=True), codes * 5 % 64, None),
    }


def _write(path: Path, grid: Grid, bands: list[Band], coding: Coding, stored: np.ndarray) -> None:
    def overview(level: int) -> Any:
        smaller = stored[:, :: 2 ** (level + 1), :: 2 ** (level + 1)]
        for tile in tiles(smaller.shape[1:]):
            yield tile.core, smaller[(slice(None), *tile.core.slices)]

    path.parent.mkdir(parents=True, exist_ok=True)
    packed = overview if isinstance(coding, Packed) else None
    with form_writer(path, grid, bands, MADE, coding.form, packed) as writer:
        writer.write(stored)


def _span(values: np.ndarray, span: str | None) -> tuple[float | None, float | None]:
    if span is None:
        return None, None
    high = float(np.nanpercentile(np.abs(values), 99))
    low = {"about-zero": -high, "from-zero": 0.0, "low-high": float(np.nanpercentile(values, 1))}[span]
    return low, high


def field_entry(grid: Grid, layers: dict[str, Layer]) -> dict[str, Any]:
    """A field of the manifest but for its products."""
    return {
        "side": "front",
        "field": "A",
        "title": "front, field A",
        "shape": list(grid.shape),
        "pitch_mm": grid.pitch_mm,
        "u_pitch_rel": 0.002,
        "camera_distance_mm": CAMERA_MM,
        "lamps": {
            "model": "near",
            "distance_mm": LAMP_MM,
            "lowest_deg": 15.0,
            "highest_deg": 75.0,
            "used": [{"name": "L01", "azimuth_deg": 45.0, "elevation_deg": 15.0}],
        },
        "white": WHITE,
        "model": "lobe",
        "lobe": {
            "table": LOBE.table.tolist(),
            "diffuse_curvature": LOBE.diffuse_curvature,
            "shadowing": LOBE.shadowing,
            "stretched": LOBE.stretched.tolist(),
            "integral": LOBE.integral,
        },
        "layers": {name: layer.as_dict() for name, layer in layers.items()},
        "missing": [],
    }
