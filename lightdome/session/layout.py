"""The picture of the lamp layout, as seen from the camera."""

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from lightdome.session.records import FieldName, Lamp

RINGS_DEG = (15, 30, 45, 60, 75)
FILL, EDGE, IDLE = "#0072B2", "#00324d", "#6b6b6b"
MOST_NAMES = 130


def layout_picture(
    name: FieldName, lamps: Sequence[Lamp], directions: np.ndarray, used: set[str], condition: float | None
) -> bytes:
    """PNG of the lamp layout; without lamps where they are not located yet (directions empty, condition None)."""
    names = [lamp.name for lamp in lamps][: len(directions)]
    layout = "they are located from spheres: see lights/spheres.png"
    if condition is not None:
        layout = f"condition number of the layout {condition:.1f}"
    note = f"{len(used)} lamps photographed; {layout}."
    figure = draw_lamp_layout(str(name), names, directions, [lamp in used for lamp in names], note)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def draw_lamp_layout(title: str, names: list[str], directions: np.ndarray, used: list[bool], note: str) -> Any:
    """A matplotlib figure: lamps as dots by azimuth (counter-clockwise from +x, to the right) and elevation (90 degrees
    in the middle), each with its name; hollow where no photograph was taken.

    directions : (lamps, 3) unit vectors from the plate's middle.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 9.6), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    axes: Any = figure.add_subplot(projection="polar")
    azimuth = np.arctan2(directions[:, 1], directions[:, 0])
    elevation_deg = np.degrees(np.arcsin(np.clip(directions[:, 2], -1, 1)))
    lit = np.array(used, bool)
    slant_deg = 90 - elevation_deg
    axes.scatter(azimuth[lit], slant_deg[lit], s=42, color=FILL, edgecolor=EDGE, zorder=3, label="photographed")
    if not lit.all():
        axes.scatter(
            azimuth[~lit], slant_deg[~lit], s=42, facecolor="none", edgecolor=IDLE, zorder=3, label="no photograph"
        )
    _name_lamps(axes, names, azimuth, slant_deg)
    axes.set_rlim(0, 92)
    axes.set_rgrids([90 - ring for ring in RINGS_DEG] + [90], [""] * (len(RINGS_DEG) + 1))
    for ring in (*RINGS_DEG, 0):
        axes.text(
            np.radians(97), 90 - ring, f"{ring}°", ha="center", va="center", fontsize=9, color="#333333", zorder=2
        ).set_bbox({"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8})
    axes.set_thetagrids(range(0, 360, 30), [f"{angle}°" for angle in range(0, 360, 30)], fontsize=10)
    axes.grid(color="#c8c8c8", linewidth=0.7)
    axes.set_title(f"Lamps over {title}", fontsize=14, pad=16)
    axes.legend(loc="upper right", bbox_to_anchor=(1.08, 1.08), fontsize=10, frameon=False)
    figure.supxlabel(
        f"Rings: elevation above the plate. Round: azimuth, 0° to the right in the picture.\n{note}", size=10
    )
    return figure


def _name_lamps(axes: Any, names: list[str], azimuth: np.ndarray, slant_deg: np.ndarray) -> None:
    """Write names beside the dots, on the first of a few sides where no other name or dot lies."""
    places = np.stack([slant_deg * np.cos(azimuth), slant_deg * np.sin(azimuth)], axis=1)
    size = 8 if len(names) <= 64 else 6.5
    wide, high = 0.19 * size, 0.33 * size
    taken = [(*place, 1.2, 1.2) for place in places]
    for name, place in zip(names[:MOST_NAMES], places, strict=False):
        half = wide * max(len(name), 2) / 2
        sides = [(0, high), (0, -high), (half + 2, 0), (-half - 2, 0), (half + 1, high), (-half - 1, high)]
        sides += [(half + 1, -high), (-half - 1, -high), (0, 1.7 * high), (0, -1.7 * high)]

        def crowding(side: tuple[float, float], place: Any = place, half: float = half) -> float:
            x, y = place[0] + side[0], place[1] + side[1]
            overlaps = (max(0, half + w - abs(x - u)) * max(0, high / 2 + h - abs(y - v)) for u, v, w, h in taken)
            return sum(overlaps)

        side = min(sides, key=crowding)
        x, y = place[0] + side[0], place[1] + side[1]
        taken.append((x, y, half, high / 2))
        axes.text(np.arctan2(y, x), np.hypot(x, y), name, ha="center", va="center", fontsize=size, zorder=4)
