"""Web pages from templates: every text escaped, no script, nothing from outside."""

import base64
import hashlib
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from lightdome import __version__
from lightdome.publish.night import duration_words


def render_page(template: str, **facts: Any) -> str:
    """A page of one of the templates in `lightdome/publish/templates`."""
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
    style = environment.loader.get_source(environment, "style.css")[0]  # type: ignore[union-attr]
    return environment.get_template(template).render(
        style=Markup(style), policy=content_policy(style), version=__version__, **facts
    )


def content_policy(style: str) -> str:
    """Content Security Policy (W3C CSP 3): pictures beside the page or inside it, this one style sheet, nothing else.

    `file:` lets a page that lies in a folder show its pictures.
    """
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    pictures, style = "img-src 'self' file: data:", f"style-src 'sha256-{digest}'"
    return f"default-src 'none'; {pictures}; {style}; base-uri 'none'; form-action 'none'"


def picture_address(png: bytes) -> str:
    """A picture as an address of its own, for a page that must be one file."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
