"""What is found on a surface: traces and areas before they are judged, marks after. Frozen; nonsense is refused."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lightdome.errors import MarkError
from lightdome.units import UM_PER_MM

CLASSES = ("land", "etched", "tooled", "scratch", "deposit", "friction-ridge print", "pit")
"""Index = value in `marks/class.tif`."""
CLASS_CODE = {name: code for code, name in enumerate(CLASSES)}


@dataclass(frozen=True)
class Trace:
    """The centre line of one long recession (valley) or raising (ridge)."""

    points_px: np.ndarray
    """(n, 2) row, column; (0, 0) is the first pixel's centre."""
    width_px: float
    """Width of the detector that answered most strongly; a first guess of the line's width."""
    kind: str
    """valley or ridge."""
    glint_share: float = 0.0
    """Share of its length along which the light of its pixels needs more than one slope (see `glints.py`)."""
    glint_strength: float = 0.0
    """How far it stands out of the noise there, in standard deviations; 0 where nothing shines."""
    relief_share: float = 1.0
    """Share of its length along which the height shows it."""

    def __post_init__(self) -> None:
        if self.points_px.ndim != 2 or self.points_px.shape[1] != 2 or len(self.points_px) < 2:
            raise MarkError(f"a trace needs at least two points (row, column), got shape {self.points_px.shape}")
        if not np.isfinite(self.points_px).all() or not self.width_px > 0:
            raise MarkError("a trace needs finite points and a positive width; run trace-marks again")
        if self.kind not in ("valley", "ridge"):
            raise MarkError(f"a trace is a valley or a ridge, got {self.kind!r}")

    @property
    def length_px(self) -> float:
        """Along the polyline."""
        return float(np.linalg.norm(np.diff(self.points_px, axis=0), axis=1).sum())


@dataclass(frozen=True)
class Roughness:
    """Standard deviation of the land by the scale that is looked at."""

    widths_px: np.ndarray
    """(n,), pixels, ascending."""
    sigma_um: np.ndarray
    """(n,), um."""

    @classmethod
    def of(cls, widths_um: Sequence[float], sigma_um: Sequence[float], pitch_mm: float) -> "Roughness":
        """From what stands in `traces.json`."""
        widths, sigma = np.array(widths_um, float) / (pitch_mm * UM_PER_MM), np.array(sigma_um, float)
        if widths.shape != sigma.shape or not widths.size or not np.isfinite(np.append(widths, sigma)).all():
            raise MarkError("line widths and roughness must be finite and as many; run trace-marks again")
        return cls(widths, sigma)

    def at(self, width_px: float) -> float:
        """At the scale of a line of this width, um."""
        return float(np.interp(width_px, self.widths_px, self.sigma_um))

    @property
    def widest_um(self) -> float:
        """At the coarsest scale, um."""
        return float(self.sigma_um[-1])


@dataclass(frozen=True)
class Section:
    """The mean section across one trace. Lengths in pixels across, heights in um; NaN where not measured."""

    width_px: float
    """Between the walls at half depth."""
    mouth_px: float
    """Between the points where the walls reach the surface beside."""
    reach_px: float
    """Between the outer feet of the ridges; equals the mouth where there is no ridge."""
    depth_um: float
    """From the surface beside to the bottom; how, is in `depth_rule`."""
    depth_rule: str
    """bottom (lowest point of the mean section) or A1 (ISO 5436-1)."""
    burr_left_um: float
    burr_right_um: float
    wall_um_per_px: float
    """Steepness of the walls, mean of both."""
    wall_angle_deg: float
    """The same as an angle; mean of both walls, from lines through 20-80 % of the depth."""
    removed_fraction: float
    floor_ratio: float
    """Width at 80 % of the depth over width at 20 %: 0.25 for a V, 1 for a rectangle."""
    sharp_floor_ratio: float
    """The same of the straight-walled groove that fits best once the pixel's blur is put on it; NaN where none does."""
    width_variation: float
    """Robust spread of the width along the trace over the width."""
    depth_variation: float
    """The same of the depth."""
    edge_variation: float
    """How far the edges wander along the trace over the width; NaN for a short one."""
    end_share: float
    """Area of the section near both ends over that of the middle: 1 for blunt ends, less where it tapers; or NaN."""
    solid_share: float
    """Of the line's middle, where it lies deep: near 1 for a groove, less for a chance row of separate marks."""
    u_width_px: float
    u_depth_um: float
    u_burr_um: float
    u_removed_fraction: float
    stations: int
    """Sections that were averaged."""

    @property
    def full_width_px(self) -> float:
        """Between the upper edges, less the pixel's own width, by which every edge is blurred; at least `width_px`."""
        return max(self.width_px, self.mouth_px - 1.0)


@dataclass(frozen=True)
class Mark:
    """One finding, as it stands in `marks.geojson`: unknown numbers are None."""

    id: str
    class_name: str
    confidence: float
    geometry: dict[str, Any]
    """GeoJSON geometry in plate mm."""
    length_mm: float
    evidence: tuple[str, ...]
    resolved: bool = True
    decided: bool = True
    """False where the evidence leaves the cause open; the class is then the likeliest only."""
    width_um: float | None = None
    depth_um: float | None = None
    u_width_um: float | None = None
    u_depth_um: float | None = None
    burr_left_um: float | None = None
    burr_right_um: float | None = None
    wall_angle_deg: float | None = None
    removed_fraction: float | None = None
    orientation_deg: float | None = None
    crosses: tuple[dict[str, str | None], ...] = field(default=())
    """Each {"id": the other mark, "later": id of the later one or None where undecided}."""
    residue: dict[str, Any] | None = None
    """`contrast, low, high, smallest_seen` of the telling `quantity`, `found` (None: cannot be told), `by_quantity`."""
    event: str | None = None
    """Name that scratches of one wipe share."""
    ridges: dict[str, Any] | None = None
    """Of a friction-ridge print: `prints.PrintPatch.facts`."""

    def __post_init__(self) -> None:
        if self.class_name not in CLASSES:
            raise MarkError(f"{self.id}: {self.class_name!r} is not a class; known are {', '.join(CLASSES)}")
        if not 0 <= self.confidence <= 1:
            raise MarkError(f"{self.id}: confidence must lie in 0-1, got {self.confidence}")
        if not self.resolved and self.depth_um is not None:
            raise MarkError(f"{self.id}: a mark narrower than three pixels has no depth")
