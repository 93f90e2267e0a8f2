"""The capture session as records: the whole of it, one field of it, or the plan of the night."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from lightdome.errors import FrameError, SessionError
from lightdome.session.lens import Lens
from lightdome.session.photograph import is_raw, photograph_size
from lightdome.session.raw import RAW_BLACK, RAW_WHITE
from lightdome.session.records import (
    Camera,
    Checkerboard,
    FieldName,
    Frame,
    Lamp,
    LampSetting,
    Plan,
    Plate,
    Session,
    Sphere,
    frames_of,
)
from lightdome.session.settings import SETTINGS_FILE, first_of, place_of, read_settings
from lightdome.session.tables import FRAMES_FILE, LAMPS_FILE, SheetRow, inside, read_frames, read_lamps


def read_session(folder: Path) -> Session:
    """The whole session, every row in order; SessionError names the first thing wrong and counts the others."""
    session, rows, lamp_problems = _read(folder)
    problems = [row.problem or _lamp_problem(row, session, lamp_problems) for row in rows]
    found = [problem for problem in problems if problem] + list(lamp_problems.values())
    if found:
        raise SessionError(first_of(found))
    return _levelled(session, session.frames)


def read_field(folder: Path, name: FieldName) -> tuple[Session, tuple[Frame, ...]]:
    """The session and the photographs of one field, with the shared ones that serve it.

    Rows of other fields are not judged, so a bad plate stops no other; the session's own `frames` are those that can be
    read. Fails with SessionError for what concerns this field.
    """
    session, rows, lamp_problems = _read(folder)
    mine = [row for row in rows if row.name == name or (row.name is None and row.placed)]
    if not any(row.name == name for row in mine):
        raise SessionError(f"{FRAMES_FILE}: has no row of {name}; check the names of plate, side and field")
    problems = [row.problem or _lamp_problem(row, session, lamp_problems) for row in mine]
    found = [problem for problem in problems if problem]
    if found:
        raise SessionError(first_of(found))
    frames = frames_of(session.frames, name)
    return _levelled(session, frames), frames


def read_leniently(folder: Path) -> Session:
    """The session's facts, and the rows and lamps that can be read; no row is judged.

    Fails with SessionError only where the session as a whole cannot be read.
    """
    session = _read(folder)[0]
    return _levelled(session, session.frames)


def plan_session(folder: Path) -> Plan:
    """What the night has to do: fields, their photographs, their size; lenient about single rows and plates.

    Fails with SessionError only where the session as a whole cannot be read.
    """
    session, rows, lamp_problems = _read(folder)
    refused = [row.problem for row in rows if row.problem and not row.placed] + list(lamp_problems.values())
    _levelled(session, session.frames)
    fields = tuple(dict.fromkeys(row.name for row in rows if row.name))
    pixels = {name: _pixels(frames_of(session.frames, name)) for name in fields}
    return Plan(session.name, fields, tuple(refused), session.frames, pixels)


def _pixels(frames: tuple[Frame, ...]) -> int:
    """Pixels of the first lit photograph that opens; 0 where none does (check-session says so)."""
    for frame in frames:
        if frame.role == "lit":
            try:
                return math.prod(photograph_size(frame.file))
            except FrameError:
                continue
    return 0


def _read(folder: Path) -> tuple[Session, list[SheetRow], dict[str, str]]:
    """The session as far as it can be read, the rows of frames.csv, and what is wrong with lamps, by name."""
    folder = Path(folder)
    if not folder.is_dir():
        raise SessionError(f"{folder}: is not a folder; name the session folder that holds session.yaml")
    folder = folder.absolute()
    facts = read_settings(folder / SETTINGS_FILE)
    lamps: dict[str, Lamp] = {}
    lamp_problems: dict[str, str] = {}
    if facts["lamps"]["source"] == "table":
        lamps, lamp_problems = read_lamps(folder / LAMPS_FILE, facts["lamps"]["model"])
    rows = [_known_plate(row, facts["plates"]) for row in read_frames(folder)]
    if facts["lamps"]["source"] == "spheres":
        lit = [row.frame.lamp for row in rows if row.frame and row.frame.role == "lit"]
        lamps = {name: Lamp(name) for name in lit}
    return _session(folder, facts, tuple(lamps.values()), rows), rows, lamp_problems


def _levelled(session: Session, frames: tuple[Frame, ...]) -> Session:
    """The session with the camera that some photographs need: raw ones are linear and bring their levels.

    The first lit photograph that is there tells; check-session refuses fields that mix both kinds. Fails with
    SessionError where others have no white level.
    """
    for frame in frames:
        if frame.role == "lit" and frame.file.is_file():
            try:
                raw = is_raw(frame.file)
            except FrameError:
                continue
            if raw:
                camera = replace(session.camera, response="linear", black_level=RAW_BLACK, white_level=RAW_WHITE)
                return replace(session, camera=camera)
            break
    if math.isnan(session.camera.white_level):
        raise SessionError(
            f"{place_of(session.folder / SETTINGS_FILE, ('camera',))}: the key 'white_level' is missing, and only raw "
            f"photographs state their own; add it"
        )
    return session


def _known_plate(row: SheetRow, plates: dict[str, Any]) -> SheetRow:
    if row.problem or row.name is None or row.name.plate in plates:
        return row
    problem = (
        f"{FRAMES_FILE}, row {row.row}: plate {row.name.plate!r} is not among the plates of {SETTINGS_FILE}; "
        f"add it there or correct the row"
    )
    return SheetRow(row.row, row.name, None, problem, row.placed)


def _lamp_problem(row: SheetRow, session: Session, lamp_problems: dict[str, str]) -> str | None:
    """What is wrong with the lamp of a row: unknown, or its own row cannot be read."""
    if row.frame is None or not row.frame.lamp or session.lamp_setting.source != "table":
        return None
    lamp = row.frame.lamp
    if lamp in lamp_problems:
        return lamp_problems[lamp]
    if all(lamp != known.name for known in session.lamps):
        return f"{FRAMES_FILE}, row {row.row}: lamp {lamp!r} has no place in {LAMPS_FILE}; add its row there"
    return None


def _session(folder: Path, facts: dict[str, Any], lamps: tuple[Lamp, ...], rows: list[SheetRow]) -> Session:
    camera, exposure = facts["camera"], facts.get("exposure", {})
    return Session(
        folder=folder,
        name=facts["session"],
        date=facts["date"],
        operator=facts["operator"],
        place=facts["place"],
        camera=Camera(
            projection=camera["projection"],
            pixel_pitch_mm=_pitch_mm(folder, camera),
            response=camera["response"],
            black_level=float(camera["black_level"]),
            white_level=float(camera.get("white_level", math.nan)),
            distance_mm=camera.get("distance_mm"),
            u_pixel_pitch=float(camera["u_pixel_pitch"]),
            lens=Lens.of(camera["distortion"]) if "distortion" in camera else None,
            checkerboard=_checkerboard(camera["checkerboard"]) if "checkerboard" in camera else None,
        ),
        lamp_setting=LampSetting(**facts["lamps"]),
        lamps=lamps,
        spheres=tuple(
            Sphere(
                sphere["diameter_mm"],
                tuple(sphere["centre_px"]) if "centre_px" in sphere else None,
                sphere.get("radius_px"),
                sphere.get("centre_height_mm"),
            )
            for sphere in facts["spheres"]
        ),
        plates={name: _plate(name, plate) for name, plate in facts["plates"].items()},
        frames=tuple(row.frame for row in rows if row.frame),
        illuminance_lx=exposure.get("illuminance_lx"),
        exposure_seconds=exposure.get("seconds"),
    )


def _plate(name: str, facts: dict[str, Any]) -> Plate:
    size = tuple(facts["size_mm"]) if "size_mm" in facts else None
    return Plate(name, facts["title"], facts["material"], size, facts["most_light_sensitive"])


def _checkerboard(facts: dict[str, Any]) -> Checkerboard:
    across, down = facts["squares"]
    return Checkerboard((int(across), int(down)), float(facts["square_mm"]))


def _pitch_mm(folder: Path, camera: dict[str, Any]) -> float:
    """Pixel pitch as given, or the scale bar's length over its length in pixels."""
    if "pixel_pitch_mm" in camera:
        return float(camera["pixel_pitch_mm"])
    bar = camera["scale_bar"]
    try:
        inside(folder, bar["file"])
    except ValueError as error:
        raise SessionError(f"{SETTINGS_FILE}, camera.scale_bar.file: {error}") from error
    return bar["length_mm"] / math.dist(bar["from_px"], bar["to_px"])
