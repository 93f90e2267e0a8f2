"""From a height map to its scale-limited surface: F-operation, S-filter, L-filter (ISO 25178-2:2021, clause 3.1)."""

import numba
import numpy as np

from lightdome.errors import SurfaceError
from lightdome.surface.filters import smooth

SERIES = (1.0, 2.0, 2.5, 5.0, 8.0)
"""Nesting indices in each decade (ISO 25178-3:2012 tables, from memory)."""
SHORTEST_L_MM = 2.0
"""Default L-filter: heights are judged against their 2 mm surroundings, and longer waves may be drift."""


def nesting_index(at_least_mm: float) -> float:
    """The smallest nesting index of the series that is no smaller."""
    decade = 10.0 ** np.floor(np.log10(at_least_mm) + 1e-9)
    steps = [step * decade for step in (*SERIES, 10.0)]
    return float(next(step for step in steps if step >= at_least_mm * (1 - 1e-9)))


def nesting_indices(pitch_mm: float, s_mm: float | None, l_mm: float | None) -> tuple[float, float]:
    """S and L nesting indices, mm, with defaults for those not given; the S index is at least two pixels."""
    s_used = nesting_index(3 * pitch_mm) if s_mm is None else s_mm
    if not s_used >= 2 * pitch_mm:
        raise SurfaceError(
            f"measure-texture: s_filter_mm {s_used} is below two pixels ({2 * pitch_mm:g} mm); raise it or leave it out"
        )
    l_used = max(SHORTEST_L_MM, nesting_index(5 * s_used)) if l_mm is None else l_mm
    if not l_used > s_used:
        raise SurfaceError(
            f"measure-texture: l_filter_mm {l_used} is not above s_filter_mm {s_used}; raise it or leave it out"
        )
    return s_used, l_used


def fit_plane(height: np.ndarray) -> tuple[float, float, float]:
    """Least-squares plane through (rows, columns): value at pixel (0, 0), rise a row, rise a column. NaN left out."""
    sums = _plane_sums(height)
    normal_matrix = np.array([[sums[0], sums[1], sums[2]], [sums[1], sums[3], sums[4]], [sums[2], sums[4], sums[5]]])
    value, by_row, by_col = np.linalg.lstsq(normal_matrix, sums[6:], rcond=None)[0]
    return float(value), float(by_row), float(by_col)


def limit_scale(height: np.ndarray, s_cutoff_px: float, l_cutoff_px: float) -> np.ndarray:
    """S-L surface (rows, columns), float32: Gaussian S-filter, then less its own Gaussian L-filter (ISO 16610-61).

    Looks as far as both cut-offs together; weights are renormalised at edges and at unknown pixels, which stay NaN.
    """
    fine = smooth(height, s_cutoff_px)
    return fine - smooth(fine, l_cutoff_px)


@numba.njit(cache=True)
def _plane_sums(height: np.ndarray) -> np.ndarray:
    """Sums of 1, r, c, rr, rc, cc, z, rz, cz over known pixels."""
    sums = np.zeros(9)
    for r in range(height.shape[0]):
        for c in range(height.shape[1]):
            z = float(height[r, c])
            if np.isfinite(z):
                sums[0] += 1.0
                sums[1] += r
                sums[2] += c
                sums[3] += float(r) * r
                sums[4] += float(r) * c
                sums[5] += float(c) * c
                sums[6] += z
                sums[7] += r * z
                sums[8] += c * z
    return sums
