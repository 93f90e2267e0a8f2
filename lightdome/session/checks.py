"""Is one photograph, and is the layout of the lamps, good enough? Arrays in, numbers out."""

from collections.abc import Sequence

import cv2
import numpy as np

from lightdome.session.records import Lamp
from lightdome.units import SECONDS_PER_HOUR

LARGEST_CONDITION = 50.0
"""A lamp direction known to one degree (1/57) cannot tell such a layout from lamps in one plane."""
ANNUAL_LX_H = {"low": 600_000.0, "medium": 150_000.0, "high": 15_000.0}
"""Usual yearly light exposure by class of CIE 157:2004 (low and high from memory of its table 3.3)."""


def grey(image: np.ndarray) -> np.ndarray:
    """Mean over the channels, float32 (rows, columns), of sensor numbers (rows, columns[, 3])."""
    return image.astype(np.float32) if image.ndim == 2 else image.mean(axis=2, dtype=np.float32)


def sharpness(patches: np.ndarray) -> float:
    """Mean squared Laplacian over squared mean of patches (patch, P, P) of light, no unit; 0 where there is no light.

    The mean in the denominator makes lamps of unequal strength comparable (variance of the Laplacian, a usual focus
    measure; common practice, no single source).
    """
    mean = float(patches.mean(dtype=np.float64))
    if mean <= 0:
        return 0.0
    square = 0.0
    for patch in patches.astype(np.float32, copy=False):
        laplacian = cv2.Laplacian(patch, cv2.CV_32F, borderType=cv2.BORDER_REFLECT)
        square += cv2.norm(laplacian, cv2.NORM_L2SQR)
    return square / patches.size / mean**2


def toward_lamps(lamps: Sequence[Lamp]) -> np.ndarray:
    """Unit vectors (lamps, 3) from the plate's middle toward lamps; azimuth counter-clockwise from +x."""
    vectors = []
    for lamp in lamps:
        if lamp.position_mm is not None:
            vectors.append(np.array(lamp.position_mm) / np.linalg.norm(lamp.position_mm))
        else:
            azimuth, elevation = np.radians([lamp.azimuth_deg or 0.0, lamp.elevation_deg or 0.0])
            level = np.cos(elevation)
            vectors.append(np.array([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)]))
    return np.array(vectors)


def condition_number(directions: np.ndarray) -> float:
    """Ratio of largest to smallest singular value of unit vectors (lamps, 3); infinite where they lie in one plane.

    It says how much the layout multiplies errors of the light in the worst direction of the normal (linear algebra).
    """
    values = np.linalg.svd(directions, compute_uv=False)
    return float(values[0] / values[-1]) if values[-1] > 1e-12 * values[0] else np.inf


def light_dose_lx_h(illuminance_lx: float, seconds: list[float]) -> float:
    """Light dose H = sum of E t / 3600, lx h, of photographs of given lengths (reciprocity assumed)."""
    return illuminance_lx * sum(seconds) / SECONDS_PER_HOUR
