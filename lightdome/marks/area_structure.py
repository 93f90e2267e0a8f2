"""The structure of every etched area, as evidence of its mark and as facts of the field."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from lightdome.marks.records import Mark
from lightdome.marks.structure import structure_of
from lightdome.raster import Grid

MARGIN_PX = 4


def with_structure(
    marks: Sequence[Mark], above_um: np.ndarray, grid: Grid, noise_um: float
) -> tuple[list[Mark], list[dict[str, Any]]]:
    """Marks whose etched areas say what they are made of, and the same as facts by the id of the area.

    above_um : (rows, columns), um, above the reference surface of the land. noise_um : see `structure.structure_of`.
    """
    told, facts = [], []
    for mark in marks:
        found = None
        if mark.class_name == "etched" and mark.geometry["type"] == "Polygon":
            inside, rows, cols = _filled(mark, grid)
            found = structure_of(above_um[rows, cols], inside, grid.pitch_mm, noise_um)
        told.append(mark if found is None else replace(mark, evidence=(*mark.evidence, *found.evidence)))
        if found is not None:
            facts.append({"id": mark.id, **found.as_dict()})
    return told, facts


def _filled(mark: Mark, grid: Grid) -> tuple[np.ndarray, slice, slice]:
    """The inside of an outline with the islands in it, on a crop of the field."""
    from rasterio.features import rasterize

    corners = np.array(mark.geometry["coordinates"][0], float)
    row, col = grid.to_pixel(corners[:, 0], corners[:, 1])
    rows, cols = (
        slice(max(int(at.min()) - MARGIN_PX, 0), min(int(at.max()) + MARGIN_PX + 2, size))
        for at, size in zip((row, col), grid.shape, strict=True)
    )
    # rasterize counts from the corner of the first pixel
    ring = np.stack([col - cols.start + 0.5, row - rows.start + 0.5], axis=1)
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    filled = rasterize([({"type": "Polygon", "coordinates": [ring.tolist()]}, 1)], out_shape=shape, fill=0)
    return filled.astype(bool), rows, cols
