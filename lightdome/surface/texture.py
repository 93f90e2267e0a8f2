"""Areal texture parameters of a scale-limited surface (ISO 25178-2:2021, 4.2 height and 4.4 hybrid parameters)."""

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np

from lightdome.errors import SurfaceError
from lightdome.raster import Grid, Window
from lightdome.surface.filters import smooth
from lightdome.units import UM_PER_MM

SERIES = (1.0, 2.0, 2.5, 5.0, 8.0)
"""Nesting indices in each decade (ISO 25178-3:2012 tables, from memory)."""
SHORTEST_L_MM = 2.0
"""Default L-filter: heights are judged against their 2 mm surroundings, and longer waves may be drift."""

UNITS = dict.fromkeys(
    ("Sa", "Sq", "Ssk", "Sku", "Sp", "Sv", "Sz", "height_0_1_percent", "height_99_9_percent"), "um"
) | {
    "Ssk": "1",
    "Sku": "1",
    "Sdq": "1",
    "Sdr": "%",
}


@dataclass(frozen=True)
class Texture:
    """Parameters of one region; heights in um, Sdq without unit, Sdr in %. NaN where the region knows too little."""

    known: int
    """Pixels with a height."""
    Sa: float
    Sq: float
    Ssk: float
    Sku: float
    Sp: float
    Sv: float
    Sz: float
    Sdq: float
    Sdr: float
    height_0_1_percent: float
    """Height that 0.1 % of the region lies below, um: unlike Sv it does not rest on a single pixel."""
    height_99_9_percent: float
    """Height that 99.9 % of the region lies below, um."""


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


def texture_facts(surface: np.ndarray, grid: Grid, s_mm: float, l_mm: float) -> dict[str, Any]:
    """What `surface/texture.json` says of an S-L surface: the whole field and nine regions, three by three."""
    rows, cols = grid.shape
    regions = [_region("whole", grid.window, surface, grid)]
    if min(rows, cols) >= 9:
        row_edges, col_edges = np.linspace(0, rows, 4).astype(int), np.linspace(0, cols, 4).astype(int)
        for i in range(3):
            for j in range(3):
                window = Window(int(row_edges[i]), int(row_edges[i + 1]), int(col_edges[j]), int(col_edges[j + 1]))
                regions.append(_region(f"row {i + 1} column {j + 1}", window, surface, grid))
    return {
        "statement": "relative, not traceable",
        "standard": "ISO 25178-2:2021 height and hybrid parameters, mean removed in each region",
        "order_of_work": "F-operation by least-squares plane, Gaussian S-filter, Gaussian L-filter (ISO 16610-61)",
        "nesting_indices": {"s_filter_mm": s_mm, "l_filter_mm": l_mm},
        "pixel_pitch_mm": grid.pitch_mm,
        "cautions": [
            "Sdq and Sdr hold only together with the pixel pitch and the nesting indices",
            "Sp, Sv and Sz rest on single pixels; the 0.1 % and 99.9 % heights do not",
            "within half an L-filter index of an edge the filter leans to one side",
        ],
        "u_reason": "u is null: heights are not traceable, and the spread of these parameters needs repeated captures",
        "regions": regions,
    }


def _region(name: str, window: Window, surface: np.ndarray, grid: Grid) -> dict[str, Any]:
    found = measure(surface[window.slices], grid.pitch_mm * UM_PER_MM)
    x_mm, y_mm = grid.x_mm(window), grid.y_mm(window)
    half = grid.pitch_mm / 2
    parameters = {}
    for parameter, unit in UNITS.items():
        value = getattr(found, parameter)
        parameters[parameter] = {"value": value if np.isfinite(value) else None, "unit": unit, "u": None}
    return {
        "region": name,
        "x_mm": [float(x_mm[0] - half), float(x_mm[-1] + half)],
        "y_mm": [float(y_mm[-1] - half), float(y_mm[0] + half)],
        "known_fraction": found.known / (window.shape[0] * window.shape[1]),
        "parameters": parameters,
    }


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


def measure(height: np.ndarray, pitch_um: float) -> Texture:
    """Texture of one region (rows, columns), um, heights from the region's mean; needs 9 known pixels, else NaN.

    Slopes are central differences where all four neighbours are known; Sdq and Sdr are their means (standard formulas
    of ISO 25178-2, 4.4).
    """
    known = height[np.isfinite(height)]
    if known.size < 9:
        return Texture(int(known.size), *[np.nan] * 11)
    mean = float(known.mean(dtype=np.float64))
    low, high = (float(value) for value in np.percentile(known, [0.1, 99.9]) - mean)
    absolute, square, cube, fourth = _moments(known, mean) / known.size
    count, slope2, area = _slopes(np.ascontiguousarray(height), pitch_um)
    sq = np.sqrt(square)
    return Texture(
        known=int(known.size),
        Sa=float(absolute),
        Sq=float(sq),
        Ssk=float(cube / sq**3) if sq > 0 else np.nan,
        Sku=float(fourth / sq**4) if sq > 0 else np.nan,
        Sp=float(known.max()) - mean,
        Sv=mean - float(known.min()),
        Sz=float(known.max()) - float(known.min()),
        Sdq=float(np.sqrt(slope2 / count)) if count else np.nan,
        Sdr=float(100 * (area / count - 1)) if count else np.nan,
        height_0_1_percent=low,
        height_99_9_percent=high,
    )


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


@numba.njit(cache=True)
def _moments(known: np.ndarray, mean: float) -> np.ndarray:
    """Sums of |z|, z^2, z^3, z^4 about the mean, in double precision."""
    sums = np.zeros(4)
    for value in known:
        z = float(value) - mean
        sums[0] += abs(z)
        sums[1] += z * z
        sums[2] += z * z * z
        sums[3] += z * z * z * z
    return sums


@numba.njit(cache=True)
def _slopes(height: np.ndarray, pitch: float) -> tuple[int, float, float]:
    """Number of pixels with four known neighbours, and sums of squared slope and of area over area of projection."""
    count, slope2, area = 0, 0.0, 0.0
    for r in range(1, height.shape[0] - 1):
        for c in range(1, height.shape[1] - 1):
            by_col = (float(height[r, c + 1]) - float(height[r, c - 1])) / (2 * pitch)
            by_row = (float(height[r + 1, c]) - float(height[r - 1, c])) / (2 * pitch)
            both = by_col * by_col + by_row * by_row
            if np.isfinite(both) and np.isfinite(height[r, c]):
                count += 1
                slope2 += both
                area += np.sqrt(1 + both)
    return count, slope2, area
