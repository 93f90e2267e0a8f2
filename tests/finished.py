"""A session whose results are small products written out by hand, for tests of what people see."""

from dataclasses import dataclass
from pathlib import Path

import imageio.v3 as iio
import numpy as np

from lightdome.lights.lamps import LampSet, directions
from lightdome.provenance import Provenance
from lightdome.publish.steps import build_review
from lightdome.raster import Band, Grid, Raster
from lightdome.relight.basis import names
from lightdome.relight.lobe import ASSUMED
from lightdome.relight.pack import BITS, ranges_of
from lightdome.relight.render import BANDS
from lightdome.store import stack_writer, write_json, write_raster

ROWS, COLS, PITCH_MM = 60, 80, 0.05
GRID = Grid((ROWS, COLS), PITCH_MM)
CREATED = "2031-05-15T04:00:00+00:00"
SESSION = """\
format: 1
session: tern-point-2031-05
date: 2031-05-14
operator: A. Example
place: Tern Point harbour office
camera: {{projection: orthographic, pixel_pitch_mm: 0.05, response: linear, white_level: 65535}}
lamps: {{source: table, model: distant}}
plates:
  TP-017:
    title: "{title}"
    material: zinc
    size_mm: [160, 120]
"""


@dataclass(frozen=True)
class Finished:
    """Where a session and its results lie."""

    session: Path
    results: Path

    @property
    def plate(self):
        return self.results / "TP-017"

    @property
    def field(self):
        return self.plate / "front" / "A"


def made(step):
    return Provenance(step, {"method": "robust"}, {}, created=CREATED)


def mark(number, name="scratch", **more):
    """A GeoJSON feature as classify-marks writes it."""
    properties = {
        "id": f"m{number:04d}",
        "class": name,
        "confidence": 0.8,
        "length_mm": 2.0 + 0.01 * number,
        "width_um": 120.0,
        "depth_um": 18.25,
        "u_width_um": 5.0,
        "u_depth_um": 0.61,
        "crosses": [],
        "evidence": ["Depth 18.3 um (u = 0.6 um).", "The ridge beside it is 0.7 of its depth: metal was pushed aside."],
        "resolved": True,
    }
    y = -1.4 + 0.3 * (number % 10)
    line = {"type": "LineString", "coordinates": [[-1.5, y], [0.0, y + 0.1], [1.5, y]]}
    return {"type": "Feature", "id": properties["id"], "geometry": line, "properties": properties | more}


def write_session(folder, title="tide table, upper half"):
    """A session of one plate with eight photographs."""
    (folder / "frames").mkdir(parents=True)
    (folder / "session.yaml").write_text(SESSION.format(title=title), encoding="utf-8")
    lamps = ["lamp,azimuth_deg,elevation_deg\n"]
    rows = ["file,plate,side,field,role,lamp\n"]
    for number in range(8):
        iio.imwrite(folder / f"frames/{number}.png", np.full((ROWS, COLS), 9000, np.uint16))
        lamps.append(f"L{number},{number * 45},{20 + 5 * number}\n")
        rows.append(f"frames/{number}.png,TP-017,front,A,lit,L{number}\n")
    (folder / "lamps.csv").write_text("".join(lamps))
    (folder / "frames.csv").write_text("".join(rows))
    return folder


def raster(path, step, bands, values):
    values = np.broadcast_to(np.asarray(values, np.float32), (len(bands), ROWS, COLS)).copy()
    values[:, :4, :6] = np.nan
    write_raster(path, Raster(values, GRID, tuple(Band(*band) for band in bands)), made(step))


