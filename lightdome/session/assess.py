"""The set of photographs of a field as a whole: who does not fit, where lamps are missing, what can be resolved."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np

from lightdome.session import findings
from lightdome.session.checks import toward_lamps
from lightdome.session.compare import Comparison, compare
from lightdome.session.coverage import Coverage, coverage, lamp_place_noise, tilt_uncertainty_deg
from lightdome.session.findings import Finding, Names
from lightdome.session.geometry import half_vectors, lamp_rays, pixel_places_mm
from lightdome.session.look import NUMBERS, Look
from lightdome.session.motion import Motion
from lightdome.session.odd_frames import find_twins
from lightdome.session.predict import FEWEST
from lightdome.session.preview import Preview, preview
from lightdome.session.records import Frame, Lamp, Session
from lightdome.session.resolved import Resolved, resolved
from lightdome.session.room_light import RoomLight, room_light
from lightdome.session.sharp import Sharpness, compare_sharpness
from lightdome.session.small import COMPARED_PIXELS, coarser, factor_of, share_of
from lightdome.session.tone import levels, tone_exponent

LEAST_FLOOR = 5e-4
"""Share of white that is taken as dark in any case: half a step of eight bits is four times as much."""
DARKEST = 1e-3
"""Share of a photograph's pixels that its darkest light is read from."""
FLAT_FLOOR = 0.01
TONE_PIXELS = 5000
"""Of which the level of a photograph is taken."""


@dataclass(frozen=True)
class Assessment:
    """A field as a whole."""

    findings: tuple[Finding, ...]
    not_checked: tuple[str, ...]
    """What could not be looked for, and why."""
    sharpness: Sharpness
    resolved: Resolved
    light: np.ndarray
    """(L, rows, columns) of the small pictures, less what the room gives; NaN unknown."""
    comparison: Comparison | None = None
    compared_shape: tuple[int, int] = (0, 0)
    coverage: Coverage | None = None
    tilt_deg: dict[str, Any] = field(default_factory=dict)
    room: RoomLight | None = None


@dataclass(frozen=True)
class QuickLook:
    """What the small pictures give by themselves, before it is known how the frames moved."""

    light: np.ndarray
    """(L, rows, columns) at one exposure; NaN unknown."""
    bare: bool
    """Nothing told of the room's light."""
    board_level: np.ndarray | None
    """(L,): median light of the boards that it was divided by; None where it was not."""
    lamps: tuple[Lamp, ...]
    """Of the lit photographs; empty where not all have a place in the table."""
    plate: np.ndarray
    """(rows, columns): True on the plate."""
    preview: Preview | None

    @classmethod
    def of(cls, look: Look, facts: Session, frames: Sequence[Frame], inside: np.ndarray) -> "QuickLook":
        """frames : those that could be read, the lit ones in the order that `look` was told."""
        lit = [frame for frame in frames if frame.role == "lit"]
        light, board_level, bare = small_stack(look, frames, lit)
        table = {lamp.name: lamp for lamp in facts.lamps if lamp.is_placed}
        lamps = tuple(table[frame.lamp] for frame in lit if frame.lamp in table)
        plate = share_of(inside, look.factor) > 0.99
        if len(lamps) < len(lit):
            return cls(light, bare, board_level, (), plate, None)
        shown = _preview(facts, lamps, light, plate, look.factor, board_level is not None)
        return cls(light, bare, board_level, lamps, plate, shown)

    @property
    def flat_divided(self) -> bool:
        """Whether the light was divided by boards."""
        return self.board_level is not None


