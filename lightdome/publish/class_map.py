"""The class map as a picture: colour, pattern, number and words, over the field in raking light."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lightdome.publish.pictures import DPI, INK, MARGIN_PX, SMALL_PX, Canvas, encode, enlargement, white_of
from lightdome.publish.records import Sheet

CLASSES = ("land", "etched", "tooled", "scratch", "deposit", "friction-ridge print", "pit")
"""Index = value in `marks/class.tif` (output contract)."""
COLOURS = ("#ffffff", "#0072b2", "#cc79a7", "#d55e00", "#56b4e9", "#009e73", "#000000")
"""Of the palette for all kinds of colour vision by Okabe and Ito (2008)."""
PATTERNS = ("plain", "plain", "rising lines", "falling lines", "dots", "level lines", "plain")
CAPTION = (
    "A proposal: colour, pattern and number of the class over the field in raking light, and the names of the longest "
    "marks as far as there is room. Evidence and confidence stand in the table of marks."
)
PERIOD_PX = 12
MOST_NUMBERS = 30
BOTTOM_PX = 190
LEGEND_COLUMNS = 3


def draw_classes(
    classes: np.ndarray, light: np.ndarray | None, marks: Sequence[Mapping[str, Any]], sheet: Sheet
) -> bytes:
    """A class map (rows, columns) over linear light of the same shape, with the marks' lines and numbers.

    light : the field in raking light, or None.  marks : GeoJSON features in plate mm.
    """
    canvas = Canvas(classes.shape, sheet, BOTTOM_PX)
    zoom = max(1, int(enlargement(classes.shape)))
    shown = np.kron(classes, np.ones((zoom, zoom), classes.dtype))
    ground = np.full(classes.shape, 0.9) if light is None else 0.5 + 0.45 * encode(light, white_of(light))
    picture = np.repeat(np.kron(np.nan_to_num(ground, nan=0.7), np.ones((zoom, zoom)))[..., None], 3, axis=2)
    for code in range(1, len(CLASSES)):
        where = shown == code
        if where.any():
            picture[where] = 0.25 * picture[where] + 0.75 * patterned(code, shown.shape)[where]
    canvas.axes.imshow(picture, interpolation="nearest", aspect="auto", extent=_extent(classes.shape, sheet.width_mm))
    _draw_marks(canvas, marks, sheet.width_mm)
    canvas.axes.set_xlim(-sheet.width_mm / 2, sheet.width_mm / 2)
    height_mm = sheet.width_mm * classes.shape[0] / classes.shape[1]
    canvas.axes.set_ylim(-height_mm / 2, height_mm / 2)
    _legend(canvas, [code for code in range(1, len(CLASSES)) if (classes == code).any() or _has(marks, code)])
    return canvas.png()


def patterned(code: int, shape: tuple[int, int]) -> np.ndarray:
    """A class's colour with its pattern in white, (rows, columns, 3), 0-1."""
    return pattern_of(PATTERNS[code], COLOURS[code], shape)


def pattern_of(name: str, colour: str, shape: tuple[int, int]) -> np.ndarray:
    """A colour with a pattern in white, (rows, columns, 3), 0-1."""
    from matplotlib.colors import to_rgb

    row, col = np.indices(shape)
    line = PERIOD_PX // 4
    pattern = {
        "plain": np.zeros(shape, bool),
        "rising lines": (row + col) % PERIOD_PX < line,
        "falling lines": (row - col) % PERIOD_PX < line,
        "level lines": row % PERIOD_PX < line,
        "dots": (row % PERIOD_PX < line + 1) & (col % PERIOD_PX < line + 1),
    }[name]
    return np.where(pattern[..., None], 1.0, np.array(to_rgb(colour)))


