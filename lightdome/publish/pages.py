"""Web pages: from templates, every text escaped, no script; or built by `pip install`. Nothing from outside."""

import base64
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

from lightdome import __version__
from lightdome.errors import PublishError
from lightdome.publish.night import duration_words

STYLE = "style.css"
"""Lies beside every page from a template."""
POLICY = "default-src 'none'; img-src 'self' file: data:; style-src 'self' file:; base-uri 'none'; form-action 'none'"
"""Content Security Policy (W3C CSP 3): pictures beside the page or inside it, the style beside it, nothing else.
`file:` lets a page that lies in a folder show them."""
BUILT = Path(__file__).parent / "page_built"
"""Where `pip install` puts the front end."""
FRONT, ASSETS = "index.html", "page"
"""Of the front end: its page, and the folder of all that the page loads."""


def render_page(template: str, **facts: Any) -> str:
    """A page of one of the templates in `lightdome/publish/templates`; `style()` belongs beside it."""
    environment = Environment(
        loader=PackageLoader("lightdome.publish"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["duration"] = duration_words
    environment.filters["address"] = lambda path: quote(str(path))
    return environment.get_template(template).render(style=STYLE, policy=POLICY, version=__version__, **facts)


def style() -> str:
    """The style sheet of pages from templates."""
    return (Path(__file__).parent / "templates" / STYLE).read_text(encoding="utf-8")


def built_files(built: Path) -> dict[str, bytes]:
    """The front end: content by name below the review folder, the page itself last.

    Fails with PublishError where it was not built.
    """
    if not (built / FRONT).is_file():
        raise PublishError(f"{built / FRONT}: the front end of the review page is not built; run: pip install -e .")
    assets = sorted(path for path in (built / ASSETS).rglob("*") if path.is_file())
    return {path.relative_to(built).as_posix(): path.read_bytes() for path in (*assets, built / FRONT)}


def picture_address(png: bytes) -> str:
    """A picture as an address of its own, for a page that must be one file."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
