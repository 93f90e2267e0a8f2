"""Steps of the word session: `check-sheet` and `check-session`. Paths in, paths out."""

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from lightdome import store
from lightdome.errors import FrameError, LampError, LightdomeError, SessionError
from lightdome.provenance import Provenance, sha256_of
from lightdome.session.check_page import render_page, screen_text
from lightdome.session.checkerboard import board_corners, find_distortion
from lightdome.session.checks import LARGEST_CONDITION, condition_number, grey, toward_lamps
from lightdome.session.checksums import MANIFEST, manifest_text, read_manifest
from lightdome.session.consistency import Remarks, Shown, evened_out
from lightdome.session.layout import layout_picture
from lightdome.session.photograph import (
    PHOTOGRAPH_ENDINGS,
    camera_says,
    other_size,
    photograph_size,
    read_mask,
    read_with_levels,
)
from lightdome.session.raw import RawLevels
from lightdome.session.records import FEWEST_LAMPS, FieldName, Frame, Plan, Session
from lightdome.session.settings import SETTINGS_FILE, first_of
from lightdome.session.sheet import plan_session, read_field, read_leniently
from lightdome.session.sphere_frames import sphere_frames
from lightdome.session.tables import FRAMES_FILE, LAMPS_FILE
from lightdome.session.verdict import RETAKE
from lightdome.tiles import for_each

if TYPE_CHECKING:  # their libraries take most of a second to load, in which photographs can be decoded
    from lightdome.session.field_check import FieldCheck
    from lightdome.session.look import Look
    from lightdome.session.motion import Motion

LARGEST_KEPT_BYTES = 31 << 20
"""See `_hold_on_to_memory`."""


def check_sheet(session: Path, output: Path) -> None:
    """Write the plan of a session (fields, photographs, lamps), or refuse it with what belongs nowhere.

    Fails with SessionError: the first row refused, and how many more.
    """
    plan = plan_session(session)
    if plan.refused:
        raise SessionError(first_of(list(plan.refused)))
    files = [session / name for name in (SETTINGS_FILE, FRAMES_FILE, LAMPS_FILE) if (session / name).is_file()]
    fields = []
    for name in plan.fields:
        facts, _ = _field_or_none(session, name)
        lamps = plan.lamps_of(name)
        fields.append(
            {
                "plate": name.plate,
                "side": name.side,
                "field": name.field,
                "photographs": len(plan.photographs(name)),
                "pixels": plan.pixels(name),
                "lamps": list(lamps),
                "lamps_without_photographs": [lamp.name for lamp in facts.lamps if lamp.name not in lamps]
                if facts
                else None,
            }
        )
    named = {frame.file.resolve() for frame in plan.frames}
    folders = {frame.file.parent for frame in plan.frames if frame.file.parent.is_dir()}
    loose = sorted(
        path.relative_to(session.absolute()).as_posix()
        for folder in folders
        for path in folder.iterdir()
        if path.suffix.lower() in PHOTOGRAPH_ENDINGS and path.resolve() not in named
    )
    origin = Provenance.of("check-sheet", files, {})
    facts_of_sheet = {"session": plan.session, "fields": fields, "photographs_without_lamps": loose}
    store.write_json(output, {**facts_of_sheet, "provenance": origin.as_dict()})


def _field_or_none(session: Path, name: FieldName) -> tuple[Session | None, tuple[Frame, ...]]:
    """A field's records, or None where check-session will refuse it."""
    try:
        return read_field(session, name)
    except SessionError:
        return None, ()


def check_session(
    session: Path,
    plate: str,
    side: str,
    field: str,
    quality: Path,
    picture: Path,
    page: Path | None,
    *,
    threads: int = 2,
) -> None:
    """Open every photograph of a field, judge the set, draw the layout of the lamps.

    Writes `frames/quality.json`, `frames/lamp_layout.png` and, where asked for, `frames/check.html`. Fails with
    SessionError, FrameError or LampError where the field cannot be measured at all; what makes it poor is in the
    verdict.
    """
    name = FieldName(plate, side, field)
    facts, frames = read_field(session, name)
    one, problems = _field_check(facts, frames, name, threads)
    if problems:
        raise FrameError(first_of(problems))
    origin = Provenance.of("check-session", [facts.folder / SETTINGS_FILE, facts.folder / FRAMES_FILE], {})
    with store.beside(picture) as part:
        part.write_bytes(one.layout_png)
    if page:
        store.write_text(page, render_page(facts, [one], [], None))
    store.write_json(quality, {**one.facts, "provenance": origin.as_dict()})


