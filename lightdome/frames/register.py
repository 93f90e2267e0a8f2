"""Move a frame's picture back to where the others stand."""

import numpy as np

LOBES = 4
"""Of the Lanczos window, so eight samples each way (Duchon 1979, Lanczos filtering in one and two dimensions)."""
WHOLE_PX = 1e-3
"""Parts of a pixel below it are not interpolated."""


def halo_px(shift: float) -> int:
    """Rows beyond a band that moving by `shift` rows looks at."""
    return int(np.ceil(abs(shift))) + LOBES


def moved_back(band: np.ndarray, shift_px: tuple[float, float], first: int, count: int) -> np.ndarray:
    """Picture (rows, columns) moved back by `shift_px` (dr, dc): its value at (r, c) is the band's at (r + dr, c + dc).

    band : rows around those wanted.  first, count : which rows of it are wanted.
    Beyond the band's edge is NaN; whole pixels are copied, parts of a pixel interpolated by a windowed sinc of eight
    samples each way, in which one unknown sample makes the result unknown.
    """
    rows = np.arange(first, first + count)
    return _along(_along(band, shift_px[0], rows).T, shift_px[1], np.arange(band.shape[1])).T


def lanczos_weights(part: float) -> np.ndarray:
    """Weights (8,) of the samples at -3 ... 4 for a value at `part` (0 to 1); they add up to 1."""
    away = np.arange(1 - LOBES, LOBES + 1) - part
    weights = np.sinc(away) * np.sinc(away / LOBES)
    return weights / weights.sum()


def _along(values: np.ndarray, shift: float, wanted: np.ndarray) -> np.ndarray:
    """Values at `wanted` + shift along the first axis."""
    whole = int(np.floor(shift))
    part = shift - whole
    if part > 1 - WHOLE_PX:
        whole, part = whole + 1, 0.0
    if part < WHOLE_PX:
        return _taken(values, wanted + whole)
    total = np.zeros((len(wanted), values.shape[1]), np.float32)
    for offset, weight in zip(range(1 - LOBES, LOBES + 1), lanczos_weights(part), strict=True):
        total += _taken(values, wanted + whole + offset) * np.float32(weight)
    return total


def _taken(values: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Rows of `values` at `places`; NaN where there is none."""
    taken = values[np.clip(places, 0, len(values) - 1)]
    taken[(places < 0) | (places >= len(values))] = np.nan
    return taken
