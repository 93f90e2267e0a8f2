"""Numerals and capitals as strokes, the way a needle draws them on a ground; each sign in a box 0.6 wide and 1 high."""

import numpy as np

from lightdome.synthetic.drawing import Points

Stroke = tuple[tuple[float, float], ...]
ADVANCE = 0.82
"""From one sign to the next, over its height."""


def _arc(cx: float, cy: float, rx: float, ry: float, start_deg: float, end_deg: float, count: int = 9) -> Stroke:
    angles = np.radians(np.linspace(start_deg, end_deg, count))
    return tuple((float(cx + rx * np.cos(a)), float(cy + ry * np.sin(a))) for a in angles)


SIGNS: dict[str, tuple[Stroke, ...]] = {
    "0": (_arc(0.3, 0.5, 0.28, 0.5, 90, 450, 17),),
    "1": (((0.12, 0.8), (0.34, 1.0), (0.34, 0.0)),),
    "2": ((*_arc(0.3, 0.7, 0.28, 0.3, 160, -35), (0.02, 0.0), (0.6, 0.0)),),
    "3": ((*_arc(0.27, 0.76, 0.27, 0.24, 150, -90), *_arc(0.27, 0.26, 0.31, 0.26, 90, -150)),),
    "4": (((0.46, 0.0), (0.46, 1.0), (0.0, 0.3), (0.62, 0.3)),),
    "5": (((0.55, 1.0), (0.1, 1.0), (0.07, 0.55), *_arc(0.27, 0.32, 0.32, 0.32, 125, -150)),),
    "6": ((*_arc(0.55, 0.32, 0.53, 0.68, 95, 180, 6), *_arc(0.3, 0.3, 0.28, 0.3, 180, -180, 13)),),
    "7": (((0.02, 1.0), (0.6, 1.0), (0.22, 0.0)),),
    "8": (_arc(0.3, 0.76, 0.24, 0.24, -90, 270, 13), _arc(0.3, 0.26, 0.29, 0.26, 90, 450, 13)),
    "9": ((*_arc(0.3, 0.7, 0.28, 0.3, 0, 360, 13), *_arc(0.05, 0.68, 0.53, 0.68, 0, -85, 6)),),
    ".": (((0.26, 0.0), (0.34, 0.06)),),
    " ": (),
    "D": (((0.04, 0.0), (0.04, 1.0), (0.25, 1.0), *_arc(0.22, 0.5, 0.38, 0.5, 80, -80), (0.04, 0.0)),),
    "E": (((0.56, 1.0), (0.05, 1.0), (0.05, 0.0), (0.58, 0.0)), ((0.05, 0.53), (0.46, 0.53))),
    "I": (((0.3, 0.0), (0.3, 1.0)),),
    "N": (((0.04, 0.0), (0.04, 1.0), (0.56, 0.0), (0.56, 1.0)),),
    "O": (_arc(0.3, 0.5, 0.3, 0.5, 90, 450, 17),),
    "P": (((0.05, 0.0), (0.05, 1.0), (0.3, 1.0), *_arc(0.3, 0.76, 0.28, 0.24, 90, -90), (0.05, 0.52)),),
    "R": (
        ((0.05, 0.0), (0.05, 1.0), (0.3, 1.0), *_arc(0.3, 0.76, 0.27, 0.24, 90, -90), (0.05, 0.52)),
        ((0.28, 0.52), (0.6, 0.0)),
    ),
    "S": ((*_arc(0.3, 0.75, 0.26, 0.25, 30, 270), *_arc(0.3, 0.25, 0.28, 0.25, 90, -150)),),
    "T": (((0.0, 1.0), (0.6, 1.0)), ((0.3, 1.0), (0.3, 0.0))),
}


def letter(text: str, left_mm: float, base_mm: float, height_mm: float) -> list[Points]:
    """Strokes of a text in plate mm, its lower left corner at (left, base)."""
    strokes = []
    for place, sign in enumerate(text):
        x0 = left_mm + place * ADVANCE * height_mm
        strokes += [
            tuple((round(x0 + x * height_mm, 4), round(base_mm + y * height_mm, 4)) for x, y in stroke)
            for stroke in SIGNS[sign]
        ]
    return strokes
