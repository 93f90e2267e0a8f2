"""Friction-ridge prints made unreadable in what is shown: a print may be the trace of a living person.

Inside the patches that the marks name, and somewhat around them, maps lose what is finer than `CUTOFF_MM`: a Gaussian
(ISO 16610-61 weight) leaves under 1 % of a wave of 0.7 mm, the coarsest that a ridge has. The products keep everything.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from lightdome.raster import Band, Grid, Window

CLASS = "friction-ridge print"
CUTOFF_MM = 2.0
SIGMA_PER_CUTOFF = 0.1874
"""Standard deviation of the Gaussian whose transmission at the cut-off is a half: sqrt(ln 2 / 2) / pi."""
MARGIN_MM, FEATHER_MM = 1.5, 1.0
"""Blurred in full so far around a patch, whose rim is known to a millimetre; then less and less over the feather."""
LEAST_KNOWN = 0.3
"""Share of the weight around a pixel that must be known for the pixel to be shown."""
SENTENCE = (
    "Friction-ridge prints are blurred here ({count}): what is finer than {cutoff:g} mm is taken out of every map"
    " inside them, because a print may be the trace of a living person. The measured products keep the full detail."
)


@dataclass(frozen=True)
class Veil:
    """Patches of one field that are not to be read."""

    rings_mm: tuple[np.ndarray, ...]
    """Outlines (n, 2): x and y, plate mm."""

    @classmethod
    def of(cls, marks: Sequence[Mapping[str, Any]] | None) -> "Veil | None":
        """Over the prints among a field's marks (GeoJSON features); None where there is none."""
        rings = [
            np.array(mark["geometry"]["coordinates"][0], float)
            for mark in marks or ()
            if mark["properties"]["class"] == CLASS and mark["geometry"]["type"] == "Polygon"
        ]
        return cls(tuple(rings)) if rings else None

    @property
    def sentence(self) -> str:
        """What people are told."""
        count = f"{len(self.rings_mm)} patch" + ("es" if len(self.rings_mm) > 1 else "")
        return SENTENCE.format(count=count, cutoff=CUTOFF_MM)

    def weight(self, grid: Grid, window: Window) -> np.ndarray:
        """How much each pixel of a window is blurred, (rows, columns) float32: 1 inside, 0 far away."""
        import cv2

        pad = int(np.ceil((MARGIN_MM + FEATHER_MM) / grid.pitch_mm))
        rows, cols = window.shape
        outside = np.ones((rows + 2 * pad, cols + 2 * pad), np.uint8)
        for ring in self.rings_mm:
            row, col = grid.to_pixel(ring[:, 0], ring[:, 1])
            corners = np.stack([col - window.col0 + pad, row - window.row0 + pad], axis=1)
            cv2.fillPoly(outside, [np.floor(corners + 0.5).astype(np.int32)], 0)
        if outside.all():
            return np.zeros(window.shape, np.float32)
        away_mm = cv2.distanceTransform(outside, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) * grid.pitch_mm
        weight = np.clip(1 - (away_mm - MARGIN_MM) / FEATHER_MM, 0, 1).astype(np.float32)
        return np.asarray(weight[pad : pad + rows, pad : pad + cols])

    def over(self, grid: Grid, window: Window, read: Callable[[Window], np.ndarray]) -> np.ndarray:
        """Values (..., rows, columns) of a window as they are shown; `read` gives those of any window of the grid.

        Unknown pixels inside a patch are shown as those around them: their pattern can be that of the ridges.
        """
        weight = self.weight(grid, window)
        if not weight.any():
            return read(window)
        sigma = SIGMA_PER_CUTOFF * CUTOFF_MM / grid.pitch_mm
        around = _padded(window, _reach_px(sigma), grid)
        values = read(around)
        inner = _inner(window, around)
        shown = [_blend(band[inner], _smooth(band, sigma)[inner], weight) for band in values.reshape(-1, *around.shape)]
        return np.stack(shown).reshape(*values.shape[:-2], *window.shape)

    def without_codes(self, grid: Grid, window: Window, codes: np.ndarray) -> np.ndarray:
        """Codes (..., rows, columns) of a window with 0 inside the patches."""
        return np.where(self.weight(grid, window) > 0, np.zeros((), codes.dtype), codes)


def _blend(values: np.ndarray, smooth: np.ndarray, weight: np.ndarray) -> np.ndarray:
    mixed = values + weight * (smooth - values)
    return np.where(weight == 0, values, np.where(np.isfinite(mixed), mixed, np.where(weight == 1, smooth, np.nan)))


def _smooth(values: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian mean (rows, columns) of the known values; NaN where too few are known."""
    import cv2

    size = 2 * _reach_px(sigma) + 1
    known = np.isfinite(values).astype(np.float32)
    total, share = (
        cv2.GaussianBlur(part.astype(np.float32), (size, size), sigma, borderType=cv2.BORDER_REFLECT)
        for part in (np.where(known > 0, values, 0), known)
    )
    return np.where(share >= LEAST_KNOWN, total / np.maximum(share, np.float32(1e-6)), np.float32(np.nan))


def _reach_px(sigma: float) -> int:
    """Of the Gaussian: its weight beyond is under a thousandth of a thousandth."""
    return int(np.ceil(5 * sigma))


def _padded(window: Window, reach: int, grid: Grid) -> Window:
    """A window with a border of so many pixels, within the grid."""
    return Window(
        max(window.row0 - reach, 0),
        min(window.row1 + reach, grid.shape[0]),
        max(window.col0 - reach, 0),
        min(window.col1 + reach, grid.shape[1]),
    )


def _inner(window: Window, around: Window) -> tuple[slice, slice]:
    """Where a window lies within a larger one."""
    row, col = window.row0 - around.row0, window.col0 - around.col0
    return slice(row, row + window.shape[0]), slice(col, col + window.shape[1])


class Reader(Protocol):
    """What maps are read from: `store.RasterReader`, or the same through a veil."""

    grid: Grid
    bands: tuple[Band, ...]
    provenance: dict[str, Any]

    def read(self, window: Window | None = None, bands: Sequence[str] | None = None) -> np.ndarray:
        """Values (band, rows, columns) of a window and of named bands."""

    def read_reduced(self, longest_px: int) -> np.ndarray:
        """All bands, averaged down."""


def veiled(reader: Reader, veil: Veil | None) -> Reader:
    """The reader, or what it is shown as."""
    return reader if veil is None else _Veiled(reader, veil)


class _Veiled:
    """Reads like the reader below it, with the veil over every band."""

    def __init__(self, reader: Reader, veil: Veil) -> None:
        self._reader, self._veil = reader, veil
        self.grid, self.bands, self.provenance = reader.grid, reader.bands, reader.provenance

    def read(self, window: Window | None = None, bands: Sequence[str] | None = None) -> np.ndarray:
        return self._veil.over(self.grid, window or self.grid.window, lambda around: self._reader.read(around, bands))

    def read_reduced(self, longest_px: int) -> np.ndarray:
        values = self._reader.read_reduced(longest_px)
        small = Grid((values.shape[1], values.shape[2]), self.grid.pitch_mm * self.grid.shape[1] / values.shape[2])
        return self._veil.over(small, small.window, lambda around: values[:, *around.slices])
