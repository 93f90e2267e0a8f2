"""What a perfect examination would find: normals, heights, classes and marks."""

from typing import Any

import numpy as np

from lightdome.raster import Grid
from lightdome.synthetic import drawing as d
from lightdome.synthetic.plates import Surface, taper_at
from lightdome.synthetic.shapes import smooth_step
from lightdome.units import UM_PER_MM

RESOLVED_PX = 3.0
NORMAL_STEP, HEIGHT_STEP_UM = 2.0**-15, 2.0**-9
"""What truth is rounded to, far below anything measured (0.002 degrees, 2 nm), so that the files stay small."""


def normals(surface: Surface, rows: tuple[int, int]) -> np.ndarray:
    """(3, rows, columns): the normal of each pixel's mean slope."""
    facets = surface.facets(*rows)
    slope_x, slope_y = surface.pixel_mean(facets.slope_x), surface.pixel_mean(facets.slope_y)
    nz = 1 / np.sqrt(1 + slope_x**2 + slope_y**2)
    return _rounded(np.stack([-slope_x * nz, -slope_y * nz, nz]), NORMAL_STEP)


def height_um(surface: Surface, rows: tuple[int, int]) -> np.ndarray:
    """(1, rows, columns): mean height of each pixel, um."""
    return _rounded(surface.pixel_mean(surface.facets(*rows).height_um)[None], HEIGHT_STEP_UM)


def _rounded(values: np.ndarray, step: float) -> np.ndarray:
    return np.rint(values / np.float32(step)) * np.float32(step)


def class_code(surface: Surface, rows: tuple[int, int]) -> np.ndarray:
    """(1, rows, columns) uint8: the class of most of each pixel's facets; of equals the lowest code."""
    codes = surface.facets(*rows).class_code
    shares = np.stack([surface.pixel_mean((codes == code).astype(np.float32)) for code in range(len(d.CLASSES))])
    return shares.argmax(axis=0).astype(np.uint8)[None]


def marks(drawing: d.Drawing, grid: Grid) -> dict[str, Any]:
    """GeoJSON of every mark as drawn: centre line or outline in plate mm, width at the level of the land, depth."""
    features: list[dict[str, Any]] = []
    for item in (*drawing.etched, *drawing.pits, *drawing.cuts, *drawing.deposits, *drawing.prints):
        features.append(_feature(f"T{len(features) + 1:03d}", item, grid, order=len(features) + 1))
    return {
        "type": "FeatureCollection",
        "frame": "plate",
        "unit": "mm",
        "origin": "image centre on the plate surface",
        "axes": "x right along columns, y up against rows, z toward the camera",
        "pixel_pitch_mm": grid.pitch_mm,
        "image_size_px": [grid.shape[1], grid.shape[0]],
        "features": features,
    }


def _feature(name: str, item: Any, grid: Grid, order: int) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "id": name,
        "class": d.CLASSES[_code(item)],
        "confidence": 1.0,
        "length_mm": None,
        "width_um": None,
        "depth_um": None,
        "u_width_um": None,
        "u_depth_um": None,
        "burr_left_um": None,
        "burr_right_um": None,
        "wall_angle_deg": None,
        "removed_fraction": None,
        "orientation_deg": None,
        "crosses": [],
        "residue": None,
        "evidence": ["as drawn"],
        "resolved": True,
        "order": order,
    }
    facts |= _section(item)
    if facts["width_um"] is not None:
        facts["resolved"] = bool(facts["width_um"] / UM_PER_MM >= RESOLVED_PX * grid.pitch_mm)
    return {"type": "Feature", "geometry": _geometry(item), "properties": facts}


def _code(item: Any) -> int:
    if isinstance(item, d.Cut):
        return item.kind
    codes = {d.EtchedLine: d.ETCHED, d.EtchedArea: d.ETCHED, d.Pit: d.PIT, d.Deposit: d.DEPOSIT, d.Print: d.PRINT}
    return codes[type(item)]


def _section(item: Any) -> dict[str, Any]:
    """The numbers of one mark; a tapered cut's width and depth are the medians along it."""
    if isinstance(item, d.EtchedLine):
        wall_um = item.wall_per_depth * item.depth_um
        depth_um = item.depth_um * float(smooth_step(np.array(item.width_um / 2 / wall_um)))
        residue = {"ink_share": item.ink} if item.ink else None
        return _line(item.points_mm) | {
            "width_um": item.width_um,
            "depth_um": depth_um,
            "burr_left_um": 0.0,
            "burr_right_um": 0.0,
            "removed_fraction": 1.0,
            "residue": residue,
        }
    if isinstance(item, d.Cut):
        swell = float(np.median(taper_at(np.linspace(0, 1, 1001), item.taper)))
        left_um, right_um = item.ridges_um
        return _line(item.points_mm) | {
            "width_um": item.width_um * swell,
            "depth_um": item.depth_um * swell,
            "burr_left_um": left_um * swell,
            "burr_right_um": right_um * swell,
            "wall_angle_deg": float(np.degrees(np.arctan2(2 * item.depth_um, item.width_um))),
            "removed_fraction": item.removed_fraction,
        }
    if isinstance(item, d.EtchedArea):
        return {"depth_um": item.depth_um, "residue": {"ink_share": item.ink} if item.ink else None}
    if isinstance(item, d.Pit):
        return {"width_um": item.diameter_um, "depth_um": item.depth_um}
    return {}


def _line(points_mm: d.Points) -> dict[str, Any]:
    points = np.array(points_mm)
    steps = np.diff(points, axis=0)
    end_to_end = points[-1] - points[0]
    closed = not end_to_end.any()
    return {
        "length_mm": float(np.hypot(steps[:, 0], steps[:, 1]).sum()),
        "orientation_deg": None if closed else float(np.degrees(np.arctan2(end_to_end[1], end_to_end[0])) % 180),
    }


def _geometry(item: Any) -> dict[str, Any]:
    if isinstance(item, d.EtchedLine | d.Cut):
        return {"type": "LineString", "coordinates": [list(point) for point in item.points_mm]}
    if isinstance(item, d.Pit):
        radius_mm = item.diameter_um / UM_PER_MM / 2
        outline = _ellipse(item.centre_mm, (radius_mm, radius_mm))
    elif isinstance(item, d.Print):
        outline = _ellipse(item.centre_mm, item.half_axes_mm)
    else:
        outline = [list(point) for point in item.outline_mm]
    return {"type": "Polygon", "coordinates": [[*outline, outline[0]]]}


def _ellipse(centre_mm: tuple[float, float], half_axes_mm: tuple[float, float], count: int = 24) -> list[list[float]]:
    angles = 2 * np.pi * np.arange(count) / count
    x, y = centre_mm[0] + half_axes_mm[0] * np.cos(angles), centre_mm[1] + half_axes_mm[1] * np.sin(angles)
    return [[round(float(px), 6), round(float(py), 6)] for px, py in zip(x, y, strict=True)]
