"""What the page, the report and the summary are made of: frozen records."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightdome.publish.veil import Veil
from lightdome.session.records import FieldName

MANIFEST = "plate.json"
"""What the review page reads first; lies beside it."""


@dataclass(frozen=True)
class Lit:
    """One lamp that a field is shown under."""

    key: str
    """Part of the picture's file name."""
    azimuth_deg: float
    elevation_deg: float
    words: str
    """Where the light comes from."""


@dataclass(frozen=True)
class MapView:
    """How one band of one raster is shown."""

    key: str
    """Part of the picture's file name."""
    file: str
    """Product, below the field's results."""
    band: str
    title: str
    caption: str
    palette: str
    """A matplotlib colour map that can be told apart with any colour vision."""
    span: str
    """low-high (between percentiles), from-zero, or about-zero (the same both ways)."""
    optional: bool = False
    """True where a simple solver leaves the band empty: then it is not shown at all."""


@dataclass(frozen=True)
class Sheet:
    """What stands on a picture beside the map itself."""

    title: str
    identifier: str
    """Plate, side and field, and the day."""
    width_mm: float
    """Width of the field on the plate."""


@dataclass(frozen=True)
class Picture:
    """One picture, drawn."""

    key: str
    title: str
    caption: str
    alt: str
    png: bytes


@dataclass(frozen=True)
class Missing:
    """One map that cannot be shown."""

    key: str
    title: str
    file: str
    why: str


@dataclass(frozen=True)
class FieldFacts:
    """What is known of one field, as far as the night came; None where a product is missing."""

    name: FieldName
    folder: Path
    quality: dict[str, Any] | None
    lamps: dict[str, Any] | None
    lobe: dict[str, Any] | None
    """How the normals were solved: `surface/lobe.json`."""
    texture: dict[str, Any] | None
    relight: dict[str, Any] | None
    marks: list[dict[str, Any]] | None
    """GeoJSON features."""
    absent: tuple[str, ...]
    """Small products that are missing or cannot be read."""
    summary: dict[str, Any] | None = None
    """Statistics of the marks: `marks/summary.json`."""
    veil: Veil | None = None
    """Over what must not be read in pictures; None: everything is shown."""

    @property
    def anchor(self) -> str:
        """Name of the field within file names and page addresses; no name of a side or field holds a plus."""
        return f"{self.name.side}+{self.name.field}"
