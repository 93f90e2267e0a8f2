"""Maps as pictures to be looked at: title, identifier, scale bar, legend with unit. Arrays in, PNG bytes out.

The map is never covered: what has to be said stands in a strip above and below it. Text is sized to stay legible where
the picture is shown at half its size.
"""

import io
import math
from typing import Any

import numpy as np

from lightdome.publish.records import Sheet
from lightdome.publish.scale import legend_span, length_words, scale_bar_mm, unit_words

LONGEST_PX = 1200
"""Longer side of the map in a picture; rasters are read reduced to at most this."""
NARROWEST_PX = 1000
MARGIN_PX, TOP_PX, BOTTOM_PX = 24, 64, 124
TEXT_PX, SMALL_PX = 26, 23
SURROUND = "#dedede"
"""Neutral light grey, so that neither light nor dark parts of a map look other than they are."""
INK = "#1a1a1a"
DPI = 100
WHITE_PERCENTILE = 99.5


class Canvas:
    """A sheet with the map's axes; lengths in picture pixels from the lower left corner."""

    def __init__(self, shape: tuple[int, int], sheet: Sheet, bottom_px: int = BOTTOM_PX) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        rows, cols = shape
        self.zoom = enlargement(shape)
        self.map_px = (round(rows * self.zoom), round(cols * self.zoom))
        self.width = max(self.map_px[1], NARROWEST_PX) + 2 * MARGIN_PX
        self.height = self.map_px[0] + TOP_PX + bottom_px
        self.figure = Figure(figsize=(self.width / DPI, self.height / DPI), dpi=DPI, facecolor=SURROUND)
        FigureCanvasAgg(self.figure)
        self.axes = self._axes(MARGIN_PX, bottom_px, self.map_px[1], self.map_px[0])
        self.axes.set_facecolor("#bdbdbd")
        self.axes.patch.set_hatch("//")
        self.axes.patch.set_edgecolor("#8a8a8a")
        self.axes.axis("off")
        self.axes.add_artist(self.axes.patch)
        self.axes.patch.set_zorder(-1)
        self._bottom_px = bottom_px
        self._say(sheet)

    def _axes(self, left: float, bottom: float, width: float, height: float) -> Any:
        return self.figure.add_axes((left / self.width, bottom / self.height, width / self.width, height / self.height))

    def text(self, x: float, y: float, words: str, size_px: float = TEXT_PX, **more: Any) -> Any:
        """Write words at a place; they are taken to the letter, never as mathematics."""
        return self.figure.text(
            x / self.width, y / self.height, words, fontsize=size_px * 72 / DPI, color=INK, parse_math=False, **more
        )

    def _say(self, sheet: Sheet) -> None:
        line = self.height - TOP_PX / 2
        self.text(MARGIN_PX, line, sheet.title, va="center", weight="bold")
        self.text(self.width - MARGIN_PX, line, sheet.identifier, SMALL_PX, va="center", ha="right")
        self.scale_bar(sheet.width_mm)

    def scale_bar(self, width_mm: float) -> None:
        """A black bar below the map, as long as it says."""
        from matplotlib.patches import Rectangle

        length_mm = scale_bar_mm(width_mm)
        length_px = length_mm / width_mm * self.map_px[1]
        y = self._bottom_px - 44
        self.figure.add_artist(
            Rectangle(
                (MARGIN_PX / self.width, y / self.height),
                length_px / self.width,
                12 / self.height,
                color="black",
                linewidth=0,
                antialiased=False,
                transform=self.figure.transFigure,
            )
        )
        self.text(MARGIN_PX, y - 12, length_words(length_mm), va="top")

    def legend(self, mappable: Any, unit: str, extend: str) -> None:
        """A horizontal legend with its unit, right of the scale bar."""
        left, right = 0.40 * self.width, self.width - MARGIN_PX - 96
        bar = self.figure.colorbar(
            mappable,
            cax=self._axes(left, self._bottom_px - 52, right - left, 26),
            orientation="horizontal",
            extend=extend,
            extendfrac=0.03,
        )
        bar.locator = _ticks()
        bar.update_ticks()
        bar.ax.tick_params(labelsize=SMALL_PX * 72 / DPI, colors=INK, length=6, width=1.5)
        bar.outline.set_edgecolor(INK)
        self.text(self.width - MARGIN_PX, self._bottom_px - 39, unit_words(unit), va="center", ha="right")

    def png(self) -> bytes:
        """The finished picture."""
        out = io.BytesIO()
        self.figure.savefig(out, format="png", dpi=DPI, facecolor=SURROUND, metadata={"Software": "lightdome"})
        return out.getvalue()


def enlargement(shape: tuple[int, int]) -> float:
    """How many picture pixels a raster pixel gets: a whole number where it is enlarged."""
    longest = max(shape)
    return max(1.0, float(round(LONGEST_PX / longest))) if longest <= LONGEST_PX else LONGEST_PX / longest


