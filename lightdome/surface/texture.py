"""Areal texture parameters of a scale-limited surface, by region (ISO 25178-2:2021)."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from lightdome.raster import Grid, Window
from lightdome.surface.height_noise import SURROUNDINGS_MM
from lightdome.surface.texture_features import feature_parameters
from lightdome.surface.texture_height import height_parameters, slope_parameters
from lightdome.surface.texture_ratio import ratio_parameters
from lightdome.surface.texture_spatial import spatial_parameters
from lightdome.tiles import for_each
from lightdome.units import UM_PER_MM

FEWEST_PIXELS = 9
UNITS = {
    **dict.fromkeys(("Sa", "Sq"), "um"),
    **dict.fromkeys(("Ssk", "Sku"), "1"),
    **dict.fromkeys(("Sp", "Sv", "Sz", "height_0_1_percent", "height_99_9_percent"), "um"),
    **dict.fromkeys(("S10z", "S5p", "S5v"), "um"),
    **{"Sal": "mm", "Str": "1", "Std": "deg"},
    **{"Sdq": "1", "Sdr": "%"},
    **dict.fromkeys(("Sk", "Spk", "Svk"), "um"),
    **dict.fromkeys(("Smrk1", "Smrk2"), "%"),
    **dict.fromkeys(("Sxp", "Vmp", "Vmc", "Vvc", "Vvv"), "um"),
    **{"Spd": "1/mm^2", "Spc": "1/mm", "Svd": "1/mm^2", "Svc": "1/mm"},
}
"""Every parameter, in the order of the table."""
BOUNDED = ("Sa", "Sq")
"""Errors of the heights move these by no more than their own root mean square: the triangle inequality of a norm."""
U_REASON = (
    "u of Sa and Sq is the root mean square of the heights' standard uncertainty in the region, which is the most that "
    "errors of the heights can do to them; it is null above an L-filter of 2 mm, beyond which errors of heights are "
    "unknown. u of all others is null: their spread needs repeated captures. Heights are not traceable."
)
CAUTIONS = [
    "Sdq and Sdr hold only together with the pixel pitch and the nesting indices",
    "Sp, Sv and Sz rest on single pixels; the 0.1 % and 99.9 % heights do not",
    "within half an L-filter index of an edge the filter leans to one side",
    "volumes are volumes over area: 1 um is 1 ml/m^2",
    "Std is the direction of the lay, counter-clockwise from x; the strongest waves run at right angles to it",
    "Spd, Spc, S5p and their counterparts leave out peaks and pits at the edge of a region or beside unknown pixels; "
    "hills and dales that an edge cuts count if the peak or pit lies inside",
]


def texture(surface: np.ndarray, pitch_mm: float, s_mm: float, l_mm: float) -> dict[str, float | str]:
    """All parameters of one region (rows, columns), um, NaN where unknown; where one is not defined, the reason."""
    return _merged([part(surface, pitch_mm, s_mm, l_mm) for part in PARTS])


def _heights(surface: np.ndarray, pitch_mm: float, *_: float) -> dict[str, float | str]:
    rising = surface[np.isfinite(surface)]
    mean_um = float(rising.mean(dtype=np.float64))
    rising.sort()
    slopes = slope_parameters(surface, pitch_mm * UM_PER_MM)
    return height_parameters(rising, mean_um) | slopes | ratio_parameters(rising)


def _peaks(surface: np.ndarray, pitch_mm: float, *_: float) -> dict[str, float | str]:
    return feature_parameters(surface, pitch_mm, dales=False)


def _pits(surface: np.ndarray, pitch_mm: float, *_: float) -> dict[str, float | str]:
    return feature_parameters(surface, pitch_mm, dales=True)


PARTS: tuple[Callable[..., dict[str, float | str]], ...] = (_peaks, _pits, _heights, spatial_parameters)


def _merged(parts: list[dict[str, float | str]]) -> dict[str, float | str]:
    found: dict[str, float | str] = {name: value for part in parts for name, value in part.items()}
    peak, pit = found["S5p"], found["S5v"]
    if isinstance(peak, float) and isinstance(pit, float):
        found["S10z"] = peak + pit
    else:
        found["S10z"] = "; ".join(
            f"{name}: {why}" for name, why in (("S5p", peak), ("S5v", pit)) if isinstance(why, str)
        )
    return {name: found[name] for name in UNITS}


def texture_facts(
    surface: np.ndarray, u_height_um: Sequence[float], grid: Grid, s_mm: float, l_mm: float, threads: int = 1
) -> dict[str, Any]:
    """What `surface/texture.json` says of an S-L surface.

    surface : (rows, columns), um. u_height_um : root mean square, in each of `regions`, of the standard uncertainty of
    height against its 2 mm surroundings; NaN where unknown.
    """
    places = regions(grid)
    found: dict[tuple[int, int], dict[str, float | str]] = {}
    known = [int(np.isfinite(surface[window.slices]).sum()) for _, window in places]

    def measure(item: tuple[int, int]) -> None:
        region, part = item
        found[item] = PARTS[part](surface[places[region][1].slices], grid.pitch_mm, s_mm, l_mm)

    items = [(r, part) for r in range(len(places)) if known[r] >= FEWEST_PIXELS for part in range(len(PARTS))]
    for_each(measure, items, "measure-texture, regions", threads)
    described = []
    for r, (name, window) in enumerate(places):
        if known[r] >= FEWEST_PIXELS:
            values = _merged([found[r, part] for part in range(len(PARTS))])
        else:
            values = dict.fromkeys(UNITS, f"fewer than {FEWEST_PIXELS} pixels have a height")
        u_um = u_height_um[r] if l_mm <= SURROUNDINGS_MM else np.nan
        described.append(_region(name, window, grid, known[r], values, u_um))
    return {
        "statement": "relative, not traceable",
        "standard": "ISO 25178-2:2021, mean removed in each region",
        "order_of_work": "F-operation by least-squares plane, Gaussian S-filter, Gaussian L-filter (ISO 16610-61)",
        "f_operation": "least-squares plane over the whole field (a polynomial's nesting index is its degree: 1)",
        "nesting_indices": {"s_filter_mm": s_mm, "l_filter_mm": l_mm},
        "pixel_pitch_mm": grid.pitch_mm,
        "cautions": CAUTIONS,
        "u_reason": U_REASON,
        "regions": described,
    }


def regions(grid: Grid) -> list[tuple[str, Window]]:
    """Names and windows of what has a column of its own: the whole field and nine parts, three by three."""
    rows, cols = grid.shape
    regions = [("whole", grid.window)]
    if min(rows, cols) >= FEWEST_PIXELS:
        row_edges, col_edges = np.linspace(0, rows, 4).astype(int), np.linspace(0, cols, 4).astype(int)
        for i in range(3):
            for j in range(3):
                window = Window(int(row_edges[i]), int(row_edges[i + 1]), int(col_edges[j]), int(col_edges[j + 1]))
                regions.append((f"row {i + 1} column {j + 1}", window))
    return regions


def _region(
    name: str, window: Window, grid: Grid, known: int, values: dict[str, float | str], u_um: float
) -> dict[str, Any]:
    x_mm, y_mm = grid.x_mm(window), grid.y_mm(window)
    half = grid.pitch_mm / 2
    return {
        "region": name,
        "x_mm": [float(x_mm[0] - half), float(x_mm[-1] + half)],
        "y_mm": [float(y_mm[-1] - half), float(y_mm[0] + half)],
        "known_fraction": known / (window.shape[0] * window.shape[1]),
        "parameters": {
            parameter: _described(values[parameter], unit, u_um if parameter in BOUNDED else np.nan)
            for parameter, unit in UNITS.items()
        },
    }


def _described(value: float | str, unit: str, u: float) -> dict[str, Any]:
    if isinstance(value, str):
        return {"value": None, "unit": unit, "u": None, "reason": f"not defined: {value}"}
    return {"value": value, "unit": unit, "u": u if np.isfinite(u) else None}
