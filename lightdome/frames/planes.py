"""Planes of light put down on disk: written plane by plane, read block by block through all planes.

Plain reads and writes at places of a file, so memory holds one band of one plane, or one block of all planes. Each
plane lies in square blocks, so that a block is one piece.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from lightdome.raster import Window

FLOAT_BYTES = 4


class Planes:
    """float32 planes (rows, columns) of a scratch file."""

    def __init__(self, handle: int, shape: tuple[int, int], block_px: int) -> None:
        self._handle = handle
        self.shape, self.block_px = shape, block_px

    def write_band(self, plane: int, row0: int, band: np.ndarray) -> None:
        """Write whole rows of a plane; row0 and the band's rows are multiples of the block (but for the last band)."""
        for row in range(0, len(band), self.block_px):
            rows = band[row : row + self.block_px]
            pieces = [
                np.ascontiguousarray(rows[:, col : col + self.block_px], dtype=np.float32).ravel()
                for col in range(0, self.shape[1], self.block_px)
            ]
            content = np.concatenate(pieces).data.cast("B")
            place = (plane * self.shape[0] + row0 + row) * self.shape[1] * FLOAT_BYTES
            while content:
                written = os.pwrite(self._handle, content, place)
                content, place = content[written:], place + written

    def read_block(self, planes: int, window: Window) -> np.ndarray:
        """The first `planes` planes (planes, rows, columns) of one block."""
        block = np.empty((planes, *window.shape), np.float32)
        for plane in range(planes):
            content = block[plane].data.cast("B")
            place = (plane * self.shape[0] + window.row0) * self.shape[1] + window.shape[0] * window.col0
            place *= FLOAT_BYTES
            while content:
                count = os.preadv(self._handle, [content], place)
                if count == 0:
                    raise OSError("the scratch file is shorter than it was written")
                content, place = content[count:], place + count
        return block


@contextmanager
def open_planes(path: Path, shape: tuple[int, int], block_px: int) -> Iterator[Planes]:
    """Open a scratch file of planes for writing and reading."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        yield Planes(handle, shape, block_px)
    finally:
        os.close(handle)
