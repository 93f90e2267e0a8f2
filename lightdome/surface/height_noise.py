"""Standard uncertainty of height against its surroundings, from the uncertainty of slopes."""

import numpy as np

from lightdome.surface.filters import reach_px, smooth
from lightdome.units import UM_PER_MM

SURROUNDINGS_MM = 2.0
"""Heights are judged after a Gaussian high-pass (ISO 16610-61) of this cut-off."""
_FREQUENCIES = 512


def noise_gains(pitch_mm: float) -> tuple[float, float]:
    """How white slope noise of standard deviation 1 (each axis, each pixel) ends up.

    First: standard deviation of the integrated height against its 2 mm surroundings, in pitches. Second: root of the
    mean over pixels of the squared slopes, both axes together, that no height explains.

    Parseval's sum over the frequencies of the integration's own differences and slope averages (`surface/height.py`),
    equal weights, far from the edge.
    """
    angle = 2 * np.pi * np.fft.fftfreq(_FREQUENCIES)
    fx, fy = angle[None, :], angle[:, None]
    difference_x, difference_y = 4 * np.sin(fx / 2) ** 2, 4 * np.sin(fy / 2) ** 2
    average_x = ((13 * np.cos(fx / 2) - np.cos(3 * fx / 2)) / 12) ** 2
    average_y = ((13 * np.cos(fy / 2) - np.cos(3 * fy / 2)) / 12) ** 2
    laplacian = difference_x + difference_y
    laplacian[0, 0] = np.inf
    cutoff_px = SURROUNDINGS_MM / pitch_mm
    high_pass = 1 - 2.0 ** (-(cutoff_px**2) * (fx**2 + fy**2) / (2 * np.pi) ** 2)
    height = (difference_x * average_x + difference_y * average_y) / laplacian**2 * high_pass**2
    unexplained = (difference_y * average_x + difference_x * average_y) / laplacian
    return float(np.sqrt(height.mean())), float(np.sqrt(unexplained.mean()))


def neighbourhood_px(pitch_mm: float) -> float:
    """Cut-off, pixels, of the neighbourhood whose slopes decide about a height.

    The influence of a slope falls with the square of its distance, alike in every octave from one pixel to the
    surroundings; half of it lies within the geometric mean of the two.
    """
    return float(np.sqrt(2 * max(SURROUNDINGS_MM / pitch_mm, 2.0)))


def look_px(pitch_mm: float) -> int:
    """How far `surroundings_uncertainty` looks around a pixel."""
    return max(reach_px(neighbourhood_px(pitch_mm)) + 2, reach_px(SURROUNDINGS_MM / pitch_mm))


def surroundings_uncertainty(
    u_slope: np.ndarray,
    slope_x: np.ndarray,
    slope_y: np.ndarray,
    height_um: np.ndarray,
    pitch_mm: float,
    u_slope_gain: float,
) -> np.ndarray:
    """Standard uncertainty (rows, columns), um, float32, of height against its 2 mm surroundings; NaN stays NaN.

    u_slope : standard uncertainty of a slope, either axis.  slope_x, slope_y : as for `height.divergence`.
    u_slope_gain : relative standard uncertainty of a gain that all slopes share: it scales heights alike.

    Two parts in quadrature. Slope noise, taken as the larger of what the fit of the normals says and what the slopes
    themselves show, as far as no height explains them. The gain, times the height above or below the surroundings.
    Errors of slope that are smooth over more than 2 mm are not in it.
    """
    gain_height, gain_unexplained = noise_gains(pitch_mm)
    cutoff_px = neighbourhood_px(pitch_mm)
    stated2 = smooth(u_slope**2, cutoff_px)
    unexplained2 = _unexplained2(slope_x, slope_y, height_um, pitch_mm * UM_PER_MM)
    shown2 = smooth(unexplained2, cutoff_px) / np.float32(gain_unexplained**2)
    slope2 = np.fmax(stated2, shown2)
    noise_um = np.float32(gain_height * pitch_mm * UM_PER_MM) * np.sqrt(slope2)
    stands_out_um = height_um - smooth(height_um, SURROUNDINGS_MM / pitch_mm)
    u_height = np.hypot(noise_um, np.float32(u_slope_gain) * stands_out_um)
    return np.where(np.isfinite(height_um), u_height, np.nan).astype(np.float32)


def _unexplained2(slope_x: np.ndarray, slope_y: np.ndarray, height_um: np.ndarray, pitch_um: float) -> np.ndarray:
    """Squared slope, both axes together, that the height does not explain; NaN where a neighbour is unknown."""
    total = np.full(height_um.shape, np.nan, np.float32)
    if min(height_um.shape) < 4:
        return total
    between_x = (13 * (slope_x[:, 1:-2] + slope_x[:, 2:-1]) - slope_x[:, :-3] - slope_x[:, 3:]) / 24
    between_y = (13 * (slope_y[1:-2] + slope_y[2:-1]) - slope_y[:-3] - slope_y[3:]) / 24
    along_x = between_x - (height_um[:, 2:-1] - height_um[:, 1:-2]) / pitch_um
    along_y = between_y + (height_um[2:-1] - height_um[1:-2]) / pitch_um  # y runs against rows
    total[1:-2, 1:-2] = along_x[1:-2] ** 2 + along_y[:, 1:-2] ** 2
    return total
