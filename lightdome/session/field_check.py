"""Everything that check-session says of one field: numbers for quality.json, findings, pictures."""

import dataclasses
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.errors import FrameError
from lightdome.session import pictures
from lightdome.session.assess import Assessment, QuickLook, assess
from lightdome.session.consistency import Remarks
from lightdome.session.dose import light_dose, plate_dose
from lightdome.session.findings import WIDEST_AZIMUTH_DEG, WIDEST_CAP_DEG, Finding
from lightdome.session.look import Look
from lightdome.session.motion import Motion
from lightdome.session.moves import motion_facts, movement_warnings
from lightdome.session.records import FEWEST_LAMPS, FieldName, Frame, Lamp, Session
from lightdome.session.settings import SETTINGS_FILE
from lightdome.session.verdict import RETAKE, frame_warnings, judge


@dataclass(frozen=True)
class FieldCheck:
    """One field."""

    name: FieldName
    facts: dict[str, Any]
    """The content of `frames/quality.json`."""
    findings: tuple[Finding, ...]
    layout_png: bytes
    preview_png: bytes | None
    frame_pictures: dict[str, dict[str, Any]]
    """For each lit photograph, by file: a small picture; where something is wrong, what the others predict too."""
    problems: tuple[str, ...] = ()
    """A sentence for each photograph that could not be used."""

    @property
    def verdict(self) -> str:
        """ready, usable with warnings, retake."""
        return RETAKE if self.problems else str(self.facts["verdict"])

    def with_problems(self, problems: Sequence[str]) -> "FieldCheck":
        """The same with photographs that could not be used."""
        return dataclasses.replace(self, problems=tuple(problems))

    @classmethod
    def of(
        cls,
        look: Look,
        session: Session,
        frames: Sequence[Frame],
        name: FieldName,
        inside: np.ndarray,
        condition: float | None,
        layout_png: bytes,
        moving: Callable[[], Motion],
        distortion: dict[str, Any] | None,
        remarks: Sequence[Remarks],
    ) -> "FieldCheck":
        """Judge the photographs that `look` has seen; FrameError where the plate is white under nearly every lamp.

        condition : None where the lamps are not located yet.  moving : measures how the frames moved.
        distortion : of the lens, see `checkerboard.py`.
        remarks : what the photographs' own records say.
        """
        lit = [frame for frame in frames if frame.role == "lit"]
        with ThreadPoolExecutor(1) as pool:  # the one waits for small sums, the other for large arrays
            measured = pool.submit(moving)
            quick = QuickLook.of(look, session, frames, inside)
            quick_png = None
            if quick.preview is not None:
                quick_png = pictures.preview_png(quick.preview, look.factor * session.camera.pixel_pitch_mm)
            motion = measured.result()
        too_few = look.short_of(FEWEST_LAMPS - 1, inside)
        if too_few == 1:
            raise FrameError(
                f"{lit[0].file}: no pixel of {name} is below white under three lamps or more; expose for a "
                f"shorter time and check camera.white_level of {SETTINGS_FILE}"
            )
        whole = assess(look, session, frames, motion, quick)
        _complete_entries(look, lit, motion, whole)
        entries = [look.facts[frame.row] for frame in frames]
        used = {frame.lamp for frame in lit}
        idle = [lamp.name for lamp in session.lamps if lamp.name not in used]
        findings = (*whole.findings, *_coverage_findings(whole))
        sure = bool(motion.reliable.any())
        verdict, reasons, warnings = judge(entries, sure, too_few, condition, idle, findings, remarks)
        for entry in entries:
            entry.pop("digest", None)
        facts = {
            "session": session.name,
            "plate": name.plate,
            "side": name.side,
            "field": name.field,
            "verdict": verdict,
            "reasons": reasons,
            "warnings": warnings,
            "findings": [_as_dict(one) for one in findings],
            "not_checked": list(whole.not_checked),
            "lamp_layout": {
                "condition_number": condition,
                "lamps": len(lit),
                "lamps_without_photographs": idle,
                **_coverage_facts(whole),
            },
            "expected_tilt": whole.tilt_deg or None,
            "resolution": _resolution(whole, session.camera.pixel_pitch_mm),
            "room_light": _room(whole),
            "pixels_with_too_few_lamps": too_few,
            "light_dose": light_dose(session, frames, name.plate),
            "light_dose_of_plate": plate_dose(session, name.plate),
            "distortion": distortion,
            "reference_frame": look.facts[lit[motion.reference].row]["file"],
            "frames": entries,
        }
        return cls(name, facts, findings, layout_png, quick_png, pictures.frame_pictures(look, lit, whole))