def assess(look: Look, facts: Session, frames: Sequence[Frame], motion: Motion, quick: QuickLook) -> Assessment:
    """Judge the set. frames : those that could be read, the lit ones in the order that `look` was told."""
    lit = [frame for frame in frames if frame.role == "lit"]
    names = Names(lit, [look.facts[frame.row]["file"] for frame in lit])
    light, lamps = quick.light, quick.lamps
    scale = 2.0 ** (16 - look.facts[lit[0].row]["bit_depth"])
    black, span = scale * facts.camera.black_level, scale * (facts.camera.white_level - facts.camera.black_level)
    sharp = compare_sharpness(look.patches, motion.shift_px, span)
    found = [*findings.boards(frames, lit), *findings.blurred(names, sharp)]
    sure = resolved(sharp.fall_px, facts.camera.pixel_pitch_mm)
    digests = [look.facts[frame.row]["digest"] for frame in lit]
    copies = [k for k, digest in enumerate(digests) if digests.count(digest) > 1]
    if not lamps:
        found += findings.repeated(names, find_twins(light.reshape(len(lit), -1), np.zeros((0, 3))), found, copies)
        text = "the lamps' places are not known yet: no coverage, no preview, no look for shadows, levels, exchanges"
        return Assessment(tuple(found), (text,), sharp, sure, light)
    factor = factor_of(light.shape[1:], COMPARED_PIXELS)
    small, on_plate = coarser(light, factor), coarser(quick.plate[None].astype(np.float32), factor)[0] > 0.5
    shape = (small.shape[1], small.shape[2])
    seen = small.reshape(len(lit), -1)
    rays, irradiance, half = _rays(facts, lamps, shape, look.factor * factor, quick.flat_divided)
    axes = toward_lamps(lamps)
    floor = max(LEAST_FLOOR, 3 * float(np.quantile(sharp.noise, 0.1)) / (look.factor * factor))
    curved = findings.tone(_tone(facts, quick, look.factor))
    found += curved
    comparison = compare(seen, irradiance, half, axes, shape, on_plate, floor)
    not_checked = []
    if comparison is None:
        not_checked.append(f"under fewer than {FEWEST} lamps single photographs cannot be judged by the others")
    elif not comparison.telling:
        not_checked.append(
            "the photographs cannot be predicted from one another (no nearly flat plate, or a lamp table that does not "
            "fit): shadows, levels and exchanged lamps were not looked for"
        )
    else:
        said = {file for one in found for file in one.files}
        more = findings.compared(names, comparison, copies)
        # behind a tone curve nothing fits well
        found += [one for one in more if one.kind != "does not fit" or not (curved or said.intersection(one.files))]
        found += findings.repeated(names, find_twins(seen, axes), found, copies)
    around = None
    if quick.bare and comparison is not None and comparison.telling and on_plate.sum() > 50:
        darkest = (darkest_numbers(look.patches, look.weight > 0) - black) / span
        some = on_plate.ravel()
        around = room_light(seen[:, some], rays[..., some], irradiance[:, some], half[..., some], darkest, floor)
        found += findings.room(around)
    tilt = _tilt(facts, lamps, axes, sharp.noise, quick.preview, quick.flat_divided) if quick.preview else {}
    return Assessment(
        tuple(found), tuple(not_checked), sharp, sure, light, comparison, shape, coverage(axes), tilt, around
    )


def small_stack(
    look: Look, frames: Sequence[Frame], lit: Sequence[Frame]
) -> tuple[np.ndarray, np.ndarray | None, bool]:
    """Light (L, rows, columns) of the small pictures at one exposure, less dark and ambient light, over the flat board.

    Also: the boards' median light (L,), None where it was not divided by boards, and whether nothing told of the room's
    light.
    """
    times = [frame.exposure_s for frame in lit]
    known = [time for time in times if time]
    reference_s = float(np.median(known)) if known and len(known) == len(times) else None

    def at_reference(frame: Frame) -> np.ndarray:
        ratio = reference_s / frame.exposure_s if reference_s and frame.exposure_s else 1.0
        return look.small[frame.row] * np.float32(ratio / frame.gain)

    def mean_of(role: str) -> np.ndarray | None:
        taken = [at_reference(frame) for frame in frames if frame.role == role and frame.row in look.small]
        return np.mean(taken, axis=0) if taken else None

    ambient, dark = mean_of("ambient"), mean_of("dark")
    background = ambient if ambient is not None else dark if dark is not None else np.float32(0)
    # filled in place: large arrays that live for a moment cost more than what is done with them
    light = np.empty((len(lit), *look.small[lit[0].row].shape), np.float32)
    for k, frame in enumerate(lit):
        np.subtract(at_reference(frame), background, out=light[k])
    flats: dict[str, list[np.ndarray]] = {}
    for frame in frames:
        if frame.role == "flat" and frame.row in look.small:
            flats.setdefault(frame.lamp, []).append(at_reference(frame) - background)
    board_level = None
    if flats and all(frame.lamp in flats for frame in lit):
        board_level = np.empty(len(lit))
        for k, frame in enumerate(lit):
            board = np.mean(flats[frame.lamp], axis=0)
            level, board_level[k] = np.nanmean(board), levels(board.reshape(1, -1))[0]
            light[k] *= np.where(board > FLAT_FLOOR * level, level / np.maximum(board, 1e-6), np.nan)
    return light, board_level, ambient is None


