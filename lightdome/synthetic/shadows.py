"""Cast shadows: rays from each facet to the lamp over the plate's own relief, tile by tile."""

from typing import Any

import numpy as np

from lightdome.errors import GridError
from lightdome.synthetic.lamps import Rig
from lightdome.synthetic.plates import Surface
from lightdome.tiles import tiles
from lightdome.units import UM_PER_MM

TILE_FACETS = 768
LIFT = 0.01
"""How far above the surface a ray begins, in facets: far more than float32 errs, far less than a mark."""


def visible_lamps(surface: Surface, rig: Rig, tile_facets: int = TILE_FACETS) -> np.ndarray:
    """Which lamps each facet sees past the relief, packed by `np.packbits` over the lamps: (ceil(L / 8), n, m) uint8.

    A facet is two triangles; the ray begins at its centre. Tiles look as far around them as the longest shadow reaches.
    Fails with GridError for a repeating patch, which has no neighbours of its own.
    """
    if surface.repeats:
        raise GridError("cast shadows need a whole surface; switch them off for a repeating patch")
    height_mm = surface.corner_um / np.float32(UM_PER_MM)
    halo = _longest_shadow_facets(surface, rig, float(np.ptp(height_mm)))
    seen = np.zeros((-(-len(rig.names) // 8), *surface.class_code.shape), np.uint8)
    for tile in tiles(surface.class_code.shape, tile_facets, halo):
        rows, cols = tile.halo.slices
        corners = height_mm[rows.start : rows.stop + 1, cols.start : cols.stop + 1]
        origin_mm = _place_mm(surface, tile.halo.row0, tile.halo.col0)
        seen[:, *tile.core.slices] = _cast(corners, surface.facet_mm, origin_mm, tile.inner, rig)
    return seen


def lamp_bit(seen: np.ndarray, index: int) -> np.ndarray:
    """Where one lamp is seen, bool; seen : packed, any rows and columns."""
    return (seen[index // 8] >> (7 - index % 8) & 1).astype(bool)


def _longest_shadow_facets(surface: Surface, rig: Rig, relief_mm: float) -> int:
    """Reach of the lowest lamp's shadow of the whole relief, from the facet that sees the lamp lowest."""
    half = np.array(surface.class_code.shape) * surface.facet_mm / 2
    across = np.linalg.norm(rig.vectors[:, :2], axis=1) + (float(np.linalg.norm(half)) if rig.near else 0)
    slope = (rig.vectors[:, 2] / np.maximum(across, 1e-12)).min()
    return int(np.ceil(relief_mm / slope / surface.facet_mm)) + 1


def _place_mm(surface: Surface, row: int, col: int) -> tuple[float, float]:
    """Plate x and y of a facet corner."""
    rows, cols = surface.class_code.shape
    return (col - cols / 2) * surface.facet_mm, (rows / 2 - row) * surface.facet_mm


def _cast(
    corner_mm: np.ndarray, facet_mm: float, origin_mm: tuple[float, float], core: tuple[slice, slice], rig: Rig
) -> np.ndarray:
    """Visibility of all lamps, packed, from the facets of `core`; x and y are counted from the tile's corner."""
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    vertices, triangles = mesh_of(corner_mm, facet_mm)
    tensor: Any = o3d.core.Tensor
    scene.add_triangles(tensor(vertices), tensor(triangles))
    rows, cols = np.mgrid[core]
    centre = (corner_mm[rows, cols] + corner_mm[rows + 1, cols + 1]) / 2
    start = np.stack([(cols + 0.5) * facet_mm, -(rows + 0.5) * facet_mm, centre + LIFT * facet_mm], axis=-1)
    seen = [~_blocked(scene, start.astype(np.float32), rig, index, origin_mm) for index in range(len(rig.names))]
    return np.packbits(np.array(seen), axis=0)


def _blocked(scene: Any, start: np.ndarray, rig: Rig, index: int, origin_mm: tuple[float, float]) -> np.ndarray:
    import open3d as o3d

    tensor: Any = o3d.core.Tensor
    lamp = rig.vectors[index]
    if rig.near:
        toward = (lamp - [*origin_mm, 0.0]).astype(np.float32) - start
    else:
        toward = np.broadcast_to(lamp.astype(np.float32), start.shape)
    return scene.test_occlusions(tensor(np.concatenate([start, toward], axis=-1))).numpy()


def mesh_of(corner_mm: np.ndarray, facet_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float32, x right and y up from the north-west corner, and triangles (m, 3) uint32.

    Each facet is divided from north-west to south-east.
    """
    rows, cols = corner_mm.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    vertices = np.stack([x * np.float32(facet_mm), -y * np.float32(facet_mm), corner_mm.astype(np.float32)], axis=-1)
    index = np.arange(rows * cols, dtype=np.uint32).reshape(rows, cols)
    nw, ne, sw, se = index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]
    triangles = np.stack([np.stack([nw, sw, se], axis=-1), np.stack([nw, se, ne], axis=-1)], axis=-2)
    return vertices.reshape(-1, 3), triangles.reshape(-1, 3)
