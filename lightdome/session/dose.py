"""Light that a plate has taken by its photographs, against the class of its most sensitive part."""

from collections.abc import Sequence
from typing import Any

from lightdome.session.checks import ANNUAL_LX_H, light_dose_lx_h
from lightdome.session.records import FieldName, Frame, Session, frames_of

PLATE_IN_LIGHT = ("lit", "sphere", "ambient", "colour")
CAUTION = "reciprocity assumed; local rules govern; focusing and set-up light come on top"


def light_dose(facts: Session, frames: Sequence[Frame], plate: str) -> dict[str, Any] | None:
    """Dose, lx h, of some photographs of a plate; None where the illuminance is not given.

    It has no uncertainty of its own: illuminance and times are taken as they were written down.
    """
    if facts.illuminance_lx is None or facts.exposure_seconds is None:
        return None
    times = [frame.exposure_s or facts.exposure_seconds for frame in frames if frame.role in PLATE_IN_LIGHT]
    dose = light_dose_lx_h(facts.illuminance_lx, times)
    light_class = facts.plates[plate].most_light_sensitive
    annual = ANNUAL_LX_H.get(light_class)
    caution = CAUTION
    if annual:
        caution = f"{100 * dose / annual:.2g} % of a usual year's {annual:.0f} lx h for this class; {CAUTION}"
    return {"lx_h": dose, "photographs": len(times), "class_cie_157": light_class, "caution": caution}


def plate_dose(facts: Session, plate: str) -> dict[str, Any] | None:
    """Dose of a plate by the photographs of all its sides and fields together, each file once."""
    names = dict.fromkeys(
        FieldName(frame.plate, frame.side, frame.field) for frame in facts.frames if frame.plate == plate
    )
    frames = {frame.file: frame for name in names for frame in frames_of(facts.frames, name)}
    return light_dose(facts, list(frames.values()), plate)