def judge_session(session: Path, page: Path | None, write_checksums: bool, threads: int) -> int:
    """The verdict on the spot: every field of a session on one screen and one page; 0, or 2 to retake something.

    page : None is `results/<session>/check.html` where the command runs. A field that cannot be read stops no other.
    Fails with SessionError where the session as a whole cannot be read, or a checksum file says otherwise.
    """
    plan = plan_session(session)
    sums = _write_checksums(session.absolute(), plan) if write_checksums else None
    here = f"{session.absolute()}/"  # pages are handed round: files are named as frames.csv names them
    checks, failed = [], [(FRAMES_FILE, first_of(list(plan.refused)))] if plan.refused else []
    for name in plan.fields:
        try:
            facts, frames = read_field(session, name)
            one, problems = _field_check(facts, frames, name, threads)
            checks.append(one.with_problems([text.replace(here, "") for text in problems]))
        except LightdomeError as error:
            failed.append((str(name), str(error).replace(here, "")))
    facts = read_leniently(session)
    place = page or Path("results") / facts.name / "check.html"
    store.write_text(place, render_page(facts, checks, failed, sums))
    print(screen_text(facts, checks, failed, sums, place))
    return 2 if failed or any(one.verdict == RETAKE for one in checks) else 0


def _write_checksums(folder: Path, plan: Plan) -> str:
    """Write the checksum file of all photographs, or find it right; SessionError where another one is there."""
    files = {frame.file.relative_to(folder).as_posix(): frame.file for frame in plan.frames if frame.file.is_file()}
    text, manifest = manifest_text(files), folder / MANIFEST
    if not manifest.exists():
        store.write_text(manifest, text)
        return f"{MANIFEST} written for {len(files)} photographs; check a copy with: sha256sum -c {MANIFEST}"
    if manifest.read_text(encoding="utf-8", errors="replace") != text:
        raise SessionError(
            f"{MANIFEST}: is there already and says otherwise; it is never written over: find out which photograph "
            f"changed (sha256sum -c {MANIFEST}), or move it away and write a new one"
        )
    return f"{MANIFEST} is there already, and all {len(files)} photographs are as it says"


def _field_check(
    facts: Session, frames: tuple[Frame, ...], name: FieldName, threads: int
) -> tuple["FieldCheck", list[str]]:
    """Everything about one field, and a sentence for each photograph that cannot be used."""
    directions, condition = _check_layout(facts, frames, name)
    shape = _common_shape(frames)
    inside = _read_mask(frames, shape)
    lit = [frame for frame in frames if frame.role == "lit"]
    used = {frame.lamp for frame in lit}
    known = read_manifest(facts.folder)
    problems: dict[int, str] = {}
    shown: dict[int, Shown] = {}
    _hold_on_to_memory()
    board = facts.camera.checkerboard
    corners: dict[str, np.ndarray | None] = {}

    def open_one(frame: Frame) -> None:
        file = frame.file.relative_to(facts.folder).as_posix()
        shown[frame.row] = Shown(frame, file, *camera_says(frame.file))
        try:
            image, levels = _verified(frame, known.get(file))
            looking.result().add(frame, file, image, levels)
            if frame.role == "checkerboard":
                corners[file] = board_corners(grey(image), board) if board else None
        except FrameError as error:
            problems[frame.row] = str(error)

    with ThreadPoolExecutor(1) as aside:  # what needs no photograph is done while the first ones are decoded
        looking = aside.submit(_new_look, facts, inside, lit)
        drawing = aside.submit(layout_picture, name, facts.lamps, directions, used, condition)
        for_each(open_one, frames, f"photographs of {name}", threads)
        look, layout_png = looking.result(), drawing.result()
    problems = look.odd_forms() | problems
    said = [problems[row] for row in sorted(problems)]
    frames = tuple(frame for frame in frames if frame.row not in problems)
    lit = look.keep([frame for frame in lit if frame.row not in problems])
    if len(lit) < FEWEST_LAMPS:
        raise FrameError(first_of(said))
    linear = facts.camera.response == "linear"
    remarks, frames = evened_out(look.facts, [shown[frame.row] for frame in frames], linear)
    distortion, lens_warnings = find_distortion(facts.camera, dict(sorted(corners.items())), shape)
    remarks.append(Remarks([], lens_warnings))
    from lightdome.session.field_check import FieldCheck

    moving = partial(_motion, look, facts, lit, directions, threads)
    return FieldCheck.of(look, facts, frames, name, inside, condition, layout_png, moving, distortion, remarks), said


