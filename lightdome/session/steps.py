"""Steps of the word session: `check-sheet` and `check-session`. Paths in, paths out."""

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from lightdome import store
from lightdome.errors import FrameError, LampError, SessionError
from lightdome.provenance import Provenance, sha256_of
from lightdome.session.checkerboard import board_corners, find_distortion
from lightdome.session.checks import (
    ANNUAL_LX_H,
    LARGEST_CONDITION,
    condition_number,
    grey,
    light_dose_lx_h,
    toward_lamps,
)
from lightdome.session.layout import draw_lamp_layout
from lightdome.session.look import Look
from lightdome.session.motion import measure_motion
from lightdome.session.moves import motion_facts, movement_warnings
from lightdome.session.photograph import other_size, photograph_size, read_mask, read_photograph
from lightdome.session.records import FEWEST_LAMPS, FieldName, Frame, Session
from lightdome.session.settings import SETTINGS_FILE, first_of
from lightdome.session.sheet import plan_session, read_field
from lightdome.session.tables import FRAMES_FILE, LAMPS_FILE
from lightdome.session.verdict import frame_warnings, judge
from lightdome.tiles import for_each

PHOTOGRAPH_ENDINGS = {".png", ".tif", ".tiff", ".jpg", ".jpeg"}
PLATE_IN_LIGHT = ("lit", "sphere", "ambient", "colour")


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
    session: Path, plate: str, side: str, field: str, quality: Path, picture: Path, *, threads: int = 2
) -> None:
    """Open every photograph of a field, judge the set, draw the layout of the lamps.

    Writes `frames/quality.json` and `frames/lamp_layout.png`. Fails with SessionError, FrameError or LampError where
    the field cannot be measured at all; what makes it poor is in the verdict.
    """
    name = FieldName(plate, side, field)
    facts, frames = read_field(session, name)
    directions, condition = _check_layout(facts, frames, name)
    shape = _common_shape(frames)
    inside = _read_mask(frames, shape)
    lit = [frame for frame in frames if frame.role == "lit"]
    look = Look(facts.camera, inside, [frame.row for frame in lit])
    problems: dict[int, str] = {}
    board, corners = facts.camera.checkerboard, {}

    def open_one(frame: Frame) -> None:
        name = frame.file.relative_to(facts.folder).as_posix()
        try:
            image = _verified(frame)
            look.add(frame, name, image)
            if frame.role == "checkerboard":
                corners[name] = board_corners(grey(image), board) if board else None
        except FrameError as error:
            problems[frame.row] = str(error)

    for_each(open_one, frames, f"photographs of {name}", threads)
    problems = look.odd_forms() | problems
    if problems:
        raise FrameError(first_of([problems[row] for row in sorted(problems)]))
    distortion, lens_warnings = find_distortion(facts.camera, dict(sorted(corners.items())), shape)
    toward = dict(zip([lamp.name for lamp in facts.lamps], directions, strict=True))
    motion = measure_motion(
        look.spectra,
        look.patch_px,
        look.patch_middles_px,
        np.array([toward[frame.lamp] for frame in lit]),
        threads=threads,
    )
    moved_px = motion.displacement_px(look.corners_px)
    usual = float(np.median([look.facts[frame.row]["sharpness"] for frame in lit]))
    for index, frame in enumerate(lit):
        entry = look.facts[frame.row]
        known = bool(motion.reliable[index])
        entry |= motion_facts(motion, index, moved_px[index])
        if not known and motion.reliable.any():
            entry["warnings"].append("whether it moved could not be measured; it is left where it is")
    lit_facts = [look.facts[frame.row] for frame in lit]
    for entry, movement in zip(lit_facts, movement_warnings(moved_px, lit_facts), strict=True):
        entry["warnings"] += [*frame_warnings(entry, usual), *([movement] if movement else [])]
    entries = [look.facts[frame.row] for frame in frames]
    used = {frame.lamp for frame in lit}
    idle = [lamp.name for lamp in facts.lamps if lamp.name not in used]
    too_few = float((look.usable[inside] < FEWEST_LAMPS - 1).mean())
    if too_few == 1:
        raise FrameError(
            f"{lit[0].file}: no pixel of {name} is below white under three lamps or more; expose for a shorter time "
            f"and check camera.white_level of {SETTINGS_FILE}"
        )
    verdict, reasons, warnings = judge(entries, bool(motion.reliable.any()), too_few, condition, idle)
    warnings += lens_warnings
    verdict = "usable with warnings" if verdict == "ready" and warnings else verdict
    for entry in entries:
        del entry["digest"]
    origin = Provenance.of("check-session", [facts.folder / SETTINGS_FILE, facts.folder / FRAMES_FILE], {})
    _draw(picture, name, facts, directions, used, condition)
    store.write_json(
        quality,
        {
            "session": facts.name,
            "plate": plate,
            "side": side,
            "field": field,
            "verdict": verdict,
            "reasons": reasons,
            "warnings": warnings,
            "lamp_layout": {"condition_number": condition, "lamps": len(lit), "lamps_without_photographs": idle},
            "pixels_with_too_few_lamps": too_few,
            "light_dose": _light_dose(facts, frames, name),
            "distortion": distortion,
            "reference_frame": look.facts[lit[motion.reference].row]["file"],
            "frames": entries,
            "provenance": origin.as_dict(),
        },
    )


