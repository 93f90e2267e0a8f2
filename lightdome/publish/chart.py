"""Statistics of marks as pictures: directions, depths and widths, density. Numbers in, PNG bytes out."""

import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lightdome.publish.class_map import CLASSES, COLOURS
from lightdome.publish.pictures import (
    DPI,
    INK,
    MARGIN_PX,
    NARROWEST_PX,
    SMALL_PX,
    SURROUND,
    TEXT_PX,
    TOP_PX,
    Canvas,
    draw_on,
)
from lightdome.publish.records import Sheet
from lightdome.publish.scale import UNKNOWN, figures, number

LINES = ("etched", "tooled", "scratch")
"""Classes of lines, in the order of a plate's life."""
DASHES = {"etched": "-", "tooled": (0, (6, 3)), "scratch": (0, (2, 2))}
HATCHES = {"etched": "", "tooled": "//", "scratch": "\\\\"}
PT = 72 / DPI
HEIGHT_PX = 620
WIDEST_U_DEG = 45.0
HISTOGRAM_BINS = 16
WIDEST_SHARE = 98
"""Percentile of all values up to which the bins reach, so that a few deep ones do not squeeze the rest."""
DENSITY_PX = (300, 400)


class _Paper:
    """A sheet without a map: title and identifier above, charts below."""

    def __init__(self, title: str, identifier: str) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width, self.height = NARROWEST_PX + 2 * MARGIN_PX, HEIGHT_PX
        self.figure = Figure(figsize=(self.width / DPI, self.height / DPI), dpi=DPI, facecolor=SURROUND)
        FigureCanvasAgg(self.figure)
        line = self.height - TOP_PX / 2
        self.text(MARGIN_PX, line, title, TEXT_PX, va="center", weight="bold")
        self.text(self.width - MARGIN_PX, line, identifier, SMALL_PX, va="center", ha="right")

    def text(self, x: float, y: float, words: str, size_px: float = SMALL_PX, **more: Any) -> None:
        self.figure.text(
            x / self.width, y / self.height, words, fontsize=size_px * PT, color=INK, parse_math=False, **more
        )

    def axes(self, left: float, bottom: float, width: float, height: float, **more: Any) -> Any:
        place = (left / self.width, bottom / self.height, width / self.width, height / self.height)
        axes = self.figure.add_axes(place, **more)
        axes.tick_params(labelsize=SMALL_PX * PT, colors=INK)
        return axes

    def png(self) -> bytes:
        out = io.BytesIO()
        self.figure.savefig(out, format="png", dpi=DPI, facecolor=SURROUND, metadata={"Software": "lightdome"})
        return out.getvalue()


def draw_rose(by_class: Mapping[str, Any], title: str, identifier: str) -> bytes:
    """Length of lines by direction, a rose a class; each direction is drawn both ways, since a line has no sense."""
    paper = _Paper(title, identifier)
    present = [name for name in LINES if by_class.get(name, {}).get("lines")]
    if not present:
        paper.text(paper.width / 2, HEIGHT_PX / 2, "no line was found", va="center", ha="center")
    room = (paper.width - 2 * MARGIN_PX) / max(len(present), 1)
    side = min(room - 70, HEIGHT_PX - TOP_PX - 246)
    for place, name in enumerate(present):
        facts = by_class[name]
        rose = facts["orientation"]
        middle = MARGIN_PX + (place + 0.5) * room
        axes = paper.axes(middle - side / 2, 186, side, side, projection="polar")
        edges = np.radians(rose["bins_deg"])
        length_mm = np.array(rose["length_mm"])
        for turn in (0, np.pi):
            axes.bar(
                edges[:-1] + turn,
                length_mm,
                width=np.diff(edges),
                align="edge",
                color=COLOURS[CLASSES.index(name)],
                edgecolor="white",
                linewidth=0.6,
                hatch=HATCHES[name],
            )
        axes.set_thetagrids(range(0, 360, 30), [f"{angle % 180}°" for angle in range(0, 360, 30)])
        axes.yaxis.set_major_locator(_few())
        axes.set_rlabel_position(75)
        if _stands_out(rose):
            mean = np.radians(rose["mean_deg"])
            axes.plot([mean, mean + np.pi], [length_mm.max()] * 2, color=INK, linewidth=2, linestyle=(0, (4, 2)))
        count = f"{name}: {facts['lines']} {'line' if facts['lines'] == 1 else 'lines'}"
        words = "\n".join((f"{count}, {number(facts['line_length_mm'], 1)} mm", *mean_words(rose)))
        paper.text(middle, 138, words, va="top", ha="center", linespacing=1.35)
    if present:
        paper.text(MARGIN_PX, 22, "rings: length in mm a bin of 10°; dashed: mean direction", va="center")
    return paper.png()


def mean_words(rose: Mapping[str, Any]) -> tuple[str, str]:
    """Mean direction with U (k = 2), and resultant length, in words."""
    resultant = f"resultant length {number(rose['resultant'], 2)}"
    if not _stands_out(rose):
        return "no direction stands out", resultant
    u = rose["u_mean_deg"]
    return f"mean {number(rose['mean_deg'], 1)}°" + (f" ± {number(2 * u, 1)}°" if u else " (U unknown)"), resultant


