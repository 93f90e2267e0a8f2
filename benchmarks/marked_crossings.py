"""Which marks of a benchmark plate cross, where, and which was made later."""

from typing import Any

import numpy as np
from marked_canvas import Canvas

MOST_COMPARED = 500


def meetings(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Places (k, 2) where two polylines (n, 2), (m, 2) cross."""
    a, r = one[:-1, None], np.diff(one, axis=0)[:, None]
    b, s = other[None, :-1], np.diff(other, axis=0)[None]
    area = r[..., 0] * s[..., 1] - r[..., 1] * s[..., 0]
    way = b - a
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (way[..., 0] * s[..., 1] - way[..., 1] * s[..., 0]) / area
        u = (way[..., 0] * r[..., 1] - way[..., 1] * r[..., 0]) / area
    first, second = np.nonzero((t >= 0) & (t < 1) & (u >= 0) & (u < 1))
    return one[first] + t[first, second][:, None] * np.diff(one, axis=0)[first]


def with_crossings(canvas: Canvas) -> list[dict[str, Any]]:
    """Truth of all marks with ids and `crosses`: id, later (None: made at once) and the place in plate mm.

    Where there are more marks than anyone compares, `crosses` stays empty.
    """
    marks = [dict(mark, id=f"T{index:03d}", crosses=[]) for index, mark in enumerate(canvas.marks, 1)]
    if len(marks) > MOST_COMPARED:
        return marks
    half = canvas.side_um / 2
    lines = [mark for mark in marks if "points" in mark]
    lows, highs = (
        np.array([edge(line["points"], axis=0) for line in lines]).reshape(-1, 2) for edge in (np.min, np.max)
    )

    def note(one: dict[str, Any], other: dict[str, Any], at: np.ndarray) -> None:
        later = None if one["order"] == other["order"] else max((one, other), key=lambda mark: mark["order"])["id"]
        at_mm = [round(float(at[1] - half) / 1000, 5), round(float(half - at[0]) / 1000, 5)]
        one["crosses"].append({"id": other["id"], "later": later, "at_mm": at_mm})
        other["crosses"].append({"id": one["id"], "later": later, "at_mm": at_mm})

    for index, one in enumerate(lines):
        near = ((lows <= highs[index]) & (highs >= lows[index])).all(axis=1)
        for other in (lines[place] for place in np.flatnonzero(near) if place > index):
            for at in meetings(one["points"][::3], other["points"][::3]):
                note(one, other, at)
    for area in (mark for mark in marks if "outline" in mark and mark["class"] == "etched"):
        for line in lines:
            pixels = np.clip((line["points"] / canvas.pitch_um).astype(int), 0, canvas.size - 1)
            inside = area["outline"][pixels[:, 0], pixels[:, 1]]
            if inside.any():
                note(line, area, line["points"][inside].mean(axis=0))
    return marks
