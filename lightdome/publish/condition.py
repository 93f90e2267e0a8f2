"""The condition report: its content as plain values, and the PDF made of them."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from lightdome import __version__
from lightdome.errors import PublishError
from lightdome.publish.records import FieldFacts, Missing, Picture
from lightdome.publish.review import origin_row, solved, verdict
from lightdome.publish.statistics import TITLES, statistics_of
from lightdome.publish.tables import count_by_class, mark_rows

TEMPLATE = Path(__file__).parent / "templates/report.typ"
PICTURES = ("light_left", "light_above", "classes", "height", "etched_height", "scratch_height", *TITLES)
MOST_ROWS = 40
MOST_EVIDENCE = 10
"""Marks whose evidence is printed; that of all stands on the page and in marks.csv."""
STANDARDS: list[Any] = ["a-2a", "ua-1"]
"""PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1): fonts inside, tagged, alternative texts."""


def field_part(
    field: FieldFacts, shown: Sequence[Picture | Missing], origins: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """One field of the report."""
    pictures = [
        {"file": f"{field.anchor}-{item.key}.png", "title": item.title, "caption": item.caption, "alt": item.alt}
        | {"chart": item.key in TITLES}
        for item in shown
        if isinstance(item, Picture)
    ]
    lamps = field.lamps
    heights = [lamp["elevation_deg"] for lamp in lamps["lamps"]] if lamps else []
    return {
        "side": field.name.side,
        "field": field.name.field,
        "light": f"{len(heights)} lamps, {min(heights):.0f}° to {max(heights):.0f}° above the plate" if heights else "",
        "verdict": verdict(field.quality),
        "solved": solved(field.lobe),
        "blurred": field.veil.sentence if field.veil else "",
        "pictures": pictures,
        "missing": [f"{item.title} ({item.file}): {item.why}" for item in shown if isinstance(item, Missing)],
        "judged": field.marks is not None,
        "statistics": statistics_of(field.summary) if field.summary else None,
        "marks": mark_rows(field.marks or (), MOST_ROWS),
        "most_evidence": MOST_EVIDENCE,
        "mark_count": len(field.marks or ()),
        "counts": [{"class": name, "count": count} for name, count in count_by_class(field.marks or ())],
        "origins": [origin_row(origin) for origin in origins],
    }


def content(plate: Mapping[str, Any], fields: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Everything that the template is given; each text such that the report's fonts can print it.

    `made` is the time of the newest product, so that the same results give the same report.
    """
    made = max((origin["created"] for field in fields for origin in field["origins"]), default="")
    whole = {"plate": dict(plate), "fields": list(fields), "made": made, "version": __version__}
    return _printable(whole)


def compile_pdf(folder: Path, made: str) -> bytes:
    """The report from `report.typ`, `report.json` and pictures in a folder: fonts inside, nothing from outside."""
    import typst

    try:
        return typst.compile(
            str(folder / "report.typ"),
            root=str(folder),
            font_paths=[str(_font_folder())],
            ignore_system_fonts=True,
            format="pdf",
            pdf_standards=STANDARDS,
            timestamp=_seconds(made),
        )
    except (typst.TypstError, RuntimeError) as error:
        raise PublishError(f"the report cannot be set ({error}); look at the titles in session.yaml") from error


def _seconds(made: str) -> int:
    try:
        return int(datetime.fromisoformat(made).timestamp())
    except ValueError:
        return int(datetime(1970, 1, 1, tzinfo=UTC).timestamp())


def _font_folder() -> Path:
    """Where the free typeface lies that the pictures are lettered with."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts/ttf"


@cache
def _letters() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(_font_folder() / "DejaVuSans.ttf")).get_charmap())


def _printable(value: Any) -> Any:
    """The same values with every character that no font has written as its code point."""
    if isinstance(value, str):
        return "".join(_letter(letter) for letter in value)
    if isinstance(value, Mapping):
        return {key: _printable(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_printable(part) for part in value]
    return value


def _letter(letter: str) -> str:
    if letter in "\n\t ":
        return " "
    return letter if letter.isprintable() and ord(letter) in _letters() else f"[U+{ord(letter):04X}]"