def write_field(folder, marks, wave=None, flags=None):
    """Every product of a field that is shown; `wave` is the pattern in all maps."""
    row, col = np.indices((ROWS, COLS))
    wave = np.sin(col / 5) + 0.2 * np.cos(row / 7) if wave is None else wave
    azimuth, elevation = np.arange(8) * 45.0, 20 + 5.0 * np.arange(8)
    lamps = LampSet(
        tuple(f"L{number}" for number in range(8)),
        "distant",
        directions(azimuth, elevation),
        np.ones(8),
        np.full(8, np.nan),
        0.0,
        False,
        None,
        "table",
    )
    write_json(
        folder / "frames/quality.json",
        {
            "verdict": "usable with warnings",
            "reasons": [],
            "warnings": ["frames/3.png: 2.0 % of the pixels are at white"],
            "lamp_layout": {"condition_number": 1.9, "lamps": 8},
            "frames": [{}] * 8,
            "provenance": made("check-session").as_dict(),
        },
    )
    iio.imwrite(folder / "frames/lamp_layout.png", np.full((200, 200), 240, np.uint8))
    (folder / "frames/check.html").write_text("<!DOCTYPE html><title>ready</title>", encoding="utf-8")
    write_json(folder / "lights/lamps.json", {**lamps.as_dict(), "provenance": made("locate-lamps").as_dict()})
    surface, found = folder / "surface", folder / "marks"
    raster(
        surface / "normals.tif",
        "solve-normals",
        [("nx", "1"), ("ny", "1"), ("nz", "1")],
        [0.1 * wave, 0 * wave, 1 + 0 * wave],
    )
    raster(surface / "normal_uncertainty.tif", "solve-normals", [("u_tilt", "deg")], [0.2 + 0.1 * np.abs(wave)])
    raster(
        surface / "reflectance.tif",
        "solve-normals",
        [("diffuse", "1"), ("specular", "1"), ("roughness", "1"), ("anisotropy", "1"), ("direction", "deg")],
        [0.4 + 0.1 * wave, *([np.nan * wave] * 4)],
    )
    flags = np.where(row > 50, 8, 0)[None].astype(np.uint8) if flags is None else flags
    write_raster(
        surface / "flags.tif", Raster(flags, GRID, (Band("flags", "1"),)), made("solve-normals"), dtype="uint8"
    )
    write_json(
        surface / "lobe.json",
        {"method": "robust", "lobe": None, "note": None, "warning": None, "pixels": {"solved": ROWS * COLS - 24}}
        | {"provenance": made("solve-normals").as_dict()},
    )
    raster(surface / "height.tif", "integrate-height", [("height", "um")], [10 * wave])
    raster(surface / "height_uncertainty.tif", "integrate-height", [("u_height", "um")], [0.5 + 0 * wave])
    bands = [("mean", "1/mm"), ("gaussian", "1/mm^2"), ("k1", "1/mm"), ("k2", "1/mm")]
    raster(surface / "curvature.tif", "map-curvature", bands, [wave, wave**2, wave + 1, wave - 1])
    write_json(
        surface / "texture.json",
        {
            "standard": "ISO 25178-2:2021",
            "nesting_indices": {"s_filter_mm": 0.08, "l_filter_mm": 2.0},
            "cautions": ["Sz rests on single pixels"],
            "regions": [{"region": "whole", "parameters": {"Sa": {"value": 5.25, "unit": "um", "u": None}}}],
            "provenance": made("measure-texture").as_dict(),
        },
    )
    raster(found / "etched_height.tif", "split-relief", [("etched_height", "um")], [10 * wave])
    raster(found / "scratch_height.tif", "split-relief", [("scratch_height", "um")], [np.where(row == 30, -5, 0)])
    classes = np.zeros((1, ROWS, COLS), np.uint8)
    if marks:
        classes[0, 10:20, 10:60], classes[0, 30:32, 5:70], classes[0, 40:44, 20:24] = 1, 3, 6
    write_raster(
        found / "class.tif", Raster(classes, GRID, (Band("class", "1"),)), made("classify-marks"), dtype="uint8"
    )
    write_json(
        found / "marks.geojson",
        {"type": "FeatureCollection", "features": marks, "provenance": made("classify-marks").as_dict()},
    )
    (found / "marks.csv").write_text("id\n")
    for name in ("traces.json", "areas.tif"):
        (found / name).write_text("{}")
    bands = [(f"l{order}_m{degree}", "1") for order, degree in names(2)]
    values = np.zeros((9, ROWS, COLS))
    values[0], values[2], values[3] = 0.6, 0.3, 0.2 * wave
    raster(folder / "relight/coefficients.tif", "fit-relighting", bands, values)
    model = np.zeros((len(BANDS), ROWS, COLS))
    model[:7] = (
        0.1 * wave,
        0 * wave,
        0.3 + 0 * wave,
        0.2 + 0.1 * np.abs(wave),
        0.3 + 0 * wave,
        1 + 0 * wave,
        0.01 * wave,
    )
    raster(folder / "relight/lobe.tif", "fit-relighting", [(name, "1") for name in BANDS], model)
    packed = {"bits": BITS, "ranges": ranges_of(model)}
    orders = [{"order": 2, "coefficients": 9, "psnr_db": 31.2, "rms": 0.011, "lamps": []}]
    write_json(
        folder / "relight/quality.json",
        {"model": "lobe", "order": 2, "notes": [], "orders": orders, "provenance": made("fit-relighting").as_dict()}
        | {"lobe": {"how_known": "assumed", "lobe": ASSUMED.as_dict(), "packed": packed}},
    )
    light = np.full((8, ROWS, COLS), 0.2, np.float32)
    colour = np.stack([0.2 + 0.05 * wave, 0.15 + 0.05 * wave, 0.1 + 0.05 * wave]).astype(np.float32)
    with stack_writer(folder / "frames/stack.zarr.zip", GRID, lamps.names, {}, made("stack-frames")) as writer:
        writer.write(light, colour, GRID.window)


def write_finished(folder, marks=None, title="tide table, upper half"):
    """A session whose only field went the whole way to the marks."""
    session = write_session(folder / "capture", title)
    done = Finished(session, folder / "results" / "tern-point-2031-05")
    write_field(done.field, [mark(1), mark(2, "etched")] if marks is None else marks)
    return done


def write_front_end(folder):
    """A front end in small, in the place of what `pip install` builds."""
    (folder / "page").mkdir(parents=True)
    (folder / "index.html").write_text(
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Review</title>'
        '<script type="module" src="page/main.js"></script></head><body></body></html>\n'
    )
    (folder / "page/main.js").write_text("document.title = 'Review';\n")
    return folder


def build(done):
    """The review page of a finished plate, where the workflow puts it."""
    page = done.plate / "review/index.html"
    built = done.session.parent / "front-end"
    build_review(done.plate, done.session, page, built if built.exists() else write_front_end(built))
    return page


def write_log(folder, step, text, seconds=None, memory_mb=None):
    """What the workflow leaves of a step."""
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    (folder / f"logs/{step}.log").write_text(text)
    if seconds is not None:
        (folder / f"logs/{step}.tsv").write_text(f"s\th:m:s\tmax_rss\n{seconds}\t0:00:01\t{memory_mb}\n")