def _tone(facts: Session, quick: QuickLook, factor: int) -> tuple[float, float] | None:
    """See `tone_exponent`: of the boards where there are some, else of the plate."""
    places = pixel_places_mm(quick.plate.shape, factor * facts.camera.pixel_pitch_mm)
    some = np.flatnonzero(quick.plate)[:: max(1, int(quick.plate.sum()) // TONE_PIXELS)]
    if not some.size:
        return None
    rays, irradiance = _lit(facts, quick.lamps, places[0][some], places[1][some], False)
    expected = np.median(irradiance * np.maximum(rays[:, 2], 0), axis=1)
    if quick.board_level is not None:
        return tone_exponent(quick.board_level, expected)
    return tone_exponent(levels(quick.light.reshape(len(expected), -1)[:, some]), expected)


def darkest_numbers(patches: np.ndarray, on_plate: np.ndarray) -> np.ndarray:
    """The quantile DARKEST (L,) of patches (L, n, P, P), uint16, where `on_plate` (n, P, P)."""
    mask = on_plate.astype(np.uint8).ravel()
    found = np.empty(len(patches))
    for k, one in enumerate(patches):  # counted, not sorted: half a million numbers of each photograph
        counts = cv2.calcHist([one.ravel()], [0], mask, [NUMBERS], [0, NUMBERS]).ravel().cumsum(dtype=np.int64)
        place = DARKEST * (counts[-1] - 1)
        low, high = np.searchsorted(counts, (int(place), math.ceil(place)), side="right")
        found[k] = low + (high - low) * (place - int(place))
    return found


def _rays(
    facts: Session, lamps: Sequence[Lamp], shape: tuple[int, int], factor: int, flat_divided: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rays (L, 3, P), irradiance (L, P) and half vectors (L, 2, P) at the pixels of a small picture."""
    x, y = pixel_places_mm(shape, factor * facts.camera.pixel_pitch_mm)
    rays, irradiance = _lit(facts, lamps, x, y, flat_divided)
    return rays, irradiance, half_vectors(rays, x, y, facts.camera.distance_mm)


def _lit(
    facts: Session, lamps: Sequence[Lamp], x_mm: np.ndarray, y_mm: np.ndarray, flat_divided: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Rays (L, 3, P) and irradiance (L, P) at points (P,)."""
    rays, irradiance = lamp_rays(lamps, facts.lamp_setting.beam_exponent, x_mm, y_mm)
    # a board held power, distance and pattern, and its own cosine
    return rays, 1 / np.maximum(rays[:, 2], 1e-3) if flat_divided else irradiance


def _preview(
    facts: Session, lamps: Sequence[Lamp], light: np.ndarray, plate: np.ndarray, factor: int, flat_divided: bool
) -> Preview:
    pitch_mm = factor * facts.camera.pixel_pitch_mm
    x, y = pixel_places_mm(plate.shape, pitch_mm)

    def ray_of(k: int, some: slice) -> tuple[np.ndarray, np.ndarray]:
        ray, irradiance = _lit(facts, lamps[k : k + 1], x[some], y[some], flat_divided)
        return ray[0], irradiance[0]

    return preview(light.reshape(len(light), -1), ray_of, plate, pitch_mm)


def _tilt(
    facts: Session, lamps: Sequence[Lamp], axes: np.ndarray, noise: np.ndarray, quick: Preview, flat_divided: bool
) -> dict[str, Any]:
    """Expected standard uncertainty of the tilt in one pixel, degrees, from the layout and the measured noise."""
    power = np.ones(len(lamps)) if flat_divided else np.array([np.mean(lamp.power_rgb) for lamp in lamps])
    known = np.isfinite(quick.facing)
    if not known.any():
        return {}
    relative = noise / (float(np.median(quick.facing[known])) * power)
    u_x, u_y = tilt_uncertainty_deg(axes, relative)
    answer: dict[str, Any] = {
        "noise_of_a_facing_matt_surface": float(np.median(relative)),
        "u_tilt_x_deg": u_x,
        "u_tilt_y_deg": u_y,
        "u_tilt_lamp_places_deg": None,
    }
    u_mm = facts.lamp_setting.u_position_mm
    if u_mm and facts.lamp_setting.model == "near":
        places = np.array([lamp.position_mm for lamp in lamps])
        answer["u_tilt_lamp_places_deg"] = max(tilt_uncertainty_deg(axes, lamp_place_noise(places, u_mm)))
    return answer
