"""Where pixels lie on the plate. The one place that knows the axes.

The plate frame, seen from the camera:

        y (up, against rows)
        |
        |        z points out of the plate toward the camera
        +---- x (right, along columns)

The origin is the image centre on the plate surface. Arrays are (row, column); several bands are (band, row, column).
"""

from dataclasses import dataclass

import numpy as np

from lightdome.errors import GridError


@dataclass(frozen=True)
class Window:
    """A rectangle of pixels, half open like a slice."""

    row0: int
    row1: int
    col0: int
    col1: int

    def __post_init__(self) -> None:
        if not (0 <= self.row0 < self.row1 and 0 <= self.col0 < self.col1):
            raise GridError(
                f"a window must hold pixels, got rows {self.row0}-{self.row1}, columns {self.col0}-{self.col1}"
            )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.row1 - self.row0, self.col1 - self.col0

    @property
    def slices(self) -> tuple[slice, slice]:
        """To cut the window out of a (row, column) array."""
        return slice(self.row0, self.row1), slice(self.col0, self.col1)


@dataclass(frozen=True)
class Band:
    """What one band of a raster holds."""

    name: str
    unit: str


@dataclass(frozen=True)
class Grid:
    """Where a raster's pixels lie on the plate."""

    shape: tuple[int, int]
    """Rows, columns."""
    pitch_mm: float
    """Between pixel centres, both ways."""

    def __post_init__(self) -> None:
        if len(self.shape) != 2 or min(self.shape) < 1:
            raise GridError(f"a grid needs at least one row and one column, got {self.shape}")
        if not (self.pitch_mm > 0 and np.isfinite(self.pitch_mm)):
            raise GridError(f"pitch_mm must be positive, got {self.pitch_mm}")

    @property
    def window(self) -> Window:
        """The whole grid as a window."""
        return Window(0, self.shape[0], 0, self.shape[1])

    def x_mm(self, window: Window | None = None) -> np.ndarray:
        """Plate x of each column centre, mm; shape (columns,)."""
        window = window or self.window
        cols = np.arange(window.col0, window.col1)
        return (cols + 0.5 - self.shape[1] / 2) * self.pitch_mm

    def y_mm(self, window: Window | None = None) -> np.ndarray:
        """Plate y of each row centre, mm, falling with the row; shape (rows,)."""
        window = window or self.window
        rows = np.arange(window.row0, window.row1)
        return (self.shape[0] / 2 - rows - 0.5) * self.pitch_mm

    def to_plate_mm(self, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Plate (x, y), mm, of pixel positions, where (row 0, column 0) is the first pixel's centre."""
        return (
            (np.asarray(col) + 0.5 - self.shape[1] / 2) * self.pitch_mm,
            (self.shape[0] / 2 - np.asarray(row) - 0.5) * self.pitch_mm,
        )

    def to_pixel(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixel (row, column) of plate positions; the inverse of `to_plate_mm`."""
        return (
            self.shape[0] / 2 - np.asarray(y_mm) / self.pitch_mm - 0.5,
            np.asarray(x_mm) / self.pitch_mm + self.shape[1] / 2 - 0.5,
        )


@dataclass(frozen=True)
class Raster:
    """Values with their place and meaning."""

    values: np.ndarray
    """(band, row, column)."""
    grid: Grid
    bands: tuple[Band, ...]

    def __post_init__(self) -> None:
        if self.values.shape != (len(self.bands), *self.grid.shape):
            raise GridError(
                f"{len(self.bands)} bands on a grid of {self.grid.shape} cannot hold values of {self.values.shape}"
            )

    def band(self, name: str) -> np.ndarray:
        """One band by name, (row, column)."""
        for index, band in enumerate(self.bands):
            if band.name == name:
                return self.values[index]
        raise GridError(f"the raster has no band {name!r}; it has {', '.join(b.name for b in self.bands)}")
