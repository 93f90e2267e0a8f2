"""What an etched area is made of: grains, lines, or nothing between; with the numbers that decide.

Heights are first brought to the scale-limited surface that `measure-texture` uses, so that slow changes of the floor
are neither. Grains are its hills or its dales, whichever are more, after Wolf pruning.
"""

from dataclasses import replace

import numpy as np
from scipy.ndimage import binary_erosion
from skimage.filters import threshold_otsu

from lightdome.marks.evaluation_window import fullest_window
from lightdome.marks.point_pattern import density_by_depth, nearest_neighbours
from lightdome.marks.straight_runs import straight_share
from lightdome.marks.structure_verdict import Structure, judge_structure
from lightdome.surface.hills import WOLF_SHARE, Hills, hills
from lightdome.surface.scale_limited import limit_scale, nesting_indices
from lightdome.surface.texture_spatial import spatial_parameters
from lightdome.units import UM_PER_MM

FEWEST_PIXELS = 400
OVER_NOISE = 5.0
"""A grain is at least this many times as high as the noise: tests/marks/test_structure.py finds none in noise alone."""
LEAST_NOISE_UM = 1e-3
"""Heights are stored to about a nanometre; nothing below is a relief."""
MOST_SIDE_PX = 2048
"""Of larger areas the fullest window of this side is looked at: thousands of grains tell no less than ten thousands."""
DEPTH_PERCENTS = (5, 25, 50, 75, 95)


def structure_of(height_um: np.ndarray, inside: np.ndarray, pitch_mm: float, noise_um: float) -> Structure | None:
    """Structure of one area; None where fewer than 400 pixels of it lie off its edge.

    height_um : (rows, columns), above the reference surface, NaN where unknown. inside : bool, the area
    with the islands in it. noise_um : standard deviation of the height's noise between neighbouring places. A strip as
    wide as the S-filter at the area's edge is left out, since it belongs to the wall.
    """
    noise_um = max(noise_um, LEAST_NOISE_UM)
    s_mm, l_mm = nesting_indices(pitch_mm, None, None)
    floor = binary_erosion(inside, iterations=int(np.ceil(s_mm / pitch_mm))) & np.isfinite(height_um)
    if floor.sum() < FEWEST_PIXELS:
        return None
    rows, cols = (np.flatnonzero(floor.any(axis=axis)) for axis in (1, 0))
    cut = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
    whole_px = int(floor.sum())
    floor, height = floor[cut], height_um[cut]
    window = fullest_window(floor, MOST_SIDE_PX)
    floor, height = floor[window], height[window]
    from_middle = np.where(floor, height - np.median(height[floor]), np.nan).astype(np.float32)
    surface = limit_scale(from_middle, s_mm / pitch_mm, l_mm / pitch_mm)
    known = surface[floor]
    least_um = max(WOLF_SHARE * float(np.ptp(known)), OVER_NOISE * noise_um)
    both = hills(surface, least_um), hills(surface, least_um, dales=True)
    counts = [int((~found.peak_on_edge).sum()) for found in both]
    dales = counts[1] > counts[0]
    places_px, areas_px, heights_um = _grains(surface, both[dales], dales)
    area_mm2 = float(floor.sum()) * pitch_mm**2
    spatial = spatial_parameters(surface, pitch_mm, s_mm, l_mm)
    found = Structure(
        verdict="not decided",
        evidence=(),
        area_mm2=area_mm2,
        looked_at_share=float(floor.sum()) / whole_px,
        s_filter_mm=s_mm,
        l_filter_mm=l_mm,
        noise_um=noise_um,
        rms_height_um=float(known.std(dtype=np.float64)),
        least_height_um=least_um,
        grain_kind="dales" if dales else "hills",
        grain_count=len(places_px),
        grains_per_mm2=len(places_px) / area_mm2,
        u_grains_per_mm2=len(places_px) ** 0.5 / area_mm2,
        diameter_um=_quartiles(2 * np.sqrt(areas_px / np.pi) * pitch_mm * UM_PER_MM),
        grain_height_um=float(np.median(heights_um)) if len(heights_um) else None,
        neighbours=nearest_neighbours(places_px, floor),
        density_by_depth=density_by_depth(places_px, -height, floor),
        depth_um=tuple(float(value) for value in np.percentile(-height[floor], DEPTH_PERCENTS)),
        Str=_number(spatial["Str"]),
        Std_deg=_number(spatial["Std"]),
        straight_share=_straight_share(surface, floor),
    )
    verdict, evidence = judge_structure(found)
    return replace(found, verdict=verdict, evidence=evidence)


def _grains(surface: np.ndarray, found: Hills, dales: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centres (n, 2) px, areas (n,) px and heights (n,) um of the grains whose tops lie inside.

    A grain is what of a hill rises above the middle between its peak and its highest saddle.
    """
    sign = -1.0 if dales else 1.0
    tops = sign * found.peaks_um
    heights = np.where(np.isfinite(found.local_heights_um), found.local_heights_um, tops - sign * np.nanmedian(surface))
    half = np.concatenate([[np.inf], tops - heights / 2])
    with np.errstate(invalid="ignore"):
        labels = np.where(sign * surface >= half[found.labels], found.labels, 0)
    rows, cols = np.nonzero(labels)
    numbers = labels[rows, cols]
    count = len(half)
    areas = np.bincount(numbers, minlength=count)[1:]
    centres = np.stack([np.bincount(numbers, at, minlength=count)[1:] for at in (rows, cols)], axis=1)
    kept = ~found.peak_on_edge
    return centres[kept] / areas[kept, None], areas[kept], heights[kept]


def _straight_share(surface: np.ndarray, floor: np.ndarray) -> float:
    """Of what lies low, or of what lies high where that is less than half: of the figure, not of the ground."""
    if not np.ptp(surface[floor]) > 0:
        return 0.0
    with np.errstate(invalid="ignore"):
        low = surface < threshold_otsu(surface[floor])
    high = floor & ~low
    shares = [straight_share(low)]
    if 2 * high.sum() < floor.sum():
        shares.append(straight_share(high))
    return max(shares)


def _quartiles(values: np.ndarray) -> tuple[float, float, float] | None:
    if not len(values):
        return None
    low, middle, high = (float(value) for value in np.percentile(values, (25, 50, 75)))
    return low, middle, high


def _number(value: float | str) -> float | None:
    return None if isinstance(value, str) else value
