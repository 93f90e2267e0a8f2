"""The verdict on the spot: one screen of text, and one page that is a file of its own. Facts in, text out."""

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from lightdome import __version__
from lightdome.session.dose import plate_dose
from lightdome.session.records import Session
from lightdome.session.verdict import READY, RETAKE, WARNED

if TYPE_CHECKING:  # its libraries take most of a second to load
    from lightdome.session.field_check import FieldCheck

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
"""Content Security Policy (W3C CSP 3): pictures and style within the page, nothing from anywhere else, no script."""
MOST_LINES = 12
"""Findings on the screen; the page has all."""
MOST_FIELDS = 6
SIGNS = {READY: "✔", WARNED: "!", RETAKE: "✘"}
"""Beside the word, never instead of it."""


def whole_verdict(checks: Sequence["FieldCheck"], failed: Sequence[tuple[str, str]]) -> str:
    """The worst of all fields; retake where one could not be read."""
    said = {one.verdict for one in checks}
    if failed or RETAKE in said or not checks:
        return RETAKE
    return WARNED if WARNED in said else READY


def screen_text(
    facts: Session, checks: Sequence["FieldCheck"], failed: Sequence[tuple[str, str]], sums: str | None, page: Path
) -> str:
    """One screen: the verdict, what to do with which photograph, what the set can give, where the page lies."""
    verdict = whole_verdict(checks, failed)
    lines = [f"{SIGNS[verdict]} {verdict.upper()}: session {facts.name}, {_count(len(checks) + len(failed), 'field')}"]
    todo = _to_do(checks, failed)
    hints = [f"{one.name}: {text}" for one in checks for text in one.facts["warnings"]]
    lines += _some("Before the plate goes back:", todo, MOST_LINES)
    lines += _some("Warnings:", hints, max(2, MOST_LINES - len(todo)))
    lines += [f"{one.name}: {one.verdict}; {_summary(one)}" for one in checks[:MOST_FIELDS]]
    if len(checks) > MOST_FIELDS:
        lines.append(f"and {len(checks) - MOST_FIELDS} more fields, on the page")
    doses = {plate: plate_dose(facts, plate) for plate in dict.fromkeys(one.name.plate for one in checks)}
    known = {plate: dose for plate, dose in doses.items() if dose}
    if known:
        plate = max(known, key=lambda name: (known[name]["lx_h"], name))
        more = f" (the most of {len(known)} plates)" if len(known) > 1 else ""
        dose = known[plate]
        lines.append(f"Light dose of {plate}{more}: {dose['lx_h']:.2g} lx h; {dose['caution']}")
    if sums:
        lines.append(sums)
    lines.append(f"Page: {page}")
    return "\n".join(lines)


def _to_do(checks: Sequence["FieldCheck"], failed: Sequence[tuple[str, str]]) -> list[str]:
    """What keeps the set from being usable, a sentence each."""
    todo = []
    for one in checks:
        head = "" if len(checks) == 1 else f"{one.name}: "
        todo += [f"{head}{text}" for text in (*one.problems, *one.facts["reasons"])]
    return todo + [text if name in text else f"{name}: {text}" for name, text in failed]


def _some(title: str, texts: Sequence[str], most: int) -> list[str]:
    if not texts:
        return []
    shown = [f"  - {text}" for text in texts[:most]]
    more = [f"  and {len(texts) - most} more, on the page"] if len(texts) > most else []
    return [title, *shown, *more]


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _summary(one: "FieldCheck") -> str:
    """Lamps, tilt and smallest mark in one line."""
    parts = [_count(one.facts["lamp_layout"]["lamps"], "lamp")]
    tilt = one.facts["expected_tilt"]
    if tilt:
        parts.append(f"tilt to {max(tilt['u_tilt_x_deg'], tilt['u_tilt_y_deg']):.2f}° by noise (matt)")
    width_um = one.facts["resolution"]["smallest_width_with_depth_um"]
    parts.append(f"marks from {width_um:.0f} µm get a depth, narrower ones presence only")
    return ", ".join(parts)


def render_page(
    facts: Session, checks: Sequence["FieldCheck"], failed: Sequence[tuple[str, str]], sums: str | None
) -> str:
    """The page; every text escaped, pictures inside."""
    environment = Environment(
        loader=PackageLoader("lightdome.session"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["png"] = lambda png: "data:image/png;base64," + base64.b64encode(png).decode("ascii")
    verdict = whole_verdict(checks, failed)
    plates = dict.fromkeys(one.name.plate for one in checks)
    return environment.get_template("check.html").render(
        policy=POLICY,
        version=__version__,
        session=facts,
        verdict=verdict,
        sign=SIGNS,
        fields=[_section(one) for one in checks],
        todo=_to_do(checks, failed),
        doses=[(plate, facts.plates[plate].title, plate_dose(facts, plate)) for plate in plates],
        sums=sums,
    )


def _section(one: "FieldCheck") -> dict[str, Any]:
    """One field of the page."""
    found = [
        {"one": finding, "pictures": [(file, one.frame_pictures.get(file)) for file in finding.files]}
        for finding in one.findings
    ]
    named = {finding.sentence for finding in one.findings}
    facts = one.facts
    return {
        "name": str(one.name),
        "verdict": one.verdict,
        "summary": _summary(one),
        "problems": one.problems,
        "findings": found,
        "reasons": [text for text in facts["reasons"] if text not in named],
        "warnings": [text for text in facts["warnings"] if text not in named],
        "facts": facts,
        "layout": one.layout_png,
        "preview": one.preview_png,
        "frames": [(entry, one.frame_pictures.get(entry["file"])) for entry in facts["frames"]],
    }
