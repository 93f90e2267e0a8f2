"""What lies on a plate, as records: lines, areas, cuts, pits, deposits and prints. Plate mm; widths and depths um."""

from dataclasses import dataclass

import numpy as np

from lightdome.errors import MarkError
from lightdome.synthetic.shapes import ridge_of

Points = tuple[tuple[float, float], ...]
"""x and y, mm."""
LAND, ETCHED, TOOLED, SCRATCH, DEPOSIT, PRINT, PIT = range(7)
CLASSES = ("land", "etched", "tooled", "scratch", "deposit", "friction-ridge print", "pit")
"""Index = value in class.tif."""
WALL_PER_DEPTH = 1.8
"""Run of a bitten wall over its depth (chosen by eye): rounded, 40 degrees at its steepest."""


def _check_section(width_um: float, depth_um: float) -> None:
    if not (width_um > 0 and depth_um > 0 and np.isfinite([width_um, depth_um]).all()):
        raise MarkError(f"a mark needs a width and a depth above zero, got {width_um} and {depth_um} um")


def _check_points(points_mm: Points, fewest: int) -> None:
    if len(points_mm) < fewest or not np.isfinite(points_mm).all():
        raise MarkError(f"a mark needs at least {fewest} finite points, got {points_mm}")


@dataclass(frozen=True)
class EtchedLine:
    """A line bitten by acid: even width, flat floor, irregular walls, no ridges."""

    points_mm: Points
    width_um: float
    """At the level of the land."""
    depth_um: float
    ink: float = 0.0
    """Share of the floor covered by residue, 0-1."""
    wall_per_depth: float = WALL_PER_DEPTH

    def __post_init__(self) -> None:
        _check_points(self.points_mm, 2)
        _check_section(self.width_um, self.depth_um)


@dataclass(frozen=True)
class EtchedArea:
    """An area bitten by acid through a ground of grains."""

    outline_mm: Points
    depth_um: float
    grain_mm: float = 0.05
    """Standard deviation of the filter that makes the grains; they are about four times as far apart."""
    tops: float = 0.5
    """How high the grains stand above the floor, as a share of the depth."""
    ink: float = 0.0
    wall_per_depth: float = WALL_PER_DEPTH

    def __post_init__(self) -> None:
        _check_points(self.outline_mm, 3)
        _check_section(1.0, self.depth_um)


@dataclass(frozen=True)
class Cut:
    """A V groove made by a point: a burin takes the metal away, a scratch pushes it aside into two ridges."""

    points_mm: Points
    width_um: float
    depth_um: float
    kind: int
    """TOOLED or SCRATCH."""
    removed_fraction: float
    """Groove area less ridge area, over groove area."""
    taper: float = 0.05
    """Share of the length over which each end grows from nothing to the full section."""
    lean: float = 0.0
    """How unequal the ridges are: -1 all metal on the right, 1 all on the left, as the line runs."""
    rounding: float = 0.0
    """Of the bottom: 0 for a sharp V, 1 for an arch."""

    def __post_init__(self) -> None:
        _check_points(self.points_mm, 2)
        _check_section(self.width_um, self.depth_um)
        if self.kind not in (TOOLED, SCRATCH) or not (0 <= self.removed_fraction <= 1 and -1 <= self.lean <= 1):
            raise MarkError("a cut is TOOLED or SCRATCH, with removed_fraction in 0-1 and lean in -1 to 1")

    @property
    def ridges_um(self) -> tuple[float, float]:
        """Height of the left and the right ridge; the sum of their areas is what was not removed."""
        ridge = ridge_of(self.depth_um, self.removed_fraction)
        return ridge * float(np.sqrt(1 + self.lean)), ridge * float(np.sqrt(1 - self.lean))


@dataclass(frozen=True)
class Pit:
    """A round hollow: a paraboloid without a rim."""

    centre_mm: tuple[float, float]
    diameter_um: float
    depth_um: float

    def __post_init__(self) -> None:
        _check_section(self.diameter_um, self.depth_um)


@dataclass(frozen=True)
class Deposit:
    """Ink dried on the surface: it has a height and its own reflectance."""

    outline_mm: Points
    height_um: float = 3.0

    def __post_init__(self) -> None:
        _check_points(self.outline_mm, 3)


@dataclass(frozen=True)
class Print:
    """A friction-ridge print: a film that changes the gloss, with next to no height."""

    centre_mm: tuple[float, float]
    half_axes_mm: tuple[float, float]
    period_mm: float = 0.45
    height_um: float = 0.05


@dataclass(frozen=True)
class Drawing:
    """Everything on one field of a plate. Made in this order: rolled, etched, pitted, cut, soiled."""

    etched: tuple[EtchedLine | EtchedArea, ...] = ()
    pits: tuple[Pit, ...] = ()
    cuts: tuple[Cut, ...] = ()
    """In the order of time: a later one runs through an earlier one."""
    deposits: tuple[Deposit, ...] = ()
    prints: tuple[Print, ...] = ()
    grain_um: float = 0.25
    """Standard deviation of the rolled metal's height."""
    form_um: float = 0.0
    """Rise of the middle over the corners."""