def draw_map(values: np.ndarray, unit: str, palette: str, span: str, sheet: Sheet) -> bytes:
    """A map (rows, columns) with its legend; unknown pixels are hatched."""
    return draw_on(Canvas(values.shape, sheet), values, unit, palette, span).png()


def draw_on(canvas: Canvas, values: np.ndarray, unit: str, palette: str, span: str) -> Canvas:
    """Draw a map (rows, columns) and its legend on a canvas of its shape."""
    low, high = legend_span(values, span)
    known = values[np.isfinite(values)]
    below, above = bool((known < low).any()), bool((known > high).any())
    extend = {(True, True): "both", (True, False): "min", (False, True): "max"}.get((below, above), "neither")
    drawn = canvas.axes.imshow(
        np.ma.masked_invalid(values), cmap=palette, vmin=low, vmax=high, interpolation="nearest", aspect="auto"
    )
    canvas.legend(drawn, unit, extend)
    if len(known) < values.size:
        note_unknown(canvas)
    return canvas


def draw_light(light: np.ndarray, white: float, azimuth_deg: float, elevation_deg: float, sheet: Sheet) -> bytes:
    """A field under a lamp: linear light (rows, columns), `white` shown as white, and where the lamp stands."""
    canvas = Canvas(light.shape, sheet)
    canvas.axes.imshow(
        np.ma.masked_invalid(encode(light, white)), cmap="gray", vmin=0, vmax=1, interpolation="nearest", aspect="auto"
    )
    _lamp_sign(canvas, azimuth_deg, elevation_deg)
    if not np.isfinite(light).all():
        note_unknown(canvas)
    return canvas.png()


def white_of(light: np.ndarray) -> float:
    """The light shown as white: the 99.5 percentile; 1 where nothing is known or lit."""
    known = light[np.isfinite(light)]
    white = float(np.percentile(known, WHITE_PERCENTILE)) if known.size else 0.0
    return white if white > 0 else 1.0


def encode(light: np.ndarray, white: float) -> np.ndarray:
    """Linear light as sRGB (IEC 61966-2-1), 0-1; NaN stays NaN."""
    linear = np.clip(light / white, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def decode(encoded: np.ndarray) -> np.ndarray:
    """Linear light, 0-1, of sRGB, 0-1: the inverse of `encode` for a white of 1."""
    return np.where(encoded <= 12.92 * 0.0031308, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def bare_picture(light: np.ndarray) -> bytes:
    """Linear light (rows, columns) as a picture without words, one pixel a pixel; unknown is mid grey."""
    from matplotlib.image import imsave

    out = io.BytesIO()
    grey = np.nan_to_num(encode(light, white_of(light)), nan=0.74)
    imsave(out, grey, cmap="gray", vmin=0, vmax=1, format="png", metadata={"Software": "lightdome"})
    return out.getvalue()


def note_unknown(canvas: Canvas) -> None:
    """Say what the hatching means, beside the scale bar."""
    from matplotlib.patches import Rectangle

    x, y = 0.27 * canvas.width, canvas._bottom_px - 50
    canvas.figure.add_artist(
        Rectangle(
            (x / canvas.width, y / canvas.height),
            30 / canvas.width,
            24 / canvas.height,
            facecolor="#bdbdbd",
            edgecolor="#8a8a8a",
            hatch="//",
            transform=canvas.figure.transFigure,
        )
    )
    canvas.text(x, y - 6, "unknown", SMALL_PX, va="top")


def _lamp_sign(canvas: Canvas, azimuth_deg: float, elevation_deg: float) -> None:
    """A ring seen from above with the lamp on it: at the rim when it is low, at the centre when overhead."""
    from matplotlib.patches import Circle

    axes = canvas._axes(canvas.width - MARGIN_PX - 96, canvas._bottom_px - 108, 96, 96)
    axes.set_xlim(-1.2, 1.2)
    axes.set_ylim(-1.2, 1.2)
    axes.axis("off")
    reach = math.cos(math.radians(elevation_deg))
    x, y = reach * math.cos(math.radians(azimuth_deg)), reach * math.sin(math.radians(azimuth_deg))
    axes.add_patch(Circle((0, 0), 1, fill=False, edgecolor=INK, linewidth=1.5))
    axes.add_patch(Circle((x, y), 0.17, facecolor="white", edgecolor=INK, linewidth=2, zorder=3))
    axes.annotate(
        "", (0.1 * x, 0.1 * y), (0.85 * x, 0.85 * y), arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 2}
    )
    words = f"lamp {azimuth_deg:.0f}° around,\n{elevation_deg:.0f}° above the plate"
    canvas.text(canvas.width - MARGIN_PX - 112, canvas._bottom_px - 60, words, SMALL_PX, va="center", ha="right")


def _ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=5, steps=[1, 2, 5, 10])
