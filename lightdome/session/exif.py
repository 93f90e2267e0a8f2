"""What the camera wrote beside the picture (Exif): facts in, facts and sentences out. Nothing is opened here.

Serial numbers, owner and place are not taken over: products are shown to others.
"""

import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

LARGEST_ISO = 65535
"""Exif 2.3: PhotographicSensitivity that large says only that the value does not fit."""
LONGEST_TEXT = 100


@dataclass(frozen=True)
class Exif:
    """How one photograph was taken, as its camera says; None where it does not."""

    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    taken: str | None = None
    """Date and time by the camera's clock, ISO 8601 without zone, with parts of a second where given."""
    body: str | None = None
    lens: str | None = None
    auto_exposure: bool | None = None
    auto_white_balance: bool | None = None

    def as_dict(self) -> dict[str, Any] | None:
        """Plain values; None where the camera says nothing."""
        facts = asdict(self)
        return facts if any(value is not None for value in facts.values()) else None


NO_EXIF = Exif()


def exif_of(tags: Mapping[str, Any]) -> Exif:
    """The record of what exifread found (`builtin_types=True`); what makes no sense is None."""

    def said(*names: str) -> Any:
        """The first of some tags; raw files hold a few of them in their first directory."""
        keys = (f"{place} {name}" for name in names for place in ("EXIF", "Image"))
        return next((tags[key] for key in keys if key in tags), None)

    exposure_s = _positive(said("ExposureTime"))
    if exposure_s is None:
        exposure_s = _power_of_two(said("ShutterSpeedValue"), -1.0)
    f_number = _positive(said("FNumber"))
    if f_number is None:
        f_number = _power_of_two(said("ApertureValue"), 0.5)
    iso = _positive(said("ISOSpeedRatings", "PhotographicSensitivity"))
    if iso is None or iso >= LARGEST_ISO:
        iso = _positive(said("RecommendedExposureIndex", "ISOSpeed"))
    mode, program = _text(said("ExposureMode")), _text(said("ExposureProgram"))
    balance = _text(said("WhiteBalance"))
    auto_exposure = None
    if mode or (program and program not in ("Unidentified", "Undefined")):
        auto_exposure = not mode.startswith("Manual") if mode else program != "Manual"
    return Exif(
        exposure_s=exposure_s,
        f_number=f_number,
        iso=iso,
        focal_length_mm=_positive(said("FocalLength")),
        taken=_time(said("DateTimeOriginal", "DateTimeDigitized"), said("SubSecTimeOriginal", "SubSecTime")),
        body=_body(_text(said("Make")), _text(said("Model"))),
        lens=_text(said("LensModel")),
        auto_exposure=auto_exposure,
        auto_white_balance=balance.startswith("Auto") if balance else None,
    )


def _number(value: Any) -> float | None:
    if isinstance(value, list | tuple):
        value = value[0] if value else None
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) else None


def _positive(value: Any) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0 else None


def _power_of_two(value: Any, factor: float) -> float | None:
    """Exif holds shutter speed and aperture as logarithms too (APEX)."""
    number = _number(value)
    return float(2 ** (factor * number)) if number is not None and abs(number) < 64 else None


def _text(value: Any) -> str | None:
    text = " ".join(str(value).split()) if isinstance(value, str) else ""
    return text[:LONGEST_TEXT] if text.isprintable() and text else None


def _body(make: str | None, model: str | None) -> str | None:
    if make and model and not model.lower().startswith(make.split()[0].lower()):
        return f"{make} {model}"
    return model or make


def _time(value: Any, part: Any) -> str | None:
    """`2031:05:14 10:00:00` (Exif) or with dashes, and digits after the second."""
    found = re.match(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)", str(value))
    if not found:
        return None
    try:
        time = datetime.datetime.fromisoformat("{}-{}-{}T{}:{}:{}".format(*found.groups()))
    except ValueError:
        return None
    digits = str(part).strip() if part is not None else ""
    return time.isoformat() + (f".{digits[:6]}" if digits.isdecimal() else "")
