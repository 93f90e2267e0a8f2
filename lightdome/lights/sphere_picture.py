"""The picture of the spheres with their rims and highlights, and of the lamps' layout with their uncertainty."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from lightdome.lights.lamps import LampSet, across
from lightdome.lights.rim import outline_px
from lightdome.lights.spheres import Located, Seen

RIM, SPOT, LAMP, EDGE, DOUBT = "#E69F00", "#56B4E9", "#0072B2", "#00324d", "#D55E00"
"""Colours of Okabe and Ito, told apart with any kind of colour vision."""
RINGS_DEG = (15, 30, 45, 60, 75)
MOST_NAMES, MOST_SPHERES = 64, 6
HELD = float(np.sqrt(-2 * np.log(0.05)))
"""Standard deviations of the ellipse that holds 95 % of a normal distribution in a plane."""
SHOWN_SHARE = 0.02
"""Of the panel's half width: ellipses are drawn so many times larger that the median one has about this size."""
GAMMA = 2.2


def draw_lamps(
    title: str,
    lamps: LampSet,
    seen: Seen | None,
    located: Located | None,
    brightest: Sequence[np.ndarray],
    source: str,
) -> Any:
    """A matplotlib figure.  brightest : of each sphere the largest light (rows, columns) over all photographs."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    count = min(len(brightest), MOST_SPHERES)
    near = lamps.model == "near"
    columns = int(np.ceil(count / 2)) if count > 1 else count
    figure = Figure(figsize=(8.2 + 4.2 * columns, 9.6), dpi=100, layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(6, 2 * columns + 4)
    for index in range(count):
        rows = slice(0, 6) if count == 1 else slice(3 * (index % 2), 3 * (index % 2) + 3)
        place = index // 2 if count > 1 else 0
        axes = figure.add_subplot(grid[rows, 2 * place : 2 * place + 2])
        if seen is not None:
            _draw_sphere(axes, index, lamps.names, seen, located, brightest[index])
    plan = figure.add_subplot(grid[slice(0, 4) if near else slice(0, 6), 2 * columns :])
    times = _times(lamps)
    if near:
        _draw_plan(plan, lamps, times)
        _draw_side(figure.add_subplot(grid[4:6, 2 * columns :]), lamps, times)
    else:
        _draw_sky(plan, lamps, times)
    figure.suptitle(f"Lamps over {title}: {lamps.how_known}", fontsize=14)
    figure.supxlabel(_note(located, times, source, len(brightest) - count), size=10)
    return figure


def _note(located: Located | None, times: int, source: str, left_out: int) -> str:
    parts = []
    if times:
        size = "in true size" if times == 1 else f"drawn {times} times too large"
        parts.append(f"Ellipses hold 95 % of where each lamp may be, {size}.")
    else:
        parts.append("The uncertainty of the lamps is not known.")
    if located is not None:
        known = np.isfinite(located.residuals_px)
        if known.any():
            rms = np.sqrt(np.mean(located.residuals_px[known] ** 2))
            parts.append(f"Highlights lie {rms:.2f} px (rms) from where the lamps put them.")
        else:
            parts.append("One sphere: nothing checks the highlights.")
    elif source == "table":
        parts.append("From lamps.csv; no sphere was used.")
    if left_out:
        parts.append(f"{left_out} more spheres are not drawn.")
    return " ".join(parts)


def _draw_sphere(
    axes: Any, index: int, names: Sequence[str], seen: Seen, located: Located | None, light: np.ndarray
) -> None:
    from matplotlib.patheffects import withStroke

    rim = seen.rims[index]
    radius = rim.radius_px
    left, top = _corner(seen, index)
    extent = (left - 0.5, left + light.shape[1] - 0.5, top + light.shape[0] - 0.5, top - 0.5)
    axes.imshow(np.clip(light, 0, 1) ** (1 / GAMMA), cmap="gray", vmin=0, vmax=1, extent=extent)
    azimuth = np.linspace(0, 2 * np.pi, 361)
    outline = outline_px(rim.numbers, azimuth, seen.view.middle_px, seen.view.focal_px)
    x, y = rim.centre_px[0] + outline * np.cos(azimuth), rim.centre_px[1] + outline * np.sin(azimuth)
    axes.plot(x, y, color=RIM, linewidth=1.4)
    axes.plot(*rim.centre_px, "+", color=RIM, markersize=9)
    if located is not None:
        for lamp, place in enumerate(located.sight.highlights_px[:, index]):
            if np.isfinite(place).all():
                axes.plot(*place, "o", markersize=8, markerfacecolor="none", markeredgecolor=SPOT, markeredgewidth=1.2)
                if len(names) <= MOST_NAMES:
                    name = axes.annotate(names[lamp], place, xytext=(6, 5), textcoords="offset points", fontsize=8)
                    name.set(color="white", path_effects=[withStroke(linewidth=2, foreground="black")])
    rms = "not measured" if rim.rms_px is None else f"rms {rim.rms_px:.2f} px"
    axes.set_title(
        f"Sphere {index + 1}: rim from {'photographs' if rim.how_known == 'edge' else rim.how_known}, {rms}\n"
        f"radius {radius:.1f} px, standard uncertainty {rim.u_px:.2f} px",
        fontsize=10,
    )
    _scale_bar(axes, extent, seen.view.pitch_mm if seen.common else None)
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    axes.set_axis_off()


def _corner(seen: Seen, index: int) -> tuple[int, int]:
    part = seen.parts[index]
    return part.col0, part.row0


def _scale_bar(axes: Any, extent: tuple[float, float, float, float], pitch_mm: float | None) -> None:
    """A bar of a round length, mm where the pitch is known, in the lower left corner."""
    width = (extent[1] - extent[0]) * (pitch_mm or 1.0)
    length = _round_down(width / 4)
    bar = length / (pitch_mm or 1.0)
    left = extent[0] + 0.05 * (extent[1] - extent[0])
    low = extent[2] - 0.05 * (extent[2] - extent[3])
    axes.plot([left, left + bar], [low, low], color="black", linewidth=5, solid_capstyle="butt")
    axes.plot([left, left + bar], [low, low], color="white", linewidth=3, solid_capstyle="butt")
    axes.text(
        left,
        low - 0.02 * (extent[2] - extent[3]),
        f"{length:g} {'mm' if pitch_mm else 'px'}",
        color="white",
        fontsize=9,
    ).set_bbox({"facecolor": "black", "edgecolor": "none", "alpha": 0.6, "pad": 1.0})


def _round_down(value: float) -> float:
    """The largest of 1, 2, 5 times a power of ten not above a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step * power for step in (1, 2, 5) if step * power <= value))


