"""Paths in, paths out: write a computed capture session, with its truth, whole or not at all."""

import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.errors import SessionError
from lightdome.provenance import Provenance
from lightdome.raster import Band
from lightdome.store import beside, raster_writer, write_bytes, write_json, write_table, write_text
from lightdome.synthetic import truth
from lightdome.synthetic.capture import FIELD, FRAME_COLUMNS, SIDE, CaptureSpec, lamp_rows, session_facts
from lightdome.synthetic.faults import plant
from lightdome.synthetic.mishaps import MISHAPS, mishap
from lightdome.synthetic.photographs import Photograph, photographs_of, plate_surface, shared_photographs
from lightdome.synthetic.plates import Surface
from lightdome.synthetic.scenes import SCENES
from lightdome.tiles import for_each

TRUTH_ROWS = 256


def make_capture(folder: Path, *, scene: str, seed: int, threads: int = 1, **size: Any) -> None:
    """Write the session folder of a named scene; `size` holds what that scene's size is given by.

    Fails with SessionError where the scene is unknown, the size is not that scene's, or the folder holds something.
    """
    if scene not in SCENES:
        raise SessionError(f"--scene: {scene!r} is unknown; known are {', '.join(SCENES)}")
    if seed < 0:
        raise SessionError(f"--seed: must be 0 or more, got {seed}")
    write_capture(folder, SCENES[scene](seed, **size), threads=threads)


def write_capture(folder: Path, spec: CaptureSpec, *, threads: int = 1) -> None:
    """Write session.yaml, frames.csv, lamps.csv, the photographs and truth/ of a session.

    Fails with SessionError where the folder holds something; it appears whole, or not at all.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SessionError(f"{folder}: holds something already; name a new folder")
    with beside(folder) as part:
        rows: list[dict[str, Any]] = []
        for plate, name in enumerate(spec.plates):
            surface = plate_surface(spec, plate)
            photographs = photographs_of(spec, plate, surface)
            if name in MISHAPS:
                levels = spec.sensor.black_level, spec.sensor.white_level
                photographs = iter(mishap(name, list(photographs), *levels))
            elif spec.faulty:
                photographs = plant(name, photographs)
            else:
                _write_truth(part / "truth" / name / SIDE / FIELD, spec, surface)
            rows += _write_photographs(part, list(photographs), threads)
        rows += _write_photographs(part, list(shared_photographs(spec)), threads)
        _write_tables(part, spec, rows)


def _write_photographs(part: Path, photographs: list[Photograph], threads: int) -> list[dict[str, Any]]:
    """Write photographs; the rows of frames.csv in their order."""
    written: dict[int, dict[str, Any]] = {}

    def write(index: int) -> None:
        photograph = photographs[index]
        content = _png(photograph.numbers())
        written[index] = photograph.row | {"sha256": hashlib.sha256(content).hexdigest()}
        if photograph.kept > 0:
            write_bytes(part / photograph.row["file"], content[: int(photograph.kept * len(content))])

    for_each(write, range(len(photographs)), "photographs", threads)
    return [written[index] for index in sorted(written)]


def _png(numbers: np.ndarray) -> bytes:
    import imagecodecs

    # on noise, run lengths after a difference are as small as a full search and ten times as fast
    how = imagecodecs.PNG
    return bytes(imagecodecs.png_encode(numbers, level=1, strategy=how.STRATEGY.RLE, filter=how.FILTER.SUB))


def _write_tables(part: Path, spec: CaptureSpec, rows: list[dict[str, Any]]) -> None:
    from ruamel.yaml import YAML

    text = io.StringIO()
    yaml = YAML()
    yaml.default_flow_style = None
    yaml.representer.ignore_aliases = lambda *_: True  # the session form refuses anchors
    yaml.dump(session_facts(spec), text)
    write_text(part / "session.yaml", text.getvalue())
    write_table(part / "frames.csv", FRAME_COLUMNS, rows)
    write_table(part / "lamps.csv", *lamp_rows(spec))


def _write_truth(folder: Path, spec: CaptureSpec, surface: Surface) -> None:
    settings = {"session": spec.session, "seed": spec.seed, "sub": spec.sub}
    provenance = Provenance.of("make-capture", [], settings)
    products: list[tuple[str, tuple[Band, ...], Any, str]] = [
        ("normals", (Band("nx", "1"), Band("ny", "1"), Band("nz", "1")), truth.normals, "float32"),
        ("height", (Band("height", "um"),), truth.height_um, "float32"),
        ("class", (Band("class", "1"),), truth.class_code, "uint8"),
    ]
    for name, bands, make, dtype in products:
        with raster_writer(folder / f"{name}.tif", spec.grid, bands, provenance, dtype) as writer:
            for row in range(0, spec.shape[0], TRUTH_ROWS):
                rows = (row, min(row + TRUTH_ROWS, spec.shape[0]))
                writer.write(make(surface, rows), spec.grid_rows(rows))
    marks = truth.marks(spec.drawing, spec.grid)
    write_json(folder / "marks.geojson", marks | {"provenance": provenance.as_dict()})
