"""Every map that is shown, in the order of the page, and the lamps that a field is shown under."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from lightdome.lights.lamps import LampSet
from lightdome.publish.records import Lit, MapView
from lightdome.publish.scale import legend_span, number, unit_words

RAKING_DEG = 20.0
HIGH_DEG = 60.0
SIDES = (
    ("right", 0.0, "the right"),
    ("above", 90.0, "the top"),
    ("left", 180.0, "the left"),
    ("below", 270.0, "below"),
)

HEIGHT_NOTE = "Relative, not traceable; slow rises over the whole field are not reliable."

LIGHT_CAPTION = "Computed from the photographs; the four low lamps are shown at one exposure."
LAMPS_CAPTION = "Azimuth counter-clockwise from the right edge of the picture; elevation above the plate."

MAPS = (
    MapView(
        "height",
        "surface/height.tif",
        "height",
        "Height",
        f"Dark is low, light is high. {HEIGHT_NOTE}",
        "cividis",
        "low-high",
    ),
    MapView(
        "height_uncertainty",
        "surface/height_uncertainty.tif",
        "u_height",
        "Standard uncertainty of the height",
        "Against the 2 mm around each point (k = 1). Light is less sure.",
        "cividis",
        "from-zero",
    ),
    MapView(
        "etched_height",
        "marks/etched_height.tif",
        "etched_height",
        "The picture as it was made",
        "The height less its form and less the scratches. Beside a scratch its own section is taken off; its groove is "
        "continued from beside (marks/fill_mask.tif says where). What was not called a scratch is still "
        f"in it. {HEIGHT_NOTE}",
        "cividis",
        "low-high",
    ),
    MapView(
        "scratch_height",
        "marks/scratch_height.tif",
        "scratch_height",
        "Later marks alone",
        "What the scratches took away (orange-brown, below) or pushed up (purple, above). No uncertainty is given.",
        "PuOr",
        "about-zero",
    ),
    MapView(
        "tooled_height",
        "marks/relief.tif",
        "tooled",
        "Lines of tools alone",
        "What burin and drypoint took away (orange-brown) or pushed up (purple). No uncertainty is given.",
        "PuOr",
        "about-zero",
        optional=True,
    ),
    MapView(
        "fine_texture",
        "marks/relief.tif",
        "texture",
        "Fine texture of land and etched floors",
        "Waves shorter than the cut-off; zero on walls, lines and other marks. No uncertainty is given.",
        "PuOr",
        "about-zero",
        optional=True,
    ),
    MapView(
        "slope_x",
        "surface/normals.tif",
        "nx",
        "Surface facing right or left (nx)",
        "Sideways part of the unit normal: purple faces right, orange-brown faces left, pale is level.",
        "PuOr",
        "about-zero",
    ),
    MapView(
        "slope_y",
        "surface/normals.tif",
        "ny",
        "Surface facing up or down the picture (ny)",
        "Upright part of the unit normal: purple faces the top edge, orange-brown the bottom edge, pale is level.",
        "PuOr",
        "about-zero",
    ),
    MapView(
        "tilt_uncertainty",
        "surface/normal_uncertainty.tif",
        "u_tilt",
        "Standard uncertainty of the tilt",
        "How far each normal may lean from what is shown (k = 1). Light is less sure.",
        "cividis",
        "from-zero",
    ),
    MapView(
        "reflectance",
        "surface/reflectance.tif",
        "diffuse",
        "Diffuse reflectance",
        "How much light the surface throws back evenly, whatever its slope. Relative to the session's own white."
        " No uncertainty is given.",
        "gray",
        "from-zero",
    ),
    MapView(
        "specular",
        "surface/reflectance.tif",
        "specular",
        "Specular reflectance",
        "How much light the surface throws back as a sheen, of what meets it at right angles. No uncertainty is given.",
        "gray",
        "from-zero",
        optional=True,
    ),
    MapView(
        "roughness",
        "surface/reflectance.tif",
        "roughness",
        "Roughness of the sheen",
        "Dark is mirror-like, light is dull; unknown where there is no sheen. No uncertainty is given.",
        "cividis",
        "low-high",
        optional=True,
    ),
    MapView(
        "curvature_mean",
        "surface/curvature.tif",
        "mean",
        "Mean curvature",
        "Purple bulges toward the viewer, orange-brown is hollow, pale is flat. No uncertainty is given.",
        "PuOr",
        "about-zero",
    ),
    MapView(
        "curvature_k1",
        "surface/curvature.tif",
        "k1",
        "Largest curvature (k1)",
        "Ridges and burrs stand out purple. No uncertainty is given.",
        "PuOr",
        "about-zero",
    ),
    MapView(
        "curvature_k2",
        "surface/curvature.tif",
        "k2",
        "Smallest curvature (k2)",
        "Grooves and pits stand out orange-brown. No uncertainty is given.",
        "PuOr",
        "about-zero",
    ),
    MapView(
        "curvature_gaussian",
        "surface/curvature.tif",
        "gaussian",
        "Gaussian curvature (k1 times k2)",
        "Purple: bumps and pits. Orange-brown: saddles. Pale: flat, or bent one way only. No uncertainty is given.",
        "PuOr",
        "about-zero",
    ),
)


def lit_views(lowest_deg: float, highest_deg: float) -> tuple[Lit, ...]:
    """Raking light from four sides, and one higher lamp, no farther from the lamps used than need be.

    lowest_deg, highest_deg : elevations of the lowest and highest lamp of the set; outside them the model only guesses.
    """
    raking = min(max(RAKING_DEG, lowest_deg), highest_deg)
    high = max(min(HIGH_DEG, highest_deg), lowest_deg)
    low = [
        Lit(f"light_{key}", turn, raking, f"from {words}, {raking:.0f}° above the plate") for key, turn, words in SIDES
    ]
    return (*low, Lit("light_high", 135.0, high, f"from the upper left, {high:.0f}° above the plate"))


def elevations_deg(lamps: LampSet | None) -> tuple[float, float]:
    """Elevation of the lowest and the highest lamp; those of the usual views where the lamps are not known."""
    if lamps is None:
        return RAKING_DEG, HIGH_DEG
    elevations = np.degrees(np.arcsin(np.clip(lamps.unit_vectors[:, 2], -1, 1)))
    return float(elevations.min()), float(elevations.max())


def alt_text(view: MapView, values: np.ndarray, unit: str, identifier: str) -> str:
    """What a map shows, for those who do not see it."""
    known = values[np.isfinite(values)]
    if not known.size:
        return f"{view.title} of {identifier}: no pixel is known."
    low, high = legend_span(values, view.span)
    step = max(0, int(np.ceil(2 - np.log10(max(abs(low), abs(high))))))
    between = f"{number(low, step)} to {number(high, step)} {unit_words(unit)}".rstrip()
    share = (
        f" {100 * (1 - known.size / values.size):.0f} % of the pixels are unknown." if known.size < values.size else ""
    )
    return f"{view.title} of {identifier}; the legend runs from {between}.{share}"


def lamps_alt(lamps: Mapping[str, Any] | None) -> str:
    """The lamp layout in words."""
    if not lamps:
        return "Plan of the lamps around the plate."
    heights = [lamp["elevation_deg"] for lamp in lamps["lamps"]]
    return f"Plan of {len(heights)} lamps around the plate, {min(heights):.0f} to {max(heights):.0f}° above it."