def _new_look(facts: Session, inside: np.ndarray, lit: list[Frame]) -> "Look":
    from lightdome.session.field_check import channel_weights
    from lightdome.session.look import Look

    return Look(facts.camera, inside, [frame.row for frame in lit], channel_weights(facts.lamps))


def _hold_on_to_memory() -> None:
    """Let arrays of some megabytes be made of memory that others gave up: each photograph needs the same ones anew.

    The C library of Linux hands such memory back and gets it again page by page, which makes the edges of a photograph
    take a third longer, until one large block, of less than 32 MB, was given up (mallopt(3), M_MMAP_THRESHOLD).
    """
    np.empty(LARGEST_KEPT_BYTES, np.uint8)


def _motion(look: "Look", facts: Session, lit: list[Frame], directions: np.ndarray, threads: int) -> "Motion":
    """How each lit frame moved; what the shading of known lamps feigns is taken off."""
    from lightdome.session.alignment import aligned
    from lightdome.session.motion import measure_motion

    toward = None
    if len(directions):
        place = {lamp.name: index for index, lamp in enumerate(facts.lamps)}
        toward = directions[[place[frame.lamp] for frame in lit]]
    motion = measure_motion(look.spectra, look.patch_px, look.patch_middles_px, toward, threads=threads)
    return aligned(motion, look.patch_light, look.weight, look.patch_middles_px, threads)


def _check_layout(facts: Session, frames: tuple[Frame, ...], name: FieldName) -> tuple[np.ndarray, float | None]:
    """Directions (lamps of the table, 3) and the condition number of those photographed.

    None, and None, where the lamps are located from spheres: locate-lamps judges their layout.
    """
    lit = {frame.lamp for frame in frames if frame.role == "lit"}
    if len(lit) < FEWEST_LAMPS:
        raise LampError(
            f"{FRAMES_FILE}: {name} has {len(lit)} lit photographs, and at least {FEWEST_LAMPS} lamps are needed; "
            f"photograph it under more lamps"
        )
    if facts.lamp_setting.source == "spheres":
        sphere_frames(frames, name)
        return np.empty((0, 3)), None
    directions = toward_lamps(facts.lamps)
    condition = condition_number(directions[[lamp.name in lit for lamp in facts.lamps]])
    if condition > LARGEST_CONDITION:
        raise LampError(
            f"{LAMPS_FILE}: the lamps of {name} stand in one plane through the plate (condition number "
            f"{min(condition, 1e6):.0f}, at most {LARGEST_CONDITION:.0f}); add lamps at other azimuths"
        )
    return directions, condition


def _common_shape(frames: tuple[Frame, ...]) -> tuple[int, int]:
    """Rows and columns of most lit photographs whose header can be read."""
    shapes: Counter[tuple[int, int]] = Counter()
    problem = None
    for frame in frames:
        if frame.role == "lit":
            try:
                shapes[photograph_size(frame.file)] += 1
            except FrameError as error:
                problem = problem or error
    if not shapes:
        raise problem or FrameError(f"{FRAMES_FILE}: no lit photograph can be read; copy them again from the camera")
    return shapes.most_common(1)[0][0]


def _read_mask(frames: tuple[Frame, ...], shape: tuple[int, int]) -> np.ndarray:
    """True (rows, columns) on the plate; everywhere where there is no mask."""
    for frame in frames:
        if frame.role == "mask":
            mask = read_mask(frame.file)
            if mask.shape != shape:
                raise other_size(frame.file, mask.shape, shape)
            return mask
    return np.ones(shape, bool)


def _verified(frame: Frame, listed: str | None) -> tuple[np.ndarray, RawLevels | None]:
    """The sensor numbers of one photograph, and a raw one's levels; FrameError where its checksum is another one.

    listed : the sum that the list of the session has for it.
    """
    if frame.role == "sphere-mask":
        read_mask(frame.file)
    image, levels = read_with_levels(frame.file)
    digest = sha256_of(frame.file) if frame.sha256 or listed else None
    if frame.sha256 and digest != frame.sha256:
        raise FrameError(f"{frame.file}: its SHA-256 is not the one of {FRAMES_FILE}, row {frame.row}; copy it again")
    if listed and digest != listed:
        raise FrameError(f"{frame.file}: has changed since {MANIFEST} was written; copy it again from the camera")
    return image, levels
