"""Height and hybrid parameters of a scale-limited surface (ISO 25178-2:2021, clauses 4.2 and 4.3, from memory)."""

import numba
import numpy as np


def height_parameters(rising: np.ndarray, mean_um: float) -> dict[str, float | str]:
    """Sa Sq Sp Sv Sz (um), Ssk, Sku, and two heights that do not rest on single pixels; or why there is none.

    rising : known heights, um, (n,), the lowest first; they count from their mean.
    """
    absolute, square, cube, fourth = _moments(rising, mean_um) / len(rising)
    sq = np.sqrt(square)
    level = "the surface is level"
    return {
        "Sa": float(absolute),
        "Sq": float(sq),
        "Ssk": float(cube / sq**3) if sq > 0 else level,
        "Sku": float(fourth / sq**4) if sq > 0 else level,
        "Sp": float(rising[-1]) - mean_um,
        "Sv": mean_um - float(rising[0]),
        "Sz": float(rising[-1]) - float(rising[0]),
        "height_0_1_percent": _quantile(rising, 0.001) - mean_um,
        "height_99_9_percent": _quantile(rising, 0.999) - mean_um,
    }


def _quantile(rising: np.ndarray, share: float) -> float:
    place = share * (len(rising) - 1)
    first = int(place)
    lower, upper = float(rising[first]), float(rising[min(first + 1, len(rising) - 1)])
    return lower + (place - first) * (upper - lower)


def slope_parameters(height: np.ndarray, pitch_um: float) -> dict[str, float | str]:
    """Sdq and Sdr (%) of (rows, columns), um, NaN where unknown; or why there is none.

    Slopes are the differences over seven points of ISO 4287 (from memory), which keep waves from four pixels on better
    than differences of neighbours do; they need three known pixels on every side.
    """
    count, slope2, area = _slopes(np.ascontiguousarray(height), pitch_um)
    if not count:
        return dict.fromkeys(("Sdq", "Sdr"), "no pixel has three known pixels on every side")
    return {"Sdq": float(np.sqrt(slope2 / count)), "Sdr": float(100 * (area / count - 1))}


@numba.njit(cache=True, nogil=True)
def _moments(heights: np.ndarray, mean: float) -> np.ndarray:
    """Sums of |z|, z^2, z^3, z^4 about the mean, in double precision."""
    sums = np.zeros(4)
    for value in heights:
        z = float(value) - mean
        sums[0] += abs(z)
        sums[1] += z * z
        sums[2] += z * z * z
        sums[3] += z * z * z * z
    return sums


@numba.njit(cache=True, nogil=True)
def _slopes(height: np.ndarray, pitch: float) -> tuple[int, float, float]:
    """Number of pixels with a slope, and sums of squared slope and of area over area of projection."""
    count, slope2, area = 0, 0.0, 0.0
    near, middle, far = 45 / (60 * pitch), -9 / (60 * pitch), 1 / (60 * pitch)
    for r in range(3, height.shape[0] - 3):
        for c in range(3, height.shape[1] - 3):
            by_col = near * (height[r, c + 1] - height[r, c - 1])
            by_col += middle * (height[r, c + 2] - height[r, c - 2]) + far * (height[r, c + 3] - height[r, c - 3])
            by_row = near * (height[r + 1, c] - height[r - 1, c])
            by_row += middle * (height[r + 2, c] - height[r - 2, c]) + far * (height[r + 3, c] - height[r - 3, c])
            both = by_col * by_col + by_row * by_row
            if np.isfinite(both) and np.isfinite(height[r, c]):
                count += 1
                slope2 += both
                area += np.sqrt(1 + both)
    return count, slope2, area
