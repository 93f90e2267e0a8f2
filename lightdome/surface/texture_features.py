"""Feature parameters: significant peaks and pits after Wolf pruning (ISO 25178-2:2021, clause 5, from memory)."""

import numpy as np

from lightdome.surface.hills import WOLF_SHARE, hills
from lightdome.units import UM_PER_MM

MOST_EXTREME = 5


def feature_parameters(surface: np.ndarray, pitch_mm: float, *, dales: bool) -> dict[str, float | str]:
    """Spd (1/mm^2), Spc (1/mm), S5p (um) of the peaks; or Svd, Svc, S5v of the pits; where not defined, the reason.

    surface : (rows, columns), um, NaN where unknown. Peaks at the edge or beside the unknown do not count: their true
    tops may lie outside. Curvature: minus half the sum of the second differences, positive for a peak.
    """
    density, curvature, five = ("Svd", "Svc", "S5v") if dales else ("Spd", "Spc", "S5p")
    word = "pit" if dales else "peak"
    count_known = int(np.isfinite(surface).sum())
    mean_um = float(np.nanmean(surface, dtype=np.float64))
    size_um = float(np.nanmax(surface) - np.nanmin(surface))
    if not size_um > 0:
        return dict.fromkeys((density, curvature, five), "the surface is level")
    found = hills(surface, WOLF_SHARE * size_um, dales=dales)
    inside = ~found.peak_on_edge
    count = int(inside.sum())
    if not count:
        return dict.fromkeys((density, curvature, five), f"no significant {word} lies inside the area")
    values: dict[str, float | str] = {
        density: count / (count_known * pitch_mm**2),
        curvature: float(peak_curvature(surface, found.peaks_px[inside], pitch_mm).mean()),
        five: f"only {count} significant {word}{'s' if count > 1 else ''}, five are needed",
    }
    if count >= MOST_EXTREME:
        away_um = (found.peaks_um[inside] - mean_um) * (-1 if dales else 1)
        values[five] = float(np.sort(away_um)[-MOST_EXTREME:].mean())
    return values


def peak_curvature(surface: np.ndarray, places_px: np.ndarray, pitch_mm: float) -> np.ndarray:
    """Mean curvature -(zxx + zyy) / 2 at pixels with known neighbours, 1/mm, (n,)."""
    row, col = places_px[:, 0], places_px[:, 1]
    here = surface[row, col].astype(float)
    around = sum(surface[row + dr, col + dc].astype(float) for dr, dc in ((0, 1), (0, -1), (1, 0), (-1, 0)))
    return (4 * here - around) / (2 * pitch_mm**2 * UM_PER_MM)
