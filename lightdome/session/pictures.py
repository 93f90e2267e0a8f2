"""Pictures of the on-site page: the quick look at slopes and height, and each photograph beside what it should be."""

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from lightdome.session.assess import Assessment
from lightdome.session.look import Look
from lightdome.session.preview import Preview
from lightdome.session.records import Frame
from lightdome.session.small import coarser, factor_of
from lightdome.units import UM_PER_MM

SIDE_PX = 150
"""Of a small picture on the page, about."""
RAKING = (-0.75, 0.0, 0.66)
"""Toward the lamp of the raking picture: from the left, 41 degrees above the plate."""
OUTLINE = 255
QUANTILES = (0.01, 0.99)


def preview_png(quick: Preview, pitch_mm: float) -> bytes:
    """Raking light, two slopes, height: four maps with scales."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows, cols = quick.slope_x.shape
    up = 1 / np.sqrt(1 + quick.slope_x**2 + quick.slope_y**2)
    shade = np.clip((-quick.slope_x * RAKING[0] - quick.slope_y * RAKING[1] + RAKING[2]) * up, 0, None)
    maps: list[tuple[str, np.ndarray, str, str, bool]] = [
        ("Lamp from the left, computed", shade, "gray", "", False),
        ("Height, less its plane", quick.height_mm * UM_PER_MM, "cividis", "µm, not measured", False),
        ("Slope to the right, dz/dx", quick.slope_x, "PuOr", "1", True),
        ("Slope upward, dz/dy", quick.slope_y, "PuOr", "1", True),
    ]
    figure = Figure(figsize=(10, 10 * (rows / cols) * 0.93 + 0.9), dpi=90)
    FigureCanvasAgg(figure)
    axes: Any = figure.subplots(2, 2)
    # a layout that measures every label takes as long as all the rest
    figure.subplots_adjust(left=0.05, right=0.97, bottom=0.07, top=0.95, wspace=0.12, hspace=0.2)
    extent = (-cols / 2 * pitch_mm, cols / 2 * pitch_mm, -rows / 2 * pitch_mm, rows / 2 * pitch_mm)
    for one, (title, values, colours, unit, even) in zip(axes.flat, maps, strict=True):
        low, high = _range(values)
        if even:
            high = max(abs(low), abs(high))
            low = -high
        shown = one.imshow(values, cmap=colours, vmin=low, vmax=high, extent=extent, interpolation="antialiased")
        one.set_title(title, fontsize=11)
        one.tick_params(labelsize=8)
        if unit:
            figure.colorbar(shown, ax=one, shrink=0.8, pad=0.01).ax.tick_params(labelsize=8)
            one.set_xlabel(f"mm; scale: {unit}", fontsize=8)
        else:
            one.set_xlabel("mm", fontsize=8)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def frame_pictures(look: Look, lit: Sequence[Frame], whole: Assessment) -> dict[str, dict[str, Any]]:
    """PNG of each lit photograph by file; with an outline of its shadow and what the others predict, where it is
    odd."""
    factor = factor_of(whole.light.shape[1:], SIDE_PX**2)
    small = coarser(whole.light, factor)
    odd = {file for one in whole.findings for file in one.files}
    shadows = {one.frame: one.patch for one in whole.comparison.shadows} if whole.comparison else {}
    shown = {}
    for k, frame in enumerate(lit):
        file = look.facts[frame.row]["file"]
        low, high = _range(small[k])
        entry: dict[str, Any] = {"seen": _png(small[k], low, high)}
        if file in odd and whole.comparison is not None:
            said = whole.comparison.by_others[k].reshape(whole.compared_shape)
            level = _range(np.concatenate([said.ravel(), small[k].ravel()]))
            entry["said"] = _png(_as_large(said, small[k].shape), *level)
            entry["seen"] = _png(small[k], *level, _edge(shadows[k], small[k].shape) if k in shadows else None)
            entry["outlined"] = k in shadows
        shown[file] = entry
    return shown


def _range(values: np.ndarray) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    if not known.size:
        return 0.0, 1.0
    low, high = (float(value) for value in np.quantile(known, QUANTILES))
    return low, max(high, low + 1e-6)


def _as_large(values: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    rows = np.arange(shape[0]) * values.shape[0] // shape[0]
    cols = np.arange(shape[1]) * values.shape[1] // shape[1]
    return values[rows][:, cols]


def _edge(patch: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Outline, two pixels wide, of a patch of a smaller picture."""
    from scipy import ndimage

    large = _as_large(patch, shape)
    return np.asarray(ndimage.binary_dilation(large, iterations=2) & ~large)


def _png(light: np.ndarray, low: float, high: float, outline: np.ndarray | None = None) -> bytes:
    """Grey PNG from `low` to `high`; the outline is white beside black, so that it shows on any ground."""
    import imagecodecs

    grey = np.clip((np.nan_to_num(light, nan=high) - low) / (high - low), 0, 1)
    numbers = np.rint(255 * np.sqrt(grey)).astype(np.uint8)
    if outline is not None:
        from scipy import ndimage

        numbers[ndimage.binary_dilation(outline)] = 0
        numbers[outline] = OUTLINE
    return bytes(imagecodecs.png_encode(np.ascontiguousarray(numbers), level=6))
