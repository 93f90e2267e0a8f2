"""Step of the word lights: `locate-lamps`. Paths in, paths out."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from lightdome import store
from lightdome.frames.linear import response_table
from lightdome.lights import power, sphere_look
from lightdome.lights.field import lamp_field
from lightdome.lights.join import joined, lamps_of_table, layout_warnings
from lightdome.lights.lamps import LampSet
from lightdome.lights.sphere_find import DARK
from lightdome.lights.sphere_picture import draw_lamps
from lightdome.lights.spheres import OWN_PICTURE, Located, Seen, locate
from lightdome.lights.view import View
from lightdome.provenance import Provenance
from lightdome.raster import Grid, Window
from lightdome.session.lens import Lens
from lightdome.session.photograph import other_size, photograph_size, read_exif, read_mask, read_photograph
from lightdome.session.records import Camera, FieldName, Frame, Session
from lightdome.session.sheet import read_field
from lightdome.session.sphere_frames import sphere_frames
from lightdome.tiles import for_each

SEARCH_PHOTOGRAPHS = 8
"""Photographs looked at to find spheres; shadows and highlights even out over so many lamps."""
SAMPLED_BLOCKS, SAMPLED_STEP = 4, 5
"""Blocks of the stack each way, and of their pixels every so many'th, from which the lamps' powers are taken."""
DISTORTED = (
    "the lens's distortion is taken out of the plate's photographs but not out of the spheres', which are of another "
    "size: a sphere near the picture's edge stands off by what frames/quality.json says of the lens"
)
BOARD_PARTS = 8
"""Parts of a board each way."""


def locate_lamps(
    session: Path,
    plate: str,
    side: str,
    field: str,
    stack: Path,
    lamps: Path,
    picture: Path | None,
    *,
    threads: int = 2,
) -> None:
    """Write `lights/lamps.json`: place or direction, power and uncertainty of each lamp of the stack, in its order.

    From lamps.csv, from mirror spheres, or from both where both are there. `lights/spheres.png`, where asked for, shows
    the spheres and the layout. Fails with SessionError, FrameError, LampError or ProductError.
    """
    name = FieldName(plate, side, field)
    facts, frames = read_field(session, name)
    setting = facts.lamp_setting
    with store.open_stack(stack) as planes:
        names, attrs, grid = planes.lamps, planes.attrs, planes.grid
    flat_divided = bool(attrs["flat_divided"])
    table = lamps_of_table(facts, names, flat_divided) if setting.source == "table" else None
    seen = located = None
    patches: list[np.ndarray] = []
    warnings: list[str] = []
    if facts.spheres:
        lens = Lens.of(attrs["distortion"]) if attrs.get("distortion") else None
        seen, patches = _look(facts, frames, name, names, attrs.get("shifts_px"), lens, threads)
        if lens and not seen.common:
            warnings.append(DISTORTED)
        near = setting.model == "near"
        if near and not seen.common and table is not None:
            warnings.append(f"lamps.csv is not refined by the spheres: {OWN_PICTURE}")
        else:
            located = locate(names, seen, near, None if table is None else table.vectors, setting.u_position_mm)
    lamp_set, moved = joined(facts, names, flat_divided, table, located)
    power_known = "table"
    if table is None:
        lamp_set, power_known = _with_powers(lamp_set, facts.camera, frames, stack, grid)
    if located is not None:
        warnings += [*located.warnings, *layout_warnings(lamp_set)]
    files = [facts.folder / "session.yaml", facts.folder / "frames.csv"]
    files += [facts.folder / "lamps.csv"] if table is not None else []
    origin = Provenance.of("locate-lamps", files, {})
    product = {
        **lamp_set.as_dict(),
        "power_how_known": power_known,
        "warnings": warnings,
        "spheres": _sphere_facts(names, seen, located, moved),
    }
    if picture:
        figure = draw_lamps(str(name), lamp_set, seen, located, patches, setting.source)
        with store.beside(picture) as part:
            figure.savefig(part, format="png", metadata={"Software": None})
    store.write_json(lamps, {**product, "provenance": origin.as_dict()})


def _look(
    facts: Session,
    frames: Sequence[Frame],
    name: FieldName,
    names: Sequence[str],
    shifts_px: Sequence[Sequence[float]] | None,
    lens: Lens | None,
    threads: int,
) -> tuple[Seen, list[np.ndarray]]:
    """What the photographs show of the spheres, and of each sphere the brightest light of all photographs."""
    of_lamp = sphere_frames(frames, name)
    photographs = [of_lamp[lamp] for lamp in names]
    lit = next(frame for frame in frames if frame.role == "lit")
    shape = photograph_size(photographs[0].file)
    common = shape == photograph_size(lit.file)
    camera = facts.camera
    view = View(shape, camera.pixel_pitch_mm if common else 1.0, camera.distance_mm if common else None)
    starts = _starts(facts, frames, photographs, view, common)
    lens = lens if common else None
    if lens:
        starts = [sphere_look.straight_rim(start, lens) for start in starts]
    parts = [sphere_look.window_of(rim, shape, number) for number, rim in enumerate(starts, 1)]
    # a lit photograph that stack-frames moved is moved here too, by whole pixels; the rest is taken from the spots
    own_series = photographs[0].role == "sphere"
    shifts = np.zeros((len(names), 2)) if own_series or shifts_px is None else np.array(shifts_px, float)
    whole = np.round(shifts).astype(int)
    light = [np.full((len(names), *part.shape), np.nan, np.float32) for part in parts]

    to_light = partial(_light, camera=camera)

    def cut(index: int) -> None:
        photograph = read_photograph(photographs[index].file)
        if photograph.shape[:2] != shape:
            raise other_size(photographs[index].file, photograph.shape, shape)
        for part, target in zip(parts, light, strict=True):
            rows = np.arange(part.row0, part.row1) + whole[index, 0]
            columns = np.arange(part.col0, part.col1) + whole[index, 1]
            if lens:
                target[index] = sphere_look.straight_part(photograph, rows, columns, lens, to_light)
                continue
            rows, columns = np.clip(rows, 0, shape[0] - 1), np.clip(columns, 0, shape[1] - 1)
            target[index] = _light(photograph[np.ix_(rows, columns)], camera)

    for_each(cut, range(len(names)), f"photographs of the spheres of {name}", threads)
    rims, warnings, spots, brightest = [], [], [], []
    for number, (start, part, patch) in enumerate(zip(starts, parts, light, strict=True), 1):
        sphere = facts.spheres[number - 1]
        rim, doubts = sphere_look.rim_in(patch, start, part, view, number)
        left = (shifts - whole)[:, ::-1]
        of_sphere, standing = sphere_look.spots_on(patch, rim, sphere.height_mm, part, view, left, number)
        rims.append(rim)
        spots.append(of_sphere)
        warnings += [*doubts, *standing, *(sphere_look.odd_radius(rim, sphere, view, number) if common else [])]
        brightest.append(np.nan_to_num(patch, nan=1.0).max(axis=0))
    heights = np.array([sphere.height_mm for sphere in facts.spheres])
    by_lamp = tuple(zip(*spots, strict=True))
    return Seen(view, tuple(rims), heights, tuple(parts), by_lamp, common, tuple(warnings)), brightest


def _starts(
    facts: Session, frames: Sequence[Frame], photographs: Sequence[Frame], view: View, common: bool
) -> list[sphere_look.Rim]:
    """First rims: of the mask, as given, or looked for in a few photographs."""
    mask = next((frame for frame in frames if frame.role == "sphere-mask"), None)
    if mask is not None:
        painted = read_mask(mask.file)
        if painted.shape != view.shape:
            raise other_size(mask.file, painted.shape, view.shape)
        return sphere_look.starts_of_mask(painted, facts.spheres, view)
    if all(sphere.centre_px and (sphere.radius_px or common) for sphere in facts.spheres):
        return sphere_look.starts_found(None, facts.spheres, view, common, None)
    total = np.zeros(view.shape, np.float32)
    picked = np.unique(np.linspace(0, len(photographs) - 1, SEARCH_PHOTOGRAPHS).round().astype(int))
    for index in picked:
        photograph = read_photograph(photographs[index].file)
        if photograph.shape[:2] != view.shape:
            raise other_size(photographs[index].file, photograph.shape, view.shape)
        total += np.log(np.maximum(np.nan_to_num(_light(photograph, facts.camera), nan=1.0), DARK))
    plate = next((frame for frame in frames if frame.role == "mask"), None)
    outside = None
    if plate is not None and photographs[0].role == "lit":
        outside = ~read_mask(plate.file)
        if outside.shape != view.shape:
            raise other_size(plate.file, outside.shape, view.shape)
    return sphere_look.starts_found(total / len(picked), facts.spheres, view, common, outside)


def _light(numbers: np.ndarray, camera: Camera) -> np.ndarray:
    """Linear light (rows, columns), mean over the channels, NaN where one is at white."""
    light = response_table(numbers.dtype, camera.black_level, camera.white_level, camera.response)[numbers]
    return light if light.ndim == 2 else light.mean(axis=2)


def _with_powers(
    lamps: LampSet, camera: Camera, frames: Sequence[Frame], stack: Path, grid: Grid
) -> tuple[LampSet, str]:
    """The lamps with relative powers, and how they are known: by the board where there is one, else by the plate."""
    if lamps.flat_divided:
        boards = [next(f for f in frames if f.role == "flat" and f.lamp == lamp) for lamp in lamps.names]
        light = np.stack([_board(frame, camera) for frame in boards])
        rows, columns = (np.array_split(np.arange(size), BOARD_PARTS) for size in grid.shape)
        x_mm = np.array([grid.x_mm()[part].mean() for part in columns if len(part)])
        y_mm = np.array([grid.y_mm()[part].mean() for part in rows if len(part)])
        toward, irradiance = lamp_field(replace(lamps, flat_divided=False), x_mm, y_mm)
        model = irradiance * np.maximum(toward[:, 2], 0)
        value, u_value = power.of_board(light.reshape(len(light), -1), model.reshape(len(light), -1))
        return replace(lamps, power=value, u_power=u_value), "from the flat board"
    edges = [np.linspace(0, max(size - store.STACK_BLOCK_PX, 0), SAMPLED_BLOCKS).astype(int) for size in grid.shape]
    samples, irradiances, directions = [], [], []
    with store.open_stack(stack) as planes:
        for row in np.unique(edges[0]):
            for column in np.unique(edges[1]):
                last = min(row + store.STACK_BLOCK_PX, grid.shape[0]), min(column + store.STACK_BLOCK_PX, grid.shape[1])
                window = Window(int(row), int(last[0]), int(column), int(last[1]))
                part = planes.read(window)[:, ::SAMPLED_STEP, ::SAMPLED_STEP]
                x_mm, y_mm = grid.x_mm(window)[::SAMPLED_STEP], grid.y_mm(window)[::SAMPLED_STEP]
                toward, irradiance = lamp_field(lamps, x_mm, y_mm)
                samples.append(part.reshape(len(part), -1))
                irradiances.append(irradiance.reshape(len(part), -1))
                directions.append(toward.reshape(len(part), 3, -1))
    light, irradiance, toward = (np.concatenate(parts, axis=-1) for parts in (samples, irradiances, directions))
    value, u_value, how_known = power.of_plate(light, irradiance, toward)
    return replace(lamps, power=value, u_power=u_value), how_known


def _board(frame: Frame, camera: Camera) -> np.ndarray:
    """Mean light (parts, parts) of a board in parts of the picture, at one second where its time is known.

    As in stack-frames, the table's exposure time comes before that of Exif.
    """
    light = _light(read_photograph(frame.file), camera)
    rows = [part for part in np.array_split(light, BOARD_PARTS, axis=0) if len(part)]
    means = [[np.nanmean(cell) for cell in np.array_split(part, BOARD_PARTS, axis=1) if cell.size] for part in rows]
    return np.array(means) / (frame.exposure_s or read_exif(frame.file).exposure_s or 1.0)


def _sphere_facts(
    names: Sequence[str], seen: Seen | None, located: Located | None, moved: np.ndarray | None
) -> dict[str, Any] | None:
    """What `lamps.json` says of the spheres; None where there are none."""
    if seen is None:
        return None
    facts: dict[str, Any] = {
        "with_the_plate": seen.common,
        "rims": [
            {
                "column_px": rim.centre_px[0],
                "row_px": rim.centre_px[1],
                "radius_px": rim.radius_px,
                "u_px": rim.u_px,
                "rms_px": rim.rms_px,
                "seen": rim.seen,
                "how_known": rim.how_known,
            }
            for rim in seen.rims
        ],
    }
    if located is None:
        return facts
    sight, known = located.sight, np.isfinite(located.residuals_px)
    facts["residual_rms_px"] = float(np.sqrt(np.mean(located.residuals_px[known] ** 2))) if known.any() else None
    facts["uncertainties_widened_by"] = located.widening
    if sight.view.distance_mm is not None and known.any():
        facts["camera_distance_mm"] = sight.view.distance_mm
    facts["highlights"] = [
        {
            "lamp": names[lamp],
            "sphere": int(sphere) + 1,
            "column_px": float(sight.highlights_px[lamp, sphere, 0]),
            "row_px": float(sight.highlights_px[lamp, sphere, 1]),
            "u_px": float(sight.u_highlights_px[lamp, sphere]),
            "residual_px": float(located.residuals_px[lamp, sphere]) if known[lamp, sphere] else None,
        }
        for lamp, sphere in np.argwhere(sight.seen)
    ]
    if moved is not None:
        facts["moved_from_table"] = [
            {"lamp": lamp, "by": float(value) if np.isfinite(value) else None}
            for lamp, value in zip(names, moved, strict=True)
        ]
        facts["moved_unit"] = "mm" if located.covariance.shape[-1] == 3 else "deg"
    return facts
