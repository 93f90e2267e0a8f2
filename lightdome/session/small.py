"""Small pictures of photographs, made in the same pass that decodes them. Arrays in, arrays out."""

import math

import cv2
import numpy as np

from lightdome.session.records import Camera
from lightdome.session.response import srgb_to_linear

SMALL_PIXELS = 300_000
"""Of a small picture, about."""
COMPARED_PIXELS = 7_000
"""Of the smaller ones that are compared with one another."""
FREE_SHARE = 0.98
"""Share of a small pixel that must be below white; less, and its light is not known."""
BAND_ROWS = 512


def factor_of(shape: tuple[int, int], pixels: int) -> int:
    """Whole factor by which a picture (rows, columns) is made smaller, so that some `pixels` are left."""
    wanted = max(1, round(math.sqrt(shape[0] * shape[1] / pixels)))
    return max(1, min(wanted, min(shape) // 8))


def free_pixels(image: np.ndarray, white_level: float) -> np.ndarray:
    """255 (rows, columns), uint8, where every channel is below the white level, else 0."""
    below = math.ceil(white_level) - 1
    if image.ndim == 2:
        return np.asarray(cv2.inRange(image, 0, below))
    return np.asarray(cv2.inRange(image, (0, 0, 0), (below, below, below)))


def shrunk(image: np.ndarray, factor: int) -> np.ndarray:
    """Means of blocks of `factor` x `factor` sensor numbers (rows, columns[, 3]), float32; a rest at the edge is
    left out."""
    rows, cols = image.shape[0] // factor, image.shape[1] // factor
    if factor == 1:
        return image.astype(np.float32)
    small = np.empty((rows, cols, *image.shape[2:]), np.float32)
    step = max(1, BAND_ROWS // factor)
    for row in range(0, rows, step):
        some = min(step, rows - row)
        part = image[row * factor : (row + some) * factor, : cols * factor]
        if part.dtype == np.uint8:
            part = part.astype(np.uint16) * 256  # or the mean would be rounded to whole steps of eight bits
            small[row : row + some] = cv2.resize(part, (cols, some), interpolation=cv2.INTER_AREA) / np.float32(256)
        else:
            small[row : row + some] = cv2.resize(part, (cols, some), interpolation=cv2.INTER_AREA)
    return small


def small_light(image: np.ndarray, free: np.ndarray, camera: Camera, factor: int, weights: np.ndarray) -> np.ndarray:
    """Linear light (rows, columns), float32, of a small picture; 1 is white, NaN where pixels are at white.

    free : see `free_pixels`.  weights : (3,) of the channels of a colour photograph.
    Means are taken before an sRGB response is undone, which is good enough for a look.
    """
    numbers = shrunk(image, factor)
    light = (numbers - np.float32(camera.black_level)) / np.float32(camera.white_level - camera.black_level)
    if camera.response == "srgb":
        light = srgb_to_linear(light).astype(np.float32)
    if light.ndim == 3:
        light = light @ weights.astype(np.float32)
    rows, cols = light.shape
    share = cv2.resize(free[: rows * factor, : cols * factor], (cols, rows), interpolation=cv2.INTER_AREA)
    return np.where(share >= 255 * FREE_SHARE, light, np.nan).astype(np.float32)


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
