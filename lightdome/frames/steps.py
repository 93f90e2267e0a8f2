"""Step of the word frames: `stack-frames`. Paths in, paths out; each photograph is decoded once."""

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from lightdome import store
from lightdome.errors import FrameError, ProductError, SessionError
from lightdome.frames.develop import Developer, Shot
from lightdome.frames.linear import Background
from lightdome.frames.planes import open_planes
from lightdome.frames.register import Place, straightened
from lightdome.provenance import Provenance
from lightdome.raster import Grid, Window
from lightdome.session.lens import Lens
from lightdome.session.photograph import other_size, read_mask, read_photograph
from lightdome.session.records import Camera, FieldName, Frame, Lamp
from lightdome.session.sheet import read_field
from lightdome.tiles import for_each, progress, tiles

BAND_ROWS = 2 * store.STACK_BLOCK_PX
HALF = 0.5
"""Share of plate from which a pixel of the mask, once interpolated, is the plate's."""


def stack_frames(
    session: Path,
    plate: str,
    side: str,
    field: str,
    quality: Path,
    stack: Path,
    *,
    threads: int = 1,
    tile_px: int = BAND_ROWS,
) -> None:
    """Write `frames/stack.zarr.zip`: linear light of every lamp, in register, all lamps of a block of pixels together.

    Shifts come from `frames/quality.json`. Lamps stand in the order of lamps.csv. tile_px : rows worked on at a time,
    in whole blocks of the stack; it changes no answer. Fails with SessionError, FrameError or ProductError.
    """
    name = FieldName(plate, side, field)
    facts, frames = read_field(session, name)
    judged = store.read_json(quality)
    frames = _exposed(frames, judged, facts.folder, quality)
    lens = _lens(judged, quality)
    shots = _shots(frames, facts.lamps, judged, facts.folder, quality, lens)
    reference_s = _reference_exposure(shots, name)
    make = _developer(facts.camera, frames, reference_s, lens)
    grid = Grid(make.shape, facts.camera.pixel_pitch_mm)
    flat_divided = bool(shots[0].flats)
    attrs = {
        "session": facts.name,
        "plate": plate,
        "side": side,
        "field": field,
        "flat_divided": flat_divided,
        "exposure_s": reference_s,
        "masked": make.mask is not None,
        "shifts_px": [list(shot.place.shift_px) for shot in shots],
        "turns": [list(shot.place.turn) for shot in shots],
        "distortion": lens._asdict() if lens else None,
    }
    origin = Provenance.of("stack-frames", [*(frame.file for frame in frames), quality], {})
    band_rows = max(1, round(tile_px / store.STACK_BLOCK_PX)) * store.STACK_BLOCK_PX
    names = [shot.lamp.name for shot in shots]
    store.check_room(stack, math.prod(grid.shape) * len(shots) * np.dtype(np.float32).itemsize)
    with (
        store.scratch(stack.with_name(f"{stack.name}.planes")) as scratch,
        open_planes(scratch, grid.shape, store.STACK_BLOCK_PX) as planes,
    ):
        for index, (shot, images) in enumerate(progress(_read_ahead(shots, threads), "photographs", len(shots))):
            make.develop(shot, images, planes, index, band_rows)
        with store.stack_writer(stack, grid, names, attrs, origin) as writer:

            def write(window: Window) -> None:
                light = make.finished(planes.read_block(len(shots), window), window)
                writer.write(light, make.colour(light, window), window)

            blocks = [tile.core for tile in tiles(grid.shape, store.STACK_BLOCK_PX)]
            for_each(write, blocks, "blocks of the stack", threads)


def _exposed(frames: Sequence[Frame], quality: dict[str, Any], folder: Path, path: Path) -> tuple[Frame, ...]:
    """The frames with exposure time and gain as check-session found them, in the table or in the photographs."""
    try:
        known = {entry["file"]: (entry.get("exposure_s"), float(entry.get("gain", 1))) for entry in quality["frames"]}
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise ProductError(f"{path}: holds no facts of frames; make it again with check-session") from error
    exposed = []
    for frame in frames:
        exposure_s, gain = known.get(frame.file.relative_to(folder).as_posix(), (None, 1.0))
        exposed.append(replace(frame, exposure_s=frame.exposure_s or exposure_s, gain=gain))
    return tuple(exposed)


def _lens(quality: dict[str, Any], path: Path) -> Lens | None:
    """The lens of `frames/quality.json`; None where there is none to correct."""
    facts = quality.get("distortion")
    if facts is None:
        return None
    try:
        return Lens.of(facts)
    except (KeyError, TypeError, ValueError) as error:
        raise ProductError(f"{path}: holds a distortion without {error}; make it again with check-session") from error


