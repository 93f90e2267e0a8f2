"""How a raster lies in its file: frame, blocks and overviews, type of its numbers, what stands for unknown."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from rasterio.transform import Affine

from lightdome.errors import GridError
from lightdome.raster import Grid

PLATE_CRS = (
    'ENGCRS["plate",EDATUM["image centre on the plate surface"],CS[Cartesian,2],'
    'AXIS["x",east],AXIS["y",north],LENGTHUNIT["millimetre",0.001]]'
)
BLOCK_PX = 512

RESAMPLINGS = ("average", "nearest")


@dataclass(frozen=True)
class Form:
    """One kind of raster file."""

    dtype: str
    """float32, int16 or uint8."""
    unknown: float | None
    """The stored number that means unknown; None where every number means something."""
    resampling: str
    """Of the overviews: average (of what is known), or nearest where numbers are codes."""
    compression: Mapping[str, str | float]
    """Creation options of GDAL's COG driver."""
    scales: tuple[float, ...] = ()
    """value = stored x scale + offset, one a band; empty where the stored number is the value."""
    offsets: tuple[float, ...] = field(default=())

    def __post_init__(self) -> None:
        if self.dtype not in ("float32", "int16", "uint8"):
            raise GridError(f"a raster holds float32, int16 or uint8, not {self.dtype}")
        if self.resampling not in RESAMPLINGS:
            raise GridError(f"overviews are made by {' or '.join(RESAMPLINGS)}, not {self.resampling}")
        if len(self.scales) != len(self.offsets) or not all(np.isfinite(scale) and scale > 0 for scale in self.scales):
            raise GridError("a raster needs a scale above zero and an offset for each band, or none of both")


PRODUCTS = {
    "float32": Form("float32", np.nan, "average", {"COMPRESS": "DEFLATE", "LEVEL": 1, "PREDICTOR": "FLOATING_POINT"}),
    "uint8": Form("uint8", None, "nearest", {"COMPRESS": "DEFLATE", "LEVEL": 1, "PREDICTOR": "STANDARD"}),
}
"""Measured products, by the type of their numbers."""


def overview_factors(grid: Grid) -> list[int]:
    """Factors of the overviews, each twice the one before, until the whole fits in one block."""
    factors = [2]
    while max(grid.shape) > BLOCK_PX * factors[-1]:
        factors.append(2 * factors[-1])
    return factors if max(grid.shape) > BLOCK_PX else []


def transform_of(grid: Grid) -> Affine:
    """Columns and rows to plate mm."""
    rows, cols = grid.shape
    return Affine(grid.pitch_mm, 0, -cols / 2 * grid.pitch_mm, 0, -grid.pitch_mm, rows / 2 * grid.pitch_mm)
