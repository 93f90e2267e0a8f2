"""How a picture's numbers answer the light. Arrays in, arrays out."""

import numpy as np


def srgb_to_linear(encoded: np.ndarray) -> np.ndarray:
    """Linear light of sRGB values, 1 being white in both; any shape (IEC 61966-2-1:1999, clause 5.2)."""
    encoded = np.asarray(encoded, float)
    bright = ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, encoded / 12.92, bright)


def linear_light(numbers: np.ndarray, black_level: float, white_level: float, response: str) -> np.ndarray:
    """Light of sensor numbers of any shape and floating type, which it keeps; 1 is white, sRGB is decoded.

    Below black it is negative, so that noise stays even about zero.
    """
    light = (numbers - float(black_level)) / float(white_level - black_level)
    return srgb_to_linear(light).astype(numbers.dtype) if response == "srgb" else light
