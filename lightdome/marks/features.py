"""Traces and marks as JSON values and table rows, and back."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lightdome.errors import MarkError
from lightdome.marks.detect import Found
from lightdome.marks.records import Mark, Trace
from lightdome.raster import Grid
from lightdome.units import UM_PER_MM

COLUMNS = (
    "id",
    "class",
    "confidence",
    "length_mm",
    "width_um",
    "depth_um",
    "u_width_um",
    "u_depth_um",
    "burr_left_um",
    "burr_right_um",
    "wall_angle_deg",
    "removed_fraction",
    "orientation_deg",
    "crosses",
    "residue_contrast",
    "residue_low",
    "residue_high",
    "residue_smallest_seen",
    "evidence",
    "resolved",
    "decided",
    "event",
)
FRAME = {
    "frame": "plate",
    "unit": "mm",
    "origin": "image centre on the plate surface",
    "axes": "x to the right along columns, y up against rows, seen from the camera",
}


def grid_facts(grid: Grid) -> dict[str, Any]:
    """Frame, pitch and size, as they stand at the top of a JSON product."""
    return {**FRAME, "pixel_pitch_mm": grid.pitch_mm, "image_size_px": [grid.shape[1], grid.shape[0]]}


def traces_as_json(found: Found, grid: Grid) -> dict[str, Any]:
    """Everything of `Found` but its label raster, in plate units."""
    lines = []
    for trace in found.traces:
        x, y = grid.to_plate_mm(trace.points_px[:, 0], trace.points_px[:, 1])
        points = [[round(float(a), 5), round(float(b), 5)] for a, b in zip(x, y, strict=True)]
        width_um = round(trace.width_px * grid.pitch_mm * UM_PER_MM, 3)
        lines.append(
            {
                "kind": trace.kind,
                "width_um": width_um,
                "glint_share": round(trace.glint_share, 3),
                "glint_strength": round(trace.glint_strength, 3),
                "relief_share": round(trace.relief_share, 3),
                "points_mm": points,
            }
        )
    return {
        **grid_facts(grid),
        "land_scale_um": round(found.land_scale_um, 6),
        "line_widths_um": [round(width * grid.pitch_mm * UM_PER_MM, 3) for width in found.widths_px],
        "roughness_um": [round(value, 6) for value in found.roughness_um],
        "wide_areas": found.wide,
        "traces": lines,
    }


def traces_from_json(facts: Mapping[str, Any], grid: Grid) -> list[Trace]:
    """Traces in pixels of a grid; a MarkError says what is missing."""
    try:
        traces = []
        for line in facts["traces"]:
            points = np.array(line["points_mm"], float)
            row, col = grid.to_pixel(points[:, 0], points[:, 1])
            width_px = float(line["width_um"]) / (grid.pitch_mm * UM_PER_MM)
            seen = (float(line[name]) for name in ("glint_share", "glint_strength", "relief_share"))
            traces.append(Trace(np.stack([row, col], axis=1), width_px, str(line["kind"]), *seen))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise MarkError(f"the traces lack or spoil {error}; run trace-marks again") from error
    return traces


def mark_as_feature(mark: Mark) -> dict[str, Any]:
    """One GeoJSON feature; unknown numbers are null."""
    return {"type": "Feature", "id": mark.id, "geometry": mark.geometry, "properties": properties(mark)}


def properties(mark: Mark) -> dict[str, Any]:
    """The properties of a mark, by the names of the contract."""
    return {
        "id": mark.id,
        "class": mark.class_name,
        "confidence": mark.confidence,
        "length_mm": mark.length_mm,
        "width_um": mark.width_um,
        "depth_um": mark.depth_um,
        "u_width_um": mark.u_width_um,
        "u_depth_um": mark.u_depth_um,
        "burr_left_um": mark.burr_left_um,
        "burr_right_um": mark.burr_right_um,
        "wall_angle_deg": mark.wall_angle_deg,
        "removed_fraction": mark.removed_fraction,
        "orientation_deg": mark.orientation_deg,
        "crosses": [dict(crossing) for crossing in mark.crosses],
        "residue": mark.residue,
        "evidence": list(mark.evidence),
        "resolved": mark.resolved,
        "decided": mark.decided,
        "event": mark.event,
        **({"ridges": mark.ridges} if mark.ridges else {}),
    }


def collection(marks: Sequence[Mark], grid: Grid) -> dict[str, Any]:
    """A GeoJSON FeatureCollection with the plate frame as foreign members (RFC 7946, 6.1)."""
    return {"type": "FeatureCollection", **grid_facts(grid), "features": [mark_as_feature(mark) for mark in marks]}


def table_row(mark: Mark) -> dict[str, Any]:
    """One row of `marks.csv`; the columns are `COLUMNS`."""
    row = properties(mark)
    row.pop("ridges", None)
    residue = row.pop("residue") or {}
    for key in ("contrast", "low", "high", "smallest_seen"):
        row[f"residue_{key}"] = residue.get(key)
    row["crosses"] = "; ".join(
        f"{crossing['id']} (later: {crossing['later'] or 'undecided'})" for crossing in mark.crosses
    )
    row["evidence"] = "; ".join(mark.evidence)
    row |= {name: "true" if row[name] else "false" for name in ("resolved", "decided")}
    return row
