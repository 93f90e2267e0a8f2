"""The flags of the normals as a picture: of each pixel the gravest, by colour, pattern and words."""

import numpy as np

from lightdome.publish.class_map import pattern_of
from lightdome.publish.pictures import MARGIN_PX, SMALL_PX, Canvas, enlargement
from lightdome.publish.records import Sheet
from lightdome.surface.region import (
    FLAG_FEW,
    FLAG_INCONSISTENT,
    FLAG_INTERREFLECTION,
    FLAG_NONE,
    FLAG_SEVERAL,
    FLAG_TAIL,
    FLAGS,
)

LOOKS = {
    FLAG_NONE: ("plain", "#000000"),
    FLAG_INCONSISTENT: ("falling lines", "#d55e00"),
    FLAG_INTERREFLECTION: ("dots", "#009e73"),
    FLAG_TAIL: ("rising lines", "#0072b2"),
    FLAG_FEW: ("level lines", "#cc79a7"),
    FLAG_SEVERAL: ("plain", "#56b4e9"),
}
"""Pattern and colour by flag, the gravest first; colours of the palette for all kinds of colour vision by Okabe and Ito
(2008)."""
CAPTION = "Where a slope rests on less than it should; of several reasons the gravest is shown. White is in order."
BOTTOM_PX = 290
LEGEND_COLUMNS = 2


def draw_flags(flags: np.ndarray, sheet: Sheet) -> bytes:
    """A map (rows, columns) of sums of flags."""
    canvas = Canvas(flags.shape, sheet, BOTTOM_PX)
    zoom = max(1, int(enlargement(flags.shape)))
    shown = np.kron(gravest(flags), np.ones((zoom, zoom), np.uint8))
    picture = np.ones((*shown.shape, 3))
    for flag, look in LOOKS.items():
        where = shown == flag
        if where.any():
            picture[where] = pattern_of(*look, shown.shape)[where]
    canvas.axes.imshow(picture, interpolation="nearest", aspect="auto")
    _legend(canvas, [flag for flag in LOOKS if (gravest(flags) == flag).any()])
    return canvas.png()


def gravest(flags: np.ndarray) -> np.ndarray:
    """The gravest of each pixel's flags, 0 where it has none."""
    found = np.zeros(flags.shape, np.uint8)
    for flag in reversed(LOOKS):
        found[flags & flag > 0] = flag
    return found


def alt_text(flags: np.ndarray, identifier: str) -> str:
    """What the picture shows, for those who do not see it."""
    worst = gravest(flags)
    parts = [f"{FLAGS[flag]} {100 * float((worst == flag).mean()):.1f} %" for flag in LOOKS if (worst == flag).any()]
    return f"Flags of the normals of {identifier}: " + (", ".join(parts) + " of the field." if parts else "none.")


def _legend(canvas: Canvas, present: list[int]) -> None:
    if not present:
        canvas.text(0.34 * canvas.width, BOTTOM_PX - 40, "no pixel is flagged", va="center")
    for index, flag in enumerate(present):
        column, row = index % LEGEND_COLUMNS, index // LEGEND_COLUMNS
        x = MARGIN_PX + column * (canvas.width / 2 - MARGIN_PX)
        y = BOTTOM_PX - 150 - row * 52  # below the scale bar
        axes = canvas._axes(x, y, 44, 34)
        axes.imshow(pattern_of(*LOOKS[flag], (34, 44)), interpolation="nearest", aspect="auto")
        axes.set_xticks([])
        axes.set_yticks([])
        canvas.text(x + 54, y + 17, FLAGS[flag], SMALL_PX, va="center")
