"""How fast the review page is on a plate of 8192 x 8192 pixels, in a headless browser without a graphics card.

    python benchmarks/review.py [FOLDER]        the plate is written into FOLDER (400 MB) unless it is there already

Prints figures, asserts nothing. Times end when the picture is drawn and read back, so that nothing is still under way.
"""

import json
import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from browser import Browser, npm
from finished import mark
from range_server import serving
from review_plates import CLASSES, MADE, PITCH_MM, field_entry

from lightdome.publish.coding import Codes, Coding, Packed, Plain, Scaled
from lightdome.publish.layers import Layer
from lightdome.raster import Band, Grid
from lightdome.relight.pack import BYTES, ranges_of
from lightdome.relight.render import BANDS
from lightdome.store import form_writer
from lightdome.tiles import tiles

SIZE_PX, MARKS, MOVES = 8192, 20_000, 25
WINDOW = (1757, 997)
"""Of the browser, so that the picture has 1200 x 800 pixels."""
MOVE = """async (count) => {
  const pane = review.panes[0];
  const gl = pane.picture.canvas.getContext('webgl2');
  const times = [];
  for (let turn = 0; turn < count; turn += 1) {
    await new Promise(requestAnimationFrame);
    const start = performance.now();
    review.room.shown = structuredClone(review.room.wanted);
    review.room.shown.lamp.azimuth_deg = (turn * 14) % 360;
    pane.light();
    pane.map.renderSync();
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
    times.push(performance.now() - start);
  }
  return times;
}"""
SETTLE = """async (act) => {
  const start = performance.now();
  const { view, panes } = review;
  const [pane] = panes;
  const pitch = pane.field.pitch_mm;
  if (act === 'zoom') review.actual();
  if (act === 'pan') {
    const [x, y] = view.getCenter();
    view.setCenter([x + pane.map.getSize()[0] * pitch, y]);
  }
  for (;;) {
    pane.map.renderSync();
    if (pane.picture.missing === 0) return performance.now() - start;
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
}"""
FILTER = """(turns) => {
  const { findings } = review;
  const times = [];
  for (let turn = 0; turn < turns; turn += 1) {
    const start = performance.now();
    findings.filter.least_confidence = (turn % 5) / 10;
    findings.refilter();
    review.panes[0].map.renderSync();
    times.push(performance.now() - start);
  }
  return times;
}"""


def pattern(window: Any) -> np.ndarray:
    """Lobe model (bands, rows, columns) of a window: waves and a little noise."""
    rng = np.random.default_rng(1)
    row, col = np.mgrid[window.row0 : window.row1, window.col0 : window.col1].astype(np.float32)
    noise = rng.normal(0, 1, row.shape).astype(np.float32)
    model = np.empty((len(BANDS), *row.shape), np.float32)
    model[0] = 0.3 * np.sin(col / 40) + 0.02 * noise
    model[1] = 0.3 * np.cos(row / 55) + 0.02 * noise
    model[2:6] = np.array([0.2, 0.4, 0.35, 1.0], np.float32)[:, None, None] * (1 + 0.1 * np.sin((row + col) / 300))
    model[6:] = 0.01 * noise
    return model


