"""Height = form + etched relief + tooled lines + scratches + spots + texture, each found on what the later ones left.

The later a mark, the sooner it is taken off: scratches first, then pits and deposits, then the lines of tools.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lightdome.marks.paint import painted
from lightdome.marks.records import CLASS_CODE
from lightdome.marks.relief import form_of
from lightdome.marks.without import MEASURED, reach_beside, without
from lightdome.surface.filters import gaussian_weights, reach_px

BANDS = ("form", "etched", "tooled", "scratch", "spots", "texture")
ROWS_AT_ONCE = 512
SAMPLE_ROWS = 300
ROUGH_RISES = 2.0
"""Times the median rise from pixel to pixel: less is roughness and has no direction (chosen on made plates)."""
MEDIAN_TO_SIGMA = 1.4826
LANDS, FLOORS = ("land", "friction-ridge print"), ("etched",)
RIM_PX = 3.0
"""Beside a class's border, where blurred walls lie, there is no texture; in etched areas half a cut-off more."""


@dataclass(frozen=True)
class Split:
    """Parts of a height map, (rows, columns) float32, um; the etched relief is what they leave of it."""

    height_um: np.ndarray
    form_um: np.ndarray
    tooled_um: np.ndarray
    scratch_um: np.ndarray
    spots_um: np.ndarray
    texture_um: np.ndarray
    fill: np.ndarray
    """uint8: how the height under scratches was found, see `without`."""

    def strips(self) -> Iterator[tuple[slice, np.ndarray]]:
        """`BANDS` (6, rows, columns), a strip at a time; their sum is the height to the last digit of float32."""
        for start in range(0, len(self.height_um), ROWS_AT_ONCE):
            rows = slice(start, start + ROWS_AT_ONCE)
            form, tooled, scratch, spots, texture = (
                part[rows] for part in (self.form_um, self.tooled_um, self.scratch_um, self.spots_um, self.texture_um)
            )
            etched = self.height_um[rows].astype(np.float64)
            for part in (form, tooled, scratch, spots, texture):
                etched -= part
            yield rows, np.stack([form, etched.astype(np.float32), tooled, scratch, spots, texture])


def split(
    height_um: np.ndarray,
    classes: np.ndarray,
    traces: Mapping[str, Sequence[np.ndarray]],
    form_cutoff_px: float,
    texture_cutoff_px: float,
) -> Split:
    """Parts of a height map (rows, columns), um; NaN stays NaN.

    classes : uint8, of each pixel. traces : centre lines (n, 2), row and column, by the name of their class.
    form_cutoff_px, texture_cutoff_px : wavelengths of which half goes to the form, and half to the texture.
    """
    rough_um = ROUGH_RISES * usual_rise(height_um)
    scratches = classes == CLASS_CODE["scratch"]
    rest_um, fill = without(height_um, scratches, traces.get("scratch", ()), rough_um)
    scratch_um = height_um - rest_um
    fill[scratch_um == 0] = MEASURED
    spots = np.isin(classes, [CLASS_CODE["pit"], CLASS_CODE["deposit"]])
    spots_um = _take_off(rest_um, spots, (), rough_um)
    lines = traces.get("tooled", ())
    tools = classes == CLASS_CODE["tooled"]
    tools |= _hidden(tools, lines) & scratches
    tooled_um = _take_off(rest_um, tools, lines, rough_um)
    form_um = form_of(height_um, form_cutoff_px)
    rest_um -= form_um
    return Split(
        height_um, form_um, tooled_um, scratch_um, spots_um, texture_of(rest_um, classes, texture_cutoff_px), fill
    )


def _take_off(rest_um: np.ndarray, mask: np.ndarray, traces: Sequence[np.ndarray], rough_um: float) -> np.ndarray:
    """What the marks of a mask added to the heights, um; it is taken off them in place."""
    found, _ = without(rest_um, mask, traces, rough_um)
    rest_um -= found
    added = rest_um.copy()
    rest_um[...] = found
    return added


def _hidden(mask: np.ndarray, traces: Sequence[np.ndarray]) -> np.ndarray:
    """Where lines of a mask run, also where later marks lie on top of them; (rows, columns) bool."""
    if not len(traces):
        return np.zeros_like(mask)
    reaches = reach_beside(mask, traces)
    return painted(mask.shape, [(points, 2 * reach) for points, reach in zip(traces, reaches, strict=True)])


def usual_rise(height_um: np.ndarray) -> float:
    """Standard deviation of the rise from a pixel to the next, um, from its median: walls do not count."""
    rises = [
        np.abs(np.diff(lines[:: max(1, len(lines) // SAMPLE_ROWS)], axis=1)).ravel()
        for lines in (height_um, height_um.T)
    ]
    rise = np.concatenate(rises)
    rise = rise[np.isfinite(rise)]
    return MEDIAN_TO_SIGMA * float(np.median(rise)) if rise.size else 0.0


def texture_of(relief_um: np.ndarray, classes: np.ndarray, cutoff_px: float) -> np.ndarray:
    """Short waves of land and of the floors of etched areas, um, float32; zero on lines, walls and marks.

    relief_um : (rows, columns), um, without form and later marks; unknown stays NaN. Method: less its own Gaussian mean
    over the same class less its rim (ISO 16610-61 weight of the cut-off), fading to zero from half a cut-off inside the
    rim to the rim, so that no wall, and no line narrower than the cut-off, leaves anything in it.
    """
    texture = np.zeros_like(relief_um)
    halo = 3 * reach_px(cutoff_px) + int(RIM_PX) + 2
    for start in range(0, len(relief_um), ROWS_AT_ONCE):
        stop = min(start + ROWS_AT_ONCE, len(relief_um))
        top, bottom = max(start - halo, 0), min(stop + halo, len(relief_um))
        inner = slice(start - top, stop - top)
        relief, codes = relief_um[top:bottom], classes[top:bottom]
        for names, rim_px in ((LANDS, RIM_PX), (FLOORS, max(RIM_PX, cutoff_px / 2 + 1))):
            ground = np.isin(codes, [CLASS_CODE[name] for name in names]) & np.isfinite(relief)
            if ground[inner].any():
                texture[start:stop] += _short_waves(relief, ground, cutoff_px, rim_px)[inner]
    texture[np.isnan(relief_um)] = np.nan
    return texture


def _short_waves(relief_um: np.ndarray, ground: np.ndarray, cutoff_px: float, rim_px: float) -> np.ndarray:
    import cv2

    weights = gaussian_weights(cutoff_px)
    inside_px = cv2.distanceTransform(np.pad(ground, 1, mode="edge").astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    inner = inside_px > rim_px
    known, here = np.where(inner, relief_um, 0).astype(np.float32), inner.astype(np.float32)
    total, share = (
        cv2.sepFilter2D(part, cv2.CV_32F, weights, weights, borderType=cv2.BORDER_CONSTANT) for part in (known, here)
    )
    fade = np.clip((inside_px - rim_px) / max(cutoff_px / 2, 1.0), 0, 1)
    return np.where(inner, fade * (known - total / np.maximum(share, 1e-6)), 0)