def _shots(
    frames: Sequence[Frame],
    lamps: Sequence[Lamp],
    quality: dict[str, Any],
    folder: Path,
    path: Path,
    lens: Lens | None,
) -> list[Shot]:
    """The lit photographs in the order of the lamps, with their flat boards and where their pixels are found."""
    try:
        places = {entry["file"]: _place(entry, lens) for entry in quality["frames"]}
    except (KeyError, TypeError, IndexError, ValueError) as error:
        raise ProductError(f"{path}: holds no shifts of frames; make it again with check-session") from error
    lit = {frame.lamp: frame for frame in frames if frame.role == "lit"}
    shots = []
    for lamp in lamps:
        if lamp.name in lit:
            frame = lit[lamp.name]
            key = frame.file.relative_to(folder).as_posix()
            if key not in places:
                raise ProductError(f"{path}: does not know {key}; make it again with check-session")
            flats = tuple(other for other in frames if other.role == "flat" and other.lamp == lamp.name)
            shots.append(Shot(frame, lamp, flats, places[key]))
    if not shots:
        raise FrameError("frames.csv: the field has no lit photograph under a lamp of lamps.csv; add its rows")
    bare = [shot for shot in shots if not shot.flats]
    if bare and len(bare) < len(shots):
        raise FrameError(
            f"frames.csv: lamp {bare[0].lamp.name!r} has no flat photograph while others have; photograph the board "
            f"under every lamp, or delete the flat rows"
        )
    return shots


def _place(entry: dict[str, Any], lens: Lens | None) -> Place:
    """Where the pixels of a frame are found, from its entry in `frames/quality.json`."""
    scale, angle = float(entry.get("scale", 1.0)), math.radians(float(entry.get("rotation_deg", 0.0)))
    shift = (float(entry["shift_px"][0]), float(entry["shift_px"][1]))
    turn = (scale * math.cos(angle) - 1, scale * math.sin(angle))
    return Place(shift, turn, lens)


def _reference_exposure(shots: Sequence[Shot], name: FieldName) -> float | None:
    """Median exposure time, s, of the lit photographs; None where no time is given."""
    times = [shot.frame.exposure_s for shot in shots]
    known = [time for time in times if time is not None]
    if known and len(known) < len(times):
        row = next(shot.frame.row for shot in shots if shot.frame.exposure_s is None)
        raise SessionError(
            f"frames.csv, row {row}, column exposure_s: is empty while other lit photographs of {name} have it; add it"
        )
    return float(np.median(known)) if known else None


def _read_ahead(shots: Sequence[Shot], threads: int) -> Iterator[tuple[Shot, list[np.ndarray]]]:
    """Each lit photograph and its flat boards, in order, the next being decoded meanwhile."""

    def read(shot: Shot) -> list[np.ndarray]:
        return [read_photograph(frame.file) for frame in (shot.frame, *shot.flats)]

    if threads <= 1:
        yield from ((shot, read(shot)) for shot in shots)
        return
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(read, shots[0])
        for shot, following in zip(shots, [*shots[1:], None], strict=True):
            images = coming.result()
            if following is not None:
                coming = pool.submit(read, following)
            yield shot, images


def _developer(camera: Camera, frames: Sequence[Frame], reference_s: float | None, lens: Lens | None) -> Developer:
    """A developer that knows the form of the photographs, the mask, the background and the colour photographs."""
    make = Developer(camera, read_photograph(next(frame.file for frame in frames if frame.role == "lit")), reference_s)
    for frame in frames:
        if frame.role == "mask":
            mask = read_mask(frame.file)
            if mask.shape != make.shape:
                raise other_size(frame.file, mask.shape, make.shape)
            make.mask = straightened(mask, lens) > HALF if lens else mask
    make.background = Background(_means(make, frames, "dark"), _means(make, frames, "ambient"))
    colours = [frame for frame in frames if frame.role == "colour"]
    if colours:
        total = np.zeros((*make.shape, 3), np.float32)
        for frame in colours:
            light = make.light(read_photograph(frame.file), frame)
            background = np.asarray(make.background.at(frame.exposure_s, slice(None)))
            if background.ndim == 2 and light.ndim == 3:
                background = background[..., None]
            elif background.ndim == 3 and light.ndim == 2:
                light = light[..., None]
            light = (light - background) * np.float32(make.ratio(frame) * frame.gain)
            total += light if light.ndim == 3 else light[..., None]
        total /= np.float32(len(colours))
        if lens:
            for channel in range(3):
                total[..., channel] = straightened(total[..., channel], lens)
        make.fixed_colour = total
    return make


def _means(make: Developer, frames: Sequence[Frame], role: str) -> list[tuple[float | None, np.ndarray]]:
    """Mean light of the dark or ambient photographs of each exposure time, opened one at a time."""
    sums: dict[float | None, tuple[np.ndarray, int]] = {}
    for frame in frames:
        if frame.role == role:
            light = make.light(read_photograph(frame.file), frame)
            total, count = sums.get(frame.exposure_s, (np.float32(0), 0))
            sums[frame.exposure_s] = (light + total, count + 1)
    return [(time, total / np.float32(count)) for time, (total, count) in sums.items()]
