"""How the numbers of a display layer are kept small: what is stored, what it means, and how far it is off.

Arrays in, arrays out. Each coding gives the form of its file, the stored numbers of values, the values of stored
numbers, the largest difference between the two, and what a reader must know, as JSON values.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from lightdome.errors import PublishError
from lightdome.forms import Form
from lightdome.publish.pictures import decode, encode
from lightdome.relight.pack import BITS, pack, unpack

UNKNOWN_INT16 = -32768
LARGEST_INT16 = 32767
UNKNOWN_FLOAT = -1e6
"""Not NaN: readers of LERC in browsers drop the mask that it keeps unknown pixels in, and show them as zero. What is
below half of this is unknown, since LERC moves it by its error too."""
LARGEST_BYTE = 255
ZSTD = {"COMPRESS": "ZSTD"}
BYTES_FORM = Form("uint8", None, "nearest", {**ZSTD, "PREDICTOR": "NO"})
CODES_FORM = Form("uint8", None, "nearest", {"COMPRESS": "DEFLATE", "PREDICTOR": "NO"})
"""Nearest and not the most frequent code: a line one pixel wide is thinned from afar, but does not vanish."""


@dataclass(frozen=True)
class Scaled:
    """Whole numbers of 16 bits: value = stored x scale + offset, by band."""

    scales: tuple[float, ...]
    offsets: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.scales) != len(self.offsets) or not all(scale > 0 for scale in self.scales):
            raise PublishError("a scaled layer needs a scale above zero and an offset for each band")

    @property
    def form(self) -> Form:
        """Of the file."""
        compression = {**ZSTD, "PREDICTOR": "STANDARD"}
        return Form("int16", UNKNOWN_INT16, "average", compression, self.scales, self.offsets)

    @property
    def max_error(self) -> float:
        """Half a step of the coarsest band."""
        return max(self.scales) / 2

    def stored(self, values: np.ndarray) -> np.ndarray:
        """Values (band, ...) as int16; what the range does not hold is held to it."""
        scales, offsets = self._columns(values.ndim)
        steps = np.clip(np.rint((values - offsets) / scales), -LARGEST_INT16, LARGEST_INT16)
        return np.where(np.isfinite(values), steps, UNKNOWN_INT16).astype(np.int16)

    def values(self, stored: np.ndarray) -> np.ndarray:
        """Stored numbers (band, ...) as float64; NaN where unknown."""
        scales, offsets = self._columns(stored.ndim)
        return np.where(stored == UNKNOWN_INT16, np.nan, stored * scales + offsets)

    def as_dict(self) -> dict[str, Any]:
        """For the manifest."""
        return {
            "kind": "scaled",
            "scale": list(self.scales),
            "offset": list(self.offsets),
            "unknown": UNKNOWN_INT16,
        }

    def _columns(self, dimensions: int) -> tuple[np.ndarray, np.ndarray]:
        shape = (-1, *[1] * (dimensions - 1))
        return np.reshape(self.scales, shape), np.reshape(self.offsets, shape)


def scaled_between(lows: np.ndarray, highs: np.ndarray) -> Scaled:
    """The finest even steps that hold every value between the lowest and the highest of each band, (band,) each."""
    low, high = lows.astype(float), highs.astype(float)
    # a band that is the same everywhere has a span too
    spans = np.maximum(high - low, np.maximum(1e-6 * np.abs(high), 1e-9))
    return Scaled(tuple((spans / (2 * LARGEST_INT16)).tolist()), tuple(((low + high) / 2).tolist()))


@dataclass(frozen=True)
class Plain:
    """float32 as it is, but for a stated error that lets LERC make it small."""

    max_error: float

    def __post_init__(self) -> None:
        if not self.max_error > 0:
            raise PublishError(f"a plain layer needs an error above zero, got {self.max_error}")

    @property
    def form(self) -> Form:
        """Of the file."""
        return Form("float32", UNKNOWN_FLOAT, "average", {"COMPRESS": "LERC_ZSTD", "MAX_Z_ERROR": self.max_error})

    def stored(self, values: np.ndarray) -> np.ndarray:
        """Values as float32."""
        return np.where(np.isfinite(values), values, UNKNOWN_FLOAT).astype(np.float32)

    def values(self, stored: np.ndarray) -> np.ndarray:
        """Stored numbers with NaN where unknown."""
        return np.where(stored < UNKNOWN_FLOAT / 2, np.nan, stored)

    def as_dict(self) -> dict[str, Any]:
        """For the manifest."""
        return {"kind": "float", "unknown": UNKNOWN_FLOAT}


@dataclass(frozen=True)
class Encoded:
    """Linear light as bytes after the curve of sRGB: `white` is 255, unknown is 0."""

    white: float

    def __post_init__(self) -> None:
        if not self.white > 0:
            raise PublishError(f"the white of a picture must be above zero, got {self.white}")

    @property
    def form(self) -> Form:
        """Of the file."""
        return Form("uint8", 0, "average", {"COMPRESS": "DEFLATE", "PREDICTOR": "STANDARD"})

    @property
    def max_error(self) -> float:
        """Half a step where the curve is steepest, or one where black gives way to unknown; brighter than white is not
        counted."""
        return self.white * float(decode(np.array(1.0)) - decode(np.array(1 - 0.5 / LARGEST_BYTE)))

    def stored(self, values: np.ndarray) -> np.ndarray:
        """Linear light as uint8."""
        steps = np.clip(np.rint(LARGEST_BYTE * encode(values, self.white)), 1, LARGEST_BYTE)
        return np.where(np.isfinite(values), steps, 0).astype(np.uint8)

    def values(self, stored: np.ndarray) -> np.ndarray:
        """Stored numbers as linear light; NaN where unknown."""
        return np.where(stored == 0, np.nan, self.white * decode(stored / LARGEST_BYTE))

    def as_dict(self) -> dict[str, Any]:
        """For the manifest."""
        return {"kind": "encoded", "white": self.white, "unknown": 0}


@dataclass(frozen=True)
class Packed:
    """The lobe model in twelve bytes a pixel: `relight/pack.py`."""

    ranges: Mapping[str, tuple[float, float]]
    max_error: None = None
    """Differs by band and value; the error on lamps left out stands in `relight/quality.json`."""

    def __post_init__(self) -> None:
        if set(self.ranges) != set(BITS) or not all(low < high for low, high in self.ranges.values()):
            raise PublishError("a packed layer needs a range, lowest below highest, for each band of the lobe model")

    @property
    def form(self) -> Form:
        """Of the file; bytes cannot be averaged, so that overviews are packed anew."""
        return BYTES_FORM

    def stored(self, values: np.ndarray) -> np.ndarray:
        """Bands of the lobe model as bytes."""
        return pack(values, dict(self.ranges))

    def values(self, stored: np.ndarray) -> np.ndarray:
        """Bytes as bands of the lobe model; NaN where unknown."""
        return unpack(stored, dict(self.ranges))

    def as_dict(self) -> dict[str, Any]:
        """For the manifest."""
        return {"kind": "packed", "bits": BITS, "ranges": {name: list(ends) for name, ends in self.ranges.items()}}


@dataclass(frozen=True)
class Codes:
    """Whole numbers that stand for words."""

    names: Mapping[int, str]
    summed: bool = False
    """True where a stored number may be the sum of several."""
    max_error: float = 0.0

    @property
    def form(self) -> Form:
        """Of the file."""
        return CODES_FORM

    def stored(self, values: np.ndarray) -> np.ndarray:
        """The codes themselves."""
        return values.astype(np.uint8)

    def values(self, stored: np.ndarray) -> np.ndarray:
        """The codes themselves."""
        return stored

    def as_dict(self) -> dict[str, Any]:
        """For the manifest."""
        names = {str(code): name for code, name in self.names.items()}
        return {"kind": "codes", "names": names, "summed": self.summed}


Coding: TypeAlias = Scaled | Plain | Encoded | Packed | Codes
