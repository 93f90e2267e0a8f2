"""Spatial parameters of a scale-limited surface: Sal, Str, Std (ISO 25178-2:2021, clause 4.3, from memory)."""

import numba
import numpy as np
from scipy.ndimage import map_coordinates

from lightdome.surface.autocorrelation import autocorrelation

FALL = 0.2
"""Level that ends the central lobe of the autocorrelation: the default of ISO 25178-3 (from memory)."""
FIRST_LAG_PX, MOST_LAG_PX = 128, 1024
"""The longer lag is looked at where the lobe leaves the shorter one."""
ISOTROPIC = 0.5
"""Str from here on is usually called isotropic (common practice): then no direction of the texture is given."""
STEP_DEG = 0.5
ROOT_STEPS = 17


def spatial_parameters(surface: np.ndarray, pitch_mm: float, s_mm: float, l_mm: float) -> dict[str, float | str]:
    """Sal (mm), Str, Std (degrees); where not defined, the reason.

    surface : (rows, columns), NaN where unknown: pairs of known pixels count. s_mm, l_mm : nesting indices, between
    which Std looks for waves. Std is the direction of the lay, at right angles to the strongest waves,
    counter-clockwise from +x, in 0-180.
    """
    half = min(surface.shape) // 2
    for most in sorted({min(half, FIRST_LAG_PX), min(half, MOST_LAG_PX)}):
        acf = autocorrelation(surface, most)
        if not np.isfinite(acf[most, most]):
            return dict.fromkeys(("Sal", "Str", "Std"), "the surface is level")
        falls_px = decay_lengths_px(acf)
        if np.isfinite(falls_px).all():
            break
    longest_mm = most * pitch_mm
    found: dict[str, float | str] = {}
    if np.isfinite(falls_px).any():
        shortest_mm = float(np.nanmin(falls_px)) * pitch_mm
        found["Sal"] = shortest_mm
    else:
        found["Sal"] = f"the autocorrelation stays above {FALL} in all directions up to {longest_mm:.3g} mm"
    if np.isfinite(falls_px).all():
        found["Str"] = float(falls_px.min() / falls_px.max())
    else:
        found["Str"] = f"along the lay the autocorrelation stays above {FALL} up to {longest_mm:.3g} mm"
    ratio = found["Str"]
    if isinstance(ratio, float) and ratio >= ISOTROPIC:
        found["Std"] = f"the texture has no direction: Str is {ISOTROPIC} or more"
    else:
        found["Std"] = lay_deg(acf, pitch_mm, s_mm, l_mm)
    return found


def decay_lengths_px(acf: np.ndarray, fall: float = FALL) -> np.ndarray:
    """Distance at which an autocorrelation first falls to a level, in directions of half a turn; NaN where it does not.

    acf : (2 most + 1, 2 most + 1), the origin in the middle. Directions are so dense that no pixel at the rim is left
    out.
    """
    most = acf.shape[0] // 2
    angles = np.linspace(0, np.pi, max(8, int(np.ceil(2 * np.pi * most))), endpoint=False)
    filled = np.where(np.isfinite(acf), acf, -1)  # a lag that no pair has ends the lobe
    after = _first_below(filled, np.cos(angles), np.sin(angles), fall)
    some = np.isfinite(after)
    # bilinear between pixels so far; cubic for the crossing itself
    radius = after[some, None] + np.linspace(-1.5, 1, ROOT_STEPS)
    near = np.maximum(radius, 0)
    at = np.stack([most - near * np.sin(angles[some, None]), most + near * np.cos(angles[some, None])])
    values = map_coordinates(filled, at, order=3, mode="nearest")
    below = values <= fall
    first = np.argmax(below, axis=1)
    good = below.any(axis=1) & (first > 0)
    row, last = np.flatnonzero(good), first[good]
    high, low = values[row, last - 1], values[row, last]
    step = radius[row, last] - radius[row, last - 1]
    exact = after[some]
    exact[good] = radius[row, last - 1] + step * (high - fall) / (high - low)
    after[some] = exact
    return after


@numba.njit(cache=True, nogil=True)
def _first_below(acf: np.ndarray, cosines: np.ndarray, sines: np.ndarray, fall: float) -> np.ndarray:
    """First radius, in half pixels, at which the bilinear map is below the level; NaN where none is inside."""
    most = acf.shape[0] // 2
    found = np.full(len(cosines), np.nan)
    for index in range(len(cosines)):
        for halves in range(1, 2 * most):
            row, col = most - 0.5 * halves * sines[index], most + 0.5 * halves * cosines[index]
            r, c = int(row), int(col)
            dr, dc = row - r, col - c
            upper = acf[r, c] * (1 - dc) + acf[r, c + 1] * dc
            lower = acf[r + 1, c] * (1 - dc) + acf[r + 1, c + 1] * dc
            if upper * (1 - dr) + lower * dr <= fall:
                found[index] = 0.5 * halves
                break
    return found


def lay_deg(acf: np.ndarray, pitch_mm: float, s_mm: float, l_mm: float) -> float | str:
    """Direction at right angles to the largest value of the angular power spectrum, degrees; or why there is none.

    acf : (2 most + 1, 2 most + 1). Its transform is the power spectrum (Wiener-Khinchin), tapered by a Hann window.
    """
    most = acf.shape[0] // 2
    lag = np.hypot(*np.mgrid[-most : most + 1, -most : most + 1]) / (most + 1)
    tapered = np.where(lag < 1, np.nan_to_num(acf) * (0.5 + 0.5 * np.cos(np.pi * np.minimum(lag, 1))), 0)
    side = 4 * most + 2
    padded = np.zeros((side, side))
    padded[: 2 * most + 1, : 2 * most + 1] = tapered
    power = np.fft.fftshift(np.fft.fft2(np.roll(padded, (-most, -most), (0, 1))).real)
    lowest, highest = (side * pitch_mm / index for index in (l_mm, s_mm))
    highest = min(highest, side / 2 - 1)
    if not highest > lowest + 1:
        return "the area is too small to tell the waves between the nesting indices apart"
    radius = np.arange(lowest, highest, 0.5)
    angles = np.radians(np.arange(0, 180, STEP_DEG))[:, None]
    at = np.stack([side // 2 - radius * np.sin(angles), side // 2 + radius * np.cos(angles)])
    spectrum = (map_coordinates(power, at, order=1) * radius).sum(axis=1)
    top = int(spectrum.argmax())
    before, here, after = spectrum[[top - 1, top, (top + 1) % len(spectrum)]]
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float((STEP_DEG * (top + shift) + 90) % 180)