def numbered(marks: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The marks whose names are written on the map: the longest, later marks before the picture's own lines."""
    order = sorted(
        marks,
        key=lambda mark: (mark["properties"]["class"] in ("etched", "land"), -(mark["properties"]["length_mm"] or 0)),
    )
    return order[:MOST_NUMBERS]


def _has(marks: Sequence[Mapping[str, Any]], code: int) -> bool:
    return any(mark["properties"]["class"] == CLASSES[code] for mark in marks)


def _extent(shape: tuple[int, int], width_mm: float) -> tuple[float, float, float, float]:
    height_mm = width_mm * shape[0] / shape[1]
    return (-width_mm / 2, width_mm / 2, -height_mm / 2, height_mm / 2)


def _draw_marks(canvas: Canvas, marks: Sequence[Mapping[str, Any]], width_mm: float) -> None:
    from matplotlib.patheffects import withStroke

    for mark in marks:
        name = mark["properties"]["class"]
        colour = COLOURS[CLASSES.index(name)] if name in CLASSES else INK
        for line in _lines(mark["geometry"]):
            canvas.axes.plot(line[:, 0], line[:, 1], color=colour, linewidth=1.6)
    for name, (x, y) in _places(numbered(marks), canvas, width_mm):
        canvas.axes.text(
            x,
            y,
            name,
            fontsize=SMALL_PX * 72 / DPI,
            color=INK,
            weight="bold",
            ha="center",
            va="center",
            parse_math=False,
            clip_on=True,
            path_effects=[withStroke(linewidth=4, foreground="white")],
        )


def _places(
    marks: Sequence[Mapping[str, Any]], canvas: Canvas, width_mm: float
) -> list[tuple[str, tuple[float, float]]]:
    """Names and where to write them, plate mm: on the mark, each clear of those before it; without room, none."""
    mm_per_px = width_mm / canvas.map_px[1]
    limit_x, limit_y = (side / 2 * mm_per_px for side in canvas.map_px[::-1])
    placed: list[tuple[str, tuple[float, float]]] = []
    for mark in marks:
        name = str(mark["properties"]["id"])
        half_x, half_y = 0.34 * SMALL_PX * len(name) * mm_per_px, 0.7 * SMALL_PX * mm_per_px
        for line in _lines(mark["geometry"])[:1]:
            for share in (0.5, 0.25, 0.75, 0.1, 0.9):
                x, y = line[int(share * (len(line) - 1))]
                x = float(np.clip(x, half_x - limit_x, limit_x - half_x))
                y = float(np.clip(y, half_y - limit_y, limit_y - half_y))
                if all(abs(x - a) > 2 * half_x or abs(y - b) > 2 * half_y for _, (a, b) in placed):
                    placed.append((name, (x, y)))
                    break
    return placed


def _lines(geometry: Mapping[str, Any] | None) -> list[np.ndarray]:
    """Outlines of a LineString or Polygon (or several), each (points, 2), plate mm."""
    if not geometry:
        return []
    points = geometry["coordinates"]
    parts = {
        "LineString": [points],
        "Polygon": points,
        "MultiLineString": points,
        "MultiPolygon": [ring for polygon in points for ring in polygon],
    }.get(geometry["type"], [])
    return [np.array(part, float)[:, :2] for part in parts]


def _legend(canvas: Canvas, codes: Sequence[int]) -> None:
    if not codes:
        canvas.text(0.36 * canvas.width, BOTTOM_PX - 40, "no mark was found", va="center")
    for index, code in enumerate(codes):
        column, row = index % LEGEND_COLUMNS, index // LEGEND_COLUMNS
        x = 0.34 * canvas.width + column * (0.66 * canvas.width - MARGIN_PX) / LEGEND_COLUMNS
        y = BOTTOM_PX - 56 - row * 52
        axes = canvas._axes(x, y, 44, 34)
        axes.imshow(patterned(code, (34, 44)), interpolation="nearest", aspect="auto")
        axes.set_xticks([])
        axes.set_yticks([])
        canvas.text(x + 54, y + 17, f"{code} {CLASSES[code]}", SMALL_PX, va="center")


def alt_text(classes: np.ndarray, identifier: str) -> str:
    """What the class map shows, for those who do not see it."""
    shares = [(100 * float((classes == code).mean()), name) for code, name in enumerate(CLASSES) if code]
    parts = [f"{name} {share:.1f} %" for share, name in shares if share > 0]
    return f"Classes of marks on {identifier}: " + (", ".join(parts) + " of the field." if parts else "none found.")