def _check_layout(facts: Session, frames: tuple[Frame, ...], name: FieldName) -> tuple[np.ndarray, float]:
    """Directions (lamps of the table, 3) and the condition number of those photographed."""
    if facts.lamp_setting.source == "spheres":
        raise LampError(
            f"{SETTINGS_FILE}, lamps.source: locating lamps from spheres is not available in version 0.1; "
            f"give {LAMPS_FILE} and source: table"
        )
    lit = {frame.lamp for frame in frames if frame.role == "lit"}
    if len(lit) < FEWEST_LAMPS:
        raise LampError(
            f"{FRAMES_FILE}: {name} has {len(lit)} lit photographs, and at least {FEWEST_LAMPS} lamps are needed; "
            f"photograph it under more lamps"
        )
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


def _verified(frame: Frame) -> np.ndarray:
    """The sensor numbers of one photograph; FrameError where its checksum is not the one of the table."""
    if frame.role == "sphere-mask":
        read_mask(frame.file)
    image = read_photograph(frame.file)
    if frame.sha256 and sha256_of(frame.file) != frame.sha256:
        raise FrameError(f"{frame.file}: its SHA-256 is not the one of {FRAMES_FILE}, row {frame.row}; copy it again")
    return image


def _light_dose(facts: Session, frames: tuple[Frame, ...], name: FieldName) -> dict[str, Any] | None:
    """Light dose of the plate by the photographs of this field; None where the illuminance is not given."""
    if facts.illuminance_lx is None or facts.exposure_seconds is None:
        return None
    times = [frame.exposure_s or facts.exposure_seconds for frame in frames if frame.role in PLATE_IN_LIGHT]
    dose = light_dose_lx_h(facts.illuminance_lx, times)
    light_class = facts.plates[name.plate].most_light_sensitive
    annual = ANNUAL_LX_H.get(light_class)
    caution = "reciprocity assumed; local rules govern; focusing and set-up light come on top"
    if annual:
        caution = f"{100 * dose / annual:.2g} % of a usual year's {annual:.0f} lx h for this class; {caution}"
    return {"lx_h": dose, "photographs": len(times), "class_cie_157": light_class, "caution": caution}


def _draw(
    picture: Path, name: FieldName, facts: Session, directions: np.ndarray, used: set[str], condition: float
) -> None:
    names = [lamp.name for lamp in facts.lamps]
    note = f"{len(used)} lamps photographed; condition number of the layout {condition:.1f}."
    figure = draw_lamp_layout(str(name), names, directions, [lamp in used for lamp in names], note)
    with store.beside(picture) as part:
        figure.savefig(part, format="png", metadata={"Software": None})