def channel_weights(lamps: Sequence[Lamp]) -> dict[str, np.ndarray]:
    """What the channels of a colour photograph count under each lamp (3,), so that its colour drops out."""
    weights = {}
    for lamp in lamps:
        power = np.array(lamp.power_rgb, float)
        weights[lamp.name] = power.mean() / power / 3
    return weights


def _complete_entries(look: Look, lit: Sequence[Frame], motion: Motion, whole: Assessment) -> None:
    """Write into the facts of the lit photographs what only the whole series tells."""
    usual = float(np.median([look.facts[frame.row]["sharpness"] for frame in lit]))
    moved_px = motion.displacement_px(look.corners_px)
    for k, frame in enumerate(lit):
        look.facts[frame.row] |= motion_facts(motion, k, moved_px[k])
    lit_facts = [look.facts[frame.row] for frame in lit]
    for k, (entry, movement) in enumerate(zip(lit_facts, movement_warnings(moved_px, lit_facts), strict=True)):
        known = bool(motion.reliable[k])
        entry["contrast"] = _rounded(whole.sharpness.contrast[k])
        entry["blur_px"] = _rounded(whole.sharpness.blur_px[k])
        entry["level"] = _rounded(whole.comparison.level[k]) if whole.comparison else None
        entry["misfit"] = _rounded(whole.comparison.misfit[k]) if whole.comparison else None
        entry["warnings"] += [*frame_warnings(entry, usual), *([movement] if movement else [])]
        if not known and motion.reliable.any():
            entry["warnings"].append("whether it moved could not be measured; it is left where it is")


def _rounded(value: float) -> float | None:
    return round(float(value), 4) if math.isfinite(value) else None


def _as_dict(one: Finding) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "files": list(one.files),
        "lamps": list(one.lamps),
        "says": one.says,
        "do": one.do,
        "retake": one.retake,
    }


def _coverage_facts(whole: Assessment) -> dict[str, Any]:
    if whole.coverage is None:
        return {}
    cover = whole.coverage
    radius, azimuth, elevation = cover.empty_cap
    return {
        "lowest_elevation_deg": round(cover.lowest_deg, 2),
        "highest_elevation_deg": round(cover.highest_deg, 2),
        "azimuth_holes": [
            {
                "from_deg": low,
                "to_deg": high,
                "lamps": lamps,
                "hole_deg": round(hole, 1),
                "at_azimuth_deg": round(at, 1),
            }
            for low, high, lamps, hole, at in cover.azimuth_holes
        ],
        "elevation_hole_deg": [round(value, 1) for value in cover.elevation_hole_deg],
        "empty_cap": {
            "radius_deg": round(radius, 1),
            "azimuth_deg": round(azimuth, 1),
            "elevation_deg": round(elevation, 1),
        },
    }


def _coverage_findings(whole: Assessment) -> list[Finding]:
    """Holes of the layout that are worth saying."""
    if whole.coverage is None:
        return []
    _, _, _, hole, at = max(whole.coverage.azimuth_holes, key=lambda band: (band[2], -band[3]))
    radius, azimuth, elevation = whole.coverage.empty_cap
    found = []
    if hole > WIDEST_AZIMUTH_DEG:
        says = f"no lamp within {hole:.0f} degrees of azimuth, around {at:.0f} degrees"
        found.append(Finding("coverage", (), (), says, "add lamps there, or take slopes that way with care", False))
    elif radius > WIDEST_CAP_DEG:
        says = f"no lamp within {radius:.0f} degrees of azimuth {azimuth:.0f}, elevation {elevation:.0f} degrees"
        found.append(Finding("coverage", (), (), says, "add lamps there, or take slopes that way with care", False))
    return found


def _resolution(whole: Assessment, pitch_mm: float) -> dict[str, Any]:
    sure = whole.resolved
    return {
        "pixel_pitch_um": pitch_mm * 1000,
        "blur_px": _rounded(sure.blur_px),
        "u_blur_px": _rounded(sure.u_blur_px),
        "sampling_efficiency": _rounded(sure.sampling_efficiency),
        "smallest_width_with_depth_um": round(sure.width_um, 1),
        "narrower": "presence and length only",
    }


def _room(whole: Assessment) -> dict[str, Any] | None:
    if whole.room is None:
        return None
    return {"share": round(whole.room.share, 4), "at_most": round(whole.room.at_most, 4)}