def _round_up(value: float) -> float:
    """The least of 1, 2, 5 times a power of ten not below a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(min(step * power for step in (1, 2, 5, 10) if step * power >= value))


def _planes(lamps: LampSet) -> np.ndarray | None:
    """Covariances (L, 2, 2) in the plan: mm^2 of x and y (near), or degrees^2 along azimuth and slant (distant)."""
    if lamps.covariance is not None:
        return lamps.covariance[:, :2, :2]
    if not np.isfinite(lamps.u_vectors).all():
        return None
    return np.asarray(lamps.u_vectors[:, None, None] ** 2 * np.eye(2))


def _times(lamps: LampSet) -> int:
    """How many times too large the ellipses are drawn; 0 where there are none."""
    planes = _planes(lamps)
    if planes is None or not np.isfinite(planes).any():
        return 0
    size = HELD * float(np.nanmedian(np.sqrt(np.trace(planes, axis1=1, axis2=2) / 2)))
    half = float(np.abs(lamps.vectors[:, :2]).max()) if lamps.model == "near" else 90.0
    return int(max(1, round(_round_up(SHOWN_SHARE * half / size)))) if size > 0 else 0


def _ellipse(axes: Any, middle: np.ndarray, covariance: np.ndarray, times: int) -> None:
    from matplotlib.patches import Ellipse

    if not np.isfinite(covariance).all():
        return
    values, vectors = np.linalg.eigh(covariance)
    wide, high = 2 * HELD * times * np.sqrt(np.maximum(values[::-1], 0))
    turn = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    axes.add_patch(Ellipse(tuple(middle), wide, high, angle=turn, facecolor="none", edgecolor=DOUBT, linewidth=1.1))


def _draw_plan(axes: Any, lamps: LampSet, times: int) -> None:
    """From above, mm."""
    places = lamps.vectors[:, :2]
    planes = _planes(lamps)
    _dots(axes, lamps.names, places)
    if times and planes is not None:
        for place, covariance in zip(places, planes, strict=True):
            _ellipse(axes, place, covariance, times)
    axes.plot(0, 0, "+", color="black", markersize=10)
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.1)
    axes.set_xlabel("x, mm (to the right in the picture)")
    axes.set_ylabel("y, mm (up in the picture)")
    axes.grid(color="#dddddd", linewidth=0.6)
    axes.set_title("From above; + is the middle of the picture", fontsize=10)


def _draw_side(axes: Any, lamps: LampSet, times: int) -> None:
    """Distance from the axis and height above the plate, mm."""
    away = np.hypot(*lamps.vectors[:, :2].T)
    places = np.stack([away, lamps.vectors[:, 2]], axis=1)
    _dots(axes, lamps.names, places)
    if times:
        cosine = np.where(away[:, None] > 1e-9, lamps.vectors[:, :2] / np.maximum(away, 1e-9)[:, None], [1.0, 0.0])
        turn = np.zeros((len(away), 2, 3))
        turn[:, 0, :2], turn[:, 1, 2] = cosine, 1
        whole = lamps.covariance
        if whole is None:
            whole = lamps.u_vectors[:, None, None] ** 2 * np.eye(3)
        for place, covariance in zip(places, turn @ whole @ turn.transpose(0, 2, 1), strict=True):
            _ellipse(axes, place, covariance, times)
    axes.set_aspect("equal")
    reach = 1.15 * places.max(axis=0)
    axes.set_xlim(-0.1 * reach[0], reach[0])
    axes.set_ylim(0, reach[1])
    axes.set_xlabel("distance from the axis, mm")
    axes.set_ylabel("height above the plate, mm")
    axes.grid(color="#dddddd", linewidth=0.6)


def _draw_sky(axes: Any, lamps: LampSet, times: int) -> None:
    """Directions: azimuth round, 90 degrees of elevation in the middle."""
    units = lamps.unit_vectors
    slant = 90 - np.degrees(np.arcsin(np.clip(units[:, 2], -1, 1)))
    level = across(units)[:, 0, :2]
    outward = np.stack([level[:, 1], -level[:, 0]], axis=1)
    places = slant[:, None] * outward
    for ring in (*RINGS_DEG, 0):
        azimuth = np.linspace(0, 2 * np.pi, 181)
        axes.plot((90 - ring) * np.cos(azimuth), (90 - ring) * np.sin(azimuth), color="#c8c8c8", linewidth=0.8)
        axes.text(0, 90 - ring, f"{ring}°", ha="center", va="center", fontsize=9, color="#333333").set_bbox(
            {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}
        )
    _dots(axes, lamps.names, places)
    planes = _planes(lamps)
    if times and planes is not None:
        for place, covariance, out, along, tilt in zip(places, planes, outward, level, slant, strict=True):
            # an arc along the azimuth is wider in this plan than on the sphere; elevation runs inward
            wide = np.radians(tilt) / max(np.sin(np.radians(tilt)), 1e-6)
            turn = np.stack([along * wide, -out], axis=1)
            _ellipse(axes, place, turn @ covariance @ turn.T, times)
    axes.set_aspect("equal")
    axes.set_xlim(-95, 95)
    axes.set_ylim(-95, 95)
    axes.set_axis_off()
    axes.set_title("Rings: elevation above the plate. Round: azimuth, 0° to the right", fontsize=10)


def _dots(axes: Any, names: Sequence[str], places: np.ndarray) -> None:
    axes.scatter(*places.T, s=34, color=LAMP, edgecolor=EDGE, zorder=3)
    if len(names) <= MOST_NAMES:
        for name, place in zip(names, places, strict=True):
            axes.annotate(name, place, xytext=(5, 4), textcoords="offset points", fontsize=8)