def write_plate(folder: Path) -> None:
    """The plate's layers, manifest and marks."""
    grid = Grid((SIZE_PX, SIZE_PX), PITCH_MM)
    first = next(iter(tiles(grid.shape))).core
    packed = Packed(ranges_of(pattern(first)))
    codings: dict[str, tuple[Coding, Any]] = {
        "relight": (packed, pattern),
        "slopes": (Scaled((1e-4, 1e-4), (0.0, 0.0)), lambda window: pattern(window)[:2]),
        "height": (Plain(0.05), lambda window: 20 * pattern(window)[:1]),
        "classes": (Codes(dict(enumerate(CLASSES))), lambda window: (pattern(window)[:1] > 0.25) * 3),
    }
    layers = {}
    for name, (coding, values) in codings.items():
        bands = [Band(f"band{n}", "1") for n in range(BYTES if name == "relight" else 2 if name == "slopes" else 1)]

        def overview(level: int) -> Any:
            size = SIZE_PX >> (level + 1)
            for tile in tiles((size, size)):
                yield tile.core, packed.stored(pattern(tile.core))

        file = f"tiles/front/A/{name}.tif"
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        made = overview if name == "relight" else None
        with form_writer(folder / file, grid, bands, MADE, coding.form, made) as writer:
            for tile in tiles(grid.shape):
                writer.write(coding.stored(values(tile.core)), tile.core)
        ends = (-1.0, 1.0) if name in ("slopes", "height") else (None, None)
        names = tuple(band.name for band in bands)
        layers[name] = Layer(name, name, file, names, "1", coding, grid.shape, PITCH_MM, None, *ends)
    field = field_entry(grid, layers) | {"measured": {}, "marks": "marks.geojson", "white": 0.8}
    facts = {"format": 1, "session": "tern-point-2031-05", "plate": "TP-900", "title": "", "date": "2031-05-14"}
    (folder / "plate.json").write_text(json.dumps(facts | {"material": "zinc", "size_mm": None, "fields": [field]}))
    (folder / "marks.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": many_marks()}))


def many_marks() -> list[dict[str, Any]]:
    """Lines of eight points all over the plate."""
    rng = np.random.default_rng(2)
    half = SIZE_PX * PITCH_MM / 2
    found = []
    for number in range(MARKS):
        points = rng.uniform(-half, half, 2) + np.cumsum(rng.normal(0, 0.4, (8, 2)), axis=0)
        confidence = float(rng.uniform(0.1, 1))
        feature = mark(number, CLASSES[1 + number % 6], confidence=confidence)
        found.append(feature | {"geometry": {"type": "LineString", "coordinates": points.round(4).tolist()}})
    return found


def said(name: str, times: list[float]) -> None:
    print(f"{name:44s} {statistics.median(times):7.0f} ms   (of {len(times)}: {min(times):.0f} to {max(times):.0f})")


def main(folder: Path) -> None:
    if not (folder / "marks.geojson").exists():
        write_plate(folder)
    npm("run", "build", "--", "--outDir", str(folder / "built"), "--emptyOutDir")
    for file in (folder / "built").rglob("*"):
        target = folder / file.relative_to(folder / "built")
        target.parent.mkdir(parents=True, exist_ok=True)
        if file.is_file():
            target.write_bytes(file.read_bytes())
    browser = Browser()
    with serving(folder) as address:
        times = []
        for _ in range(3):
            browser.open(address + "/", *WINDOW)
            times.append(browser.run("() => performance.now()"))
        print("picture", browser.run("() => review.panes[0].map.getSize()"), "pixels; medians")
        said("first complete picture, from navigation on", times)
        said("zoom to 1:1", [browser.run(SETTLE, "zoom")])
        said("pan one screen", [browser.run(SETTLE, "pan") for _ in range(2)])
        for state in ("lobe", "relief", "height", "classes"):
            browser.run("(state) => review.panes[0].show(review.panes[0].field, state)", state)
            browser.settle()
            said(f"lamp move, {state}", browser.run(MOVE, MOVES))
        browser.run("() => review.room.change((light) => (light.fill.on = true))")
        browser.run("() => review.panes[0].show(review.panes[0].field, 'lobe')")
        browser.settle()
        said("lamp move, lobe, two lamps", browser.run(MOVE, MOVES))
        browser.run("() => { review.room.change((light) => (light.fill.on = false)); review.whole(); }")
        browser.ask("wait", script=f"() => review.findings.shown.length >= {MARKS}")
        browser.run("() => review.showMarks(true)")
        browser.settle()
        said(f"lamp move, {MARKS} marks on the whole plate", browser.run(MOVE, MOVES))
        said(f"filter {MARKS} marks and draw them", browser.run(FILTER, 10))
    browser.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as scratch:
            main(Path(scratch))