def _stands_out(rose: Mapping[str, Any]) -> bool:
    """Whether the mean direction is known to better than an eighth of a turn (k = 2)."""
    return rose["mean_deg"] is not None and 2 * (rose["u_mean_deg"] or 0) < WIDEST_U_DEG


def draw_sections(features: Sequence[Mapping[str, Any]], title: str, identifier: str) -> bytes:
    """Depths and widths of the resolved lines, by class; `features` are GeoJSON's."""
    marks = [feature["properties"] for feature in features if feature["geometry"]["type"] == "LineString"]
    paper = _Paper(title, identifier)
    wide = (paper.width - 2 * MARGIN_PX) / 2
    for place, (key, words) in enumerate((("depth_um", "depth, µm"), ("width_um", "width at half depth, µm"))):
        axes = paper.axes(MARGIN_PX + place * wide + 64, 150, wide - 96, HEIGHT_PX - TOP_PX - 180)
        axes.set_facecolor("white")
        found = {name: _values(marks, name, key) for name in LINES}
        every = np.concatenate(list(found.values()))
        axes.set_xlabel(words, fontsize=SMALL_PX * PT, color=INK)
        axes.yaxis.set_major_locator(_few())
        if not len(every):
            axes.text(0.5, 0.5, "none measured", transform=axes.transAxes, ha="center", fontsize=SMALL_PX * PT)
            continue
        top = float(np.percentile(every, WIDEST_SHARE)) or 1.0
        edges = np.linspace(0, top * 1.02, HISTOGRAM_BINS + 1)
        for name, values in found.items():
            if len(values):
                colour, dash = COLOURS[CLASSES.index(name)], DASHES[name]
                counts = np.histogram(np.minimum(values, top), edges)[0]
                axes.stairs(counts, edges, color=colour, linewidth=3, linestyle=dash)
                axes.axvline(float(np.median(values)), color=colour, linewidth=1.5, linestyle=dash)
        axes.set_xlim(0, edges[-1])
        axes.set_ylim(0)
        if place == 0:
            axes.set_ylabel("lines", fontsize=SMALL_PX * PT, color=INK)
    _line_legend(paper, [name for name in LINES if len(_values(marks, name, "depth_um"))])
    return paper.png()


def _values(marks: Sequence[Mapping[str, Any]], name: str, key: str) -> np.ndarray:
    found = [mark[key] for mark in marks if mark["class"] == name and mark.get(key) is not None]
    return np.abs(np.array(found, float))


def _line_legend(paper: _Paper, present: Sequence[str]) -> None:
    from matplotlib.lines import Line2D

    for place, name in enumerate(present):
        x = MARGIN_PX + 64 + place * 190
        for_line = ((x / paper.width, (x + 56) / paper.width), (52 / paper.height,) * 2)
        colour = COLOURS[CLASSES.index(name)]
        paper.figure.add_artist(Line2D(*for_line, color=colour, linewidth=3, linestyle=DASHES[name]))
        paper.text(x + 68, 52, name, va="center")
    paper.text(MARGIN_PX + 64, 20, "upright lines: medians; the last bin holds all that is larger", va="center")


def draw_density(regions: Sequence[Mapping[str, Any]], sheet: Sheet) -> bytes:
    """Scratches per dm2 in each region, with the number and its length; `regions` as in `marks/summary.json`."""
    parts = [region for region in regions if region["region"] != "whole"] or list(regions)
    whole = next(region for region in regions if region["region"] == "whole")
    (left, right), (low, high) = whole["x_mm"], whole["y_mm"]
    rows = max(1, round(DENSITY_PX[1] * (high - low) / (right - left)))
    y, x = np.linspace(high, low, rows), np.linspace(left, right, DENSITY_PX[1])
    values = np.full((rows, DENSITY_PX[1]), np.nan)
    for part in parts:
        inside = np.ix_(_within(y, part["y_mm"]), _within(x, part["x_mm"]))
        per_dm2 = part["scratches_per_dm2"]
        values[inside] = np.nan if per_dm2 is None else per_dm2
    canvas = draw_on(Canvas(values.shape, sheet), values, "1/dm^2", "cividis", "from-zero")
    for part in parts:
        canvas.axes.text(
            (np.mean(part["x_mm"]) - left) / (right - left),
            (np.mean(part["y_mm"]) - low) / (high - low),
            _density_words(part),
            transform=canvas.axes.transAxes,
            ha="center",
            va="center",
            fontsize=SMALL_PX * PT,
            color=INK,
            linespacing=1.3,
            bbox={"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 4},
        )
    return canvas.png()


def _within(places: np.ndarray, span: Sequence[float]) -> np.ndarray:
    return np.flatnonzero((places >= span[0] - 1e-9) & (places <= span[1] + 1e-9))


def _density_words(part: Mapping[str, Any]) -> str:
    if part["scratches_per_dm2"] is None:
        return UNKNOWN
    count = part["scratches"]
    return (
        f"{figures(part['scratches_per_dm2'])} per dm²\n{count} {'scratch' if count == 1 else 'scratches'}\n"
        f"{number(part['scratch_length_mm'], 1)} mm"
    )


def _few() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=4, integer=True)
