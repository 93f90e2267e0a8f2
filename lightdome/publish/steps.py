"""The steps of this word: paths in, paths out."""

import json
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lightdome.errors import LightdomeError
from lightdome.publish import condition, night, pages
from lightdome.publish.display import cut_layers
from lightdome.publish.gather import SMALL_PRODUCTS, draw_field, draw_small, origins_of, raking_white, read_plate
from lightdome.publish.layers import Layer, field_entry, plate_entry
from lightdome.publish.records import MANIFEST, Missing, Picture
from lightdome.publish.review import field_section, plate_facts
from lightdome.session.sheet import plan_session
from lightdome.store import read_json, write_bytes, write_json, write_text
from lightdome.tiles import progress

STILLS = "pictures.html"


def build_review(plate_results: Path, session: Path, page: Path, built: Path, *, blur_prints: bool = False) -> None:
    """The review page of a plate: display layers of every field, what they mean, still pictures, and the page itself.

    plate_results : results/<session>/<plate>.  page : .../review/index.html; `plate.json`, `pictures.html` and all that
    they show lie beside it.  built : the front end as `pip install` built it.  blur_prints : make friction-ridge prints
    unreadable in all layers and pictures, for a page that leaves the house.

    Layers and maps that were not made are named as missing. `page` is taken away first and written last, so that a page
    that is there is whole. Fails with PublishError where the session has no such plate or the front end was not built.
    """
    facts, fields = read_plate(plate_results, session, blur_prints=blur_prints)
    front = pages.built_files(built)
    page.unlink(missing_ok=True)
    review, kept = page.parent, set[Path]()
    entries, sections = [], []
    for field in fields:
        made = list(progress(cut_layers(field, review), f"build-review, layers of {field.name}"))
        entries.append(field_entry(field, facts, made, raking_white(field)))
        kept |= {review / layer.file for layer in made if isinstance(layer, Layer)}
        shown: list[Picture | Missing] = []
        for item in progress(draw_field(field, facts), f"build-review, pictures of {field.name}"):
            if isinstance(item, Picture):
                picture = review / f"{field.anchor}-{item.key}.png"
                write_bytes(picture, item.png)
                kept.add(picture)
            shown.append(item)
        sections.append(field_section(field, shown, origins_of(field)))
    _write_page(review / STILLS, STILLS, plate=plate_facts(facts, plate_results.name), fields=sections)
    write_json(review / MANIFEST, plate_entry(facts, plate_results.name, entries))
    _forget(review, kept | {review / name for name in front})
    for name, content in front.items():
        write_bytes(page if name == pages.FRONT else review / name, content)


def _write_page(page: Path, template: str, **facts: Any) -> None:
    """A page from a template, and the style beside it."""
    write_text(page.with_name(pages.STYLE), pages.style())
    write_text(page, pages.render_page(template, **facts))


def _forget(review: Path, kept: set[Path]) -> None:
    """Delete pictures, layers and assets of an older page."""
    for pattern in ("*.png", "tiles/*/*/*.tif", f"{pages.ASSETS}/**/*"):
        for old in review.glob(pattern):
            if old.is_file() and old not in kept:
                old.unlink()


def write_report(plate_results: Path, session: Path, report: Path, *, blur_prints: bool = False) -> None:
    """The condition report of a plate: PDF/A with tags and alternative texts, from what was measured.

    Text from the session reaches the template as data and never as markup. The same results give the same bytes.
    blur_prints : as of `build_review`. Fails with PublishError where the session has no such plate.
    """
    facts, fields = read_plate(plate_results, session, blur_prints=blur_prints)
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        shutil.copy(condition.TEMPLATE, root / "report.typ")
        parts = []
        for field in fields:
            shown = []
            for item in draw_field(field, facts, condition.PICTURES):
                if isinstance(item, Picture):
                    (root / f"{field.anchor}-{item.key}.png").write_bytes(item.png)
                shown.append(item)
            parts.append(condition.field_part(field, shown, origins_of(field)))
        content = condition.content(plate_facts(facts, plate_results.name), parts)
        (root / "report.json").write_text(json.dumps(content), encoding="utf-8")
        write_bytes(report, condition.compile_pdf(root, content["made"]))


def summarise_night(results: Path, session: Path, page: Path) -> int:
    """The morning summary of all plates: done, warned, failed and why, times, links; whatever was reached.

    results : results/<session>.  Returns the exit code of the night: 0 all well, 2 something that a person can mend,
    1 something else. A session that cannot be planned gives a page that says why.
    """
    try:
        plan = plan_session(session)
    except LightdomeError as error:
        _write_page(page, "summary.html", session=results.name, refused=[str(error)], plates=[], whole=False)
        return 2
    refused = list(plan.refused)
    sheet = night.last_line(_text(results / "logs/check-sheet.log") or "")
    if sheet.startswith(night.ERROR) and not refused:
        refused.append(sheet.removeprefix(night.ERROR))
    plates, nights = [], []
    for plate in dict.fromkeys(name.plate for name in plan.fields):
        names = [name for name in plan.fields if name.plate == plate]
        parts = [
            (f"Side {name.side}, field {name.field}", _night(results / str(name), night.FIELD_STEPS)) for name in names
        ]
        parts.append(("Page and report", _night(results / plate, night.PLATE_STEPS)))
        of_plate = [one for _, one in parts]
        nights += of_plate
        links = {"review": "review/index.html", "stills": f"review/{STILLS}", "report": "report.pdf"}
        there = {name: f"{plate}/{file}" for name, file in links.items() if (results / plate / file).is_file()}
        plates.append(
            {
                "name": plate,
                "parts": parts,
                "state": night.worst(of_plate),
                "time": night.duration_words(sum(one.seconds for one in of_plate)),
                "links": there,
                "picture": _small_picture([results / str(name) for name in names]),
            }
        )
    _write_page(page, "summary.html", session=plan.session, refused=refused, plates=plates, whole=True)
    return night.exit_code(nights, refused)


# --- what a step left behind ------------------------------------------------------------------------------------------


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None


def _night(folder: Path, steps: Mapping[str, tuple[str, ...]]) -> night.Night:
    """What became of a field or plate, from its logs and products."""
    states = tuple(
        night.state_of(
            step,
            _text(folder / f"logs/{step}.log"),
            _text(folder / f"logs/{step}.tsv"),
            all((folder / product).is_file() for product in products),
        )
        for step, products in steps.items()
    )
    return night.Night(
        states, night.warnings_of(*(_json(folder / SMALL_PRODUCTS[key]) for key in ("quality", "lobe", "relight")))
    )


def _json(path: Path) -> dict[str, Any] | None:
    try:
        return read_json(path)
    except LightdomeError:
        return None


def _small_picture(folders: list[Path]) -> str | None:
    """A small picture of the first field that can be relit, as an address."""
    for folder in folders:
        png = draw_small(folder)
        if png is not None:
            return pages.picture_address(png)
    return None
