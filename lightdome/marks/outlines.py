"""Marks as GeoJSON geometries in plate millimetres (RFC 7946: rings closed, outer ones counter-clockwise)."""

from typing import Any

import numpy as np
from skimage.measure import approximate_polygon

from lightdome.raster import Grid

SIMPLIFY_PX = 0.75
"""Outlines follow pixel edges; half a pixel's diagonal takes the stairs out."""
DIGITS = 5
"""Of a millimetre: a hundredth of a micrometre."""


def line_geometry(points_px: np.ndarray, grid: Grid) -> dict[str, Any]:
    """LineString of a polyline (n, 2), row and column."""
    x, y = grid.to_plate_mm(points_px[:, 0], points_px[:, 1])
    return {"type": "LineString", "coordinates": _pairs(x, y)}


def outline_geometry(inside: np.ndarray, row0: int, col0: int, grid: Grid) -> dict[str, Any]:
    """Polygon, with holes, around the edge-connected pixels of a crop whose first pixel is (row0, col0)."""
    from rasterio.features import shapes

    found = (shape for shape, _ in shapes(inside.astype(np.uint8), mask=inside, connectivity=4))
    rings = max(found, key=lambda shape: _area(np.array(shape["coordinates"][0])))["coordinates"]
    coordinates = []
    for index, ring in enumerate(rings):
        edges = np.array(ring)
        simple = approximate_polygon(edges, SIMPLIFY_PX)
        if len(simple) < 4 or abs(_area(simple)) == 0:
            simple = edges
        # corners of pixels: half a pixel before their centres
        x, y = grid.to_plate_mm(simple[:, 1] - 0.5 + row0, simple[:, 0] - 0.5 + col0)
        pairs = np.stack([x, y], axis=1)
        if (_signed_area(pairs) > 0) != (index == 0):
            pairs = pairs[::-1]
        coordinates.append(_pairs(pairs[:, 0], pairs[:, 1]))
    return {"type": "Polygon", "coordinates": coordinates}


def _pairs(x: np.ndarray, y: np.ndarray) -> list[list[float]]:
    return [[round(float(a), DIGITS), round(float(b), DIGITS)] for a, b in zip(x, y, strict=True)]


def _signed_area(ring: np.ndarray) -> float:
    """Positive counter-clockwise (shoelace formula)."""
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum())


def _area(ring: np.ndarray) -> float:
    return abs(_signed_area(ring))
