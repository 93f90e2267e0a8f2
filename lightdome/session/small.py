"""Small pictures of photographs, made in the same pass that decodes them. Arrays in, arrays out."""

import math

import cv2
import numba
import numpy as np

from lightdome.session.records import Camera
from lightdome.session.response import linear_light

SMALL_PIXELS = 300_000
"""Of a small picture, about."""
COMPARED_PIXELS = 7_000
"""Of the smaller ones that are compared with one another."""
FREE_SHARE = 0.98
"""Share of a small pixel that must be below white; less, and its light is not known."""


def factor_of(shape: tuple[int, int], pixels: int) -> int:
    """Whole factor by which a picture (rows, columns) is made smaller, so that some `pixels` are left."""
    wanted = max(1, round(math.sqrt(shape[0] * shape[1] / pixels)))
    return max(1, min(wanted, min(shape) // 8))


def one_pass(image: np.ndarray, white_level: float, factor: int) -> tuple[np.ndarray, float, np.ndarray]:
    """Means of blocks of `factor` x `factor` sensor numbers, the mean of all, and the rows that reach the white level.

    image : (rows, columns[, 3]), whole numbers.  Means (small rows, small columns, channels), float32; a rest at the
    edge is left out.  Rows (rows,): True where any number is at white or above.
    """
    lines = np.ascontiguousarray(image).reshape(len(image), -1)
    channels = lines.shape[1] // image.shape[1]
    sums = np.empty((image.shape[0] // factor, image.shape[1] // factor, channels), np.uint32)
    reach_white = np.zeros(len(image), np.bool_)
    total = _sums(lines, factor, _last_below(white_level), sums, reach_white)
    return sums / np.float32(factor**2), total / image.size, reach_white


def at_white(
    image: np.ndarray, white_level: float, factor: int, reach_white: np.ndarray, times: np.ndarray
) -> tuple[int, np.ndarray]:
    """How many pixels have a channel at white, and the share (small rows, small columns) of them in each block.

    reach_white : see `one_pass`.  times : (rows, columns), uint16, is raised by one at these pixels; empty where
    nobody counts.
    """
    pixels = np.zeros((image.shape[0] // factor, image.shape[1] // factor), np.uint32)
    if not reach_white.any():
        return 0, pixels.astype(np.float32)
    lines = np.ascontiguousarray(image).reshape(len(image), -1)
    count = _white_pixels(lines, factor, image.shape[1], _last_below(white_level), reach_white, pixels, times)
    return count, pixels / np.float32(factor**2)


def _last_below(white_level: float) -> int:
    return math.ceil(white_level) - 1


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _sums(lines: np.ndarray, factor: int, below: int, sums: np.ndarray, reach_white: np.ndarray) -> int:
    """Sum of all numbers; sums of blocks and the rows with a number above `below` are written."""
    # a large photograph comes from memory, so it is read once; sums of columns keep the inner loop free of branches
    rows, width = lines.shape
    small_rows, small_cols, channels = sums.shape
    column = np.zeros(width, np.uint32)
    total = 0
    for top in range(0, rows, factor):
        column[:] = 0
        for row in range(top, min(top + factor, rows)):
            line = lines[row]
            most = line[0]
            for i in range(width):
                column[i] += line[i]
                most = max(most, line[i])
            reach_white[row] = most > below
        for i in range(width):
            total += column[i]
        if top // factor < small_rows:
            for i in range(small_cols):
                for channel in range(channels):
                    block = np.uint32(0)
                    for k in range(factor):
                        block += column[(i * factor + k) * channels + channel]
                    sums[top // factor, i, channel] = block
    return total


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _white_pixels(
    lines: np.ndarray,
    factor: int,
    cols: int,
    below: int,
    reach_white: np.ndarray,
    pixels: np.ndarray,
    times: np.ndarray,
) -> int:
    """How many pixels have a number above `below`; those of each block are written, and `times` is raised there."""
    channels = lines.shape[1] // cols
    white = np.zeros(cols, np.uint8)
    count = 0
    for row in np.flatnonzero(reach_white):
        line = lines[row]
        white[:] = 0
        for channel in range(channels):
            for i in range(cols):
                white[i] |= line[i * channels + channel] > below
        for i in range(cols):
            count += white[i]
        if times.size:
            for i in range(cols):
                times[row, i] += white[i]
        if row // factor < len(pixels):
            for i in range(pixels.shape[1]):
                for k in range(factor):
                    pixels[row // factor, i] += white[i * factor + k]
    return count


def light_of(numbers: np.ndarray, white_share: np.ndarray, camera: Camera, weights: np.ndarray) -> np.ndarray:
    """Linear light (rows, columns), float32, of a small picture (rows, columns, channels); 1 is white, NaN where more
    pixels are at white than FREE_SHARE leaves.

    weights : (3,) of the channels of a colour photograph.
    Means are taken before an sRGB response is undone, which is good enough for a look.
    """
    light = linear_light(numbers, camera.black_level, camera.white_level, camera.response)
    light = light @ weights.astype(np.float32) if light.shape[2] == 3 else light[..., 0]
    return np.where(1 - white_share >= np.float32(FREE_SHARE), light, np.float32(np.nan))


def share_of(inside: np.ndarray, factor: int) -> np.ndarray:
    """Share (small rows, small columns), float32, of each block that is True in `inside` (rows, columns)."""
    return one_pass(inside.view(np.uint8), 2, factor)[0][..., 0]


def coarser(maps: np.ndarray, factor: int) -> np.ndarray:
    """Means (L, rows, columns) of blocks of small pictures (L, rows, columns); NaN where less than half is known."""
    rows, cols = maps.shape[1] // factor, maps.shape[2] // factor
    coarse = np.empty((len(maps), rows, cols), np.float32)
    for k, one in enumerate(maps[:, : rows * factor, : cols * factor]):
        known = np.isfinite(one)
        total = cv2.resize(np.where(known, one, 0), (cols, rows), interpolation=cv2.INTER_AREA)
        share = cv2.resize(known.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
        coarse[k] = np.where(share >= 0.5, total / np.maximum(share, 0.5), np.nan)
    return coarse
