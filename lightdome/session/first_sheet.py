"""The text of a first `session.yaml`. Facts in, text out."""

import json
from collections.abc import Sequence

from lightdome.session.exif import Exif
from lightdome.session.proposal import Proposal

COMMENT_COLUMN = 32
DECIDE = "DECIDE: "


def settings_text(name: str, proposal: Proposal, exifs: Sequence[Exif], bits: int | None, jpeg: bool) -> str:
    """`session.yaml` with what is known filled in, and empty where a person must decide.

    exifs : of the lit photographs.  bits : of a channel; None where they are raw.  jpeg : whether they are JPEG.
    """
    days = sorted(exif.taken[:10] for exif in exifs if exif.taken)
    lines = [
        "# A first sheet, written by new-session from the names, the order and the Exif of the photographs.",
        "# What is empty and marked DECIDE must be filled in by a person; all else may be corrected.",
        *(f"# - {note}" for note in proposal.notes),
        "format: 1",
        _line("session", json.dumps(name), "letters, digits, - _ ."),
        *([_line("date", days[0], "by the camera's clock")] if days else []),
        _line("operator", '""', "who photographed"),
        _line("place", '""', "where"),
        _line("camera", "", _camera_words(exifs)),
        _line(
            "  projection",
            "",
            f"{DECIDE}orthographic (telecentric, or far away), or perspective and then distance_mm too",
        ),
        _line("  pixel_pitch_mm", "", f"{DECIDE}on the plate; or in its place"),
        _line("  # scale_bar", "{file: , from_px: [c, r], to_px: [c, r], length_mm: }", ""),
        *_levels(bits, jpeg),
        *_boards(proposal),
        "lamps:",
        *_lamps(proposal),
        "# exposure: {illuminance_lx: 900, seconds: 0.5}   # for the light dose: measure it at the plate",
        "plates:",
    ]
    for plate in proposal.plates:
        lines += [
            f"  {json.dumps(plate)}:",
            _line("    title", '""', "what it is"),
            _line("    material", '""', "the metal"),
            "    # size_mm: [240, 160]",
            _line(
                "    most_light_sensitive",
                "",
                f"{DECIDE}none, low, medium or high: CIE 157 class of its most sensitive part",
            ),
        ]
    return "\n".join(lines) + "\n"


def _line(key: str, value: str, comment: str) -> str:
    text = f"{key}: {value}".rstrip()
    return f"{text.ljust(COMMENT_COLUMN - 1)} # {comment}" if comment else text


def _camera_words(exifs: Sequence[Exif]) -> str:
    """What most photographs say of the camera; '' where they say nothing."""
    facts = [
        next((text for exif in exifs if (text := exif.body)), ""),
        next((text for exif in exifs if (text := exif.lens)), ""),
        next((f"{exif.focal_length_mm:g} mm" for exif in exifs if exif.focal_length_mm), ""),
        next((f"f/{exif.f_number:g}" for exif in exifs if exif.f_number), ""),
        next((f"ISO {exif.iso:g}" for exif in exifs if exif.iso), ""),
        next((f"{exif.exposure_s:.4g} s" for exif in exifs if exif.exposure_s), ""),
    ]
    return ", ".join(fact for fact in facts if fact)


def _levels(bits: int | None, jpeg: bool) -> list[str]:
    if bits is None:
        return ["  # raw files are linear and state their own black and white level"]
    if bits == 8:
        why = "a camera's JPEG" if jpeg else "8 bits are mostly sRGB; linear if you know that they are"
        return [_line("  response", "srgb", why), _line("  white_level", "255", "")]
    return [
        _line("  response", "linear", "right only where the pictures were developed without tone curve and sharpening"),
        _line("  black_level", "0", "sensor number without light"),
        _line(
            "  white_level", "", f"{DECIDE}the number of an overexposed patch (65535 where the converter fills 16 bits)"
        ),
    ]


def _boards(proposal: Proposal) -> list[str]:
    if not any(row["role"] == "checkerboard" for row in proposal.rows):
        return []
    return [
        "  checkerboard:",
        _line("    squares", "", f"{DECIDE}[across, down], in squares; or delete the rows of role checkerboard"),
        _line("    square_mm", "", f"{DECIDE}side of a square"),
    ]


def _lamps(proposal: Proposal) -> list[str]:
    if proposal.from_spheres:
        return [
            _line("  source", "spheres", "they tell where the lamps were; table where lamps.csv does"),
            _line("  model", "near", "or distant"),
            "spheres:",
            _line("  - diameter_mm", "", f"{DECIDE}one entry for each sphere in the picture"),
        ]
    return [
        _line("  source", "table", f"{DECIDE}fill in lamps.csv; or spheres, where mirror spheres stand in the picture"),
        _line("  model", "near", "or distant, then lamps.csv has the columns lamp,azimuth_deg,elevation_deg"),
    ]
