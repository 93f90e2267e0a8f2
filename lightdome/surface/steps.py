"""The steps of this word: paths in, paths out."""

import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.errors import SurfaceError
from lightdome.lights.lamps import LampSet
from lightdome.provenance import Provenance
from lightdome.raster import Band, Window
from lightdome.session.records import FEWEST_LAMPS
from lightdome.store import (
    STACK_BLOCK_PX,
    RasterReader,
    Stack,
    open_raster,
    open_stack,
    raster_writer,
    read_json,
    write_json,
)
from lightdome.surface.filters import reach_px
from lightdome.surface.slopes import slope_uncertainty, slopes, trust, usual_uncertainty
from lightdome.tiles import TILE_PX, Tile, for_each, progress, tiles
from lightdome.units import UM_PER_MM

METHODS = ("microfacet", "robust", "least-squares")
NORMALS = ("nx", "ny", "nz")
NORMAL_BANDS = tuple(Band(name, "1") for name in NORMALS)
CURVATURE_BANDS = (Band("mean", "1/mm"), Band("gaussian", "1/mm^2"), Band("k1", "1/mm"), Band("k2", "1/mm"))
REFLECTANCE_BANDS = (
    Band("diffuse", "1"),
    Band("specular", "1"),
    Band("roughness", "1"),
    Band("anisotropy", "1"),
    Band("direction", "deg"),
    Band("total", "1"),
)
LEAST_ELEVATIONS_DEG = 10.0
"""Elevations of the lamps must span this much, or the light does not tell how a surface shines."""
ONE_ELEVATION_GAIN = 0.5
"""Relative standard uncertainty of all slopes where they do not: a matte and a metal plate under one ring of lamps come
out too steep or too flat by a third to a half (tests/surface/test_hard_input.py)."""
SAMPLE_PX, SAMPLE_TILES = 6000, 12
"""Pixels that the lobe is learned from, and the tiles that they lie in, evenly over the field."""


def solve_normals(
    stack: Path,
    lamps: Path,
    normals: Path,
    uncertainty: Path,
    reflectance: Path,
    flags: Path,
    lobe: Path,
    *,
    method: str = "microfacet",
    threads: int = 1,
) -> None:
    """Normal of the mean slope, tilt uncertainty (degrees), reflectance and flags of every pixel; the plate's lobe.

    method : microfacet (see `surface/microfacet.py` and `surface/mixture.py`), robust or least-squares (see
    `surface/normals.py`; both are matte: only the diffuse band is known).

    flags : sums of 1 few lamps, 2 lobe's tail only, 4 inconsistent fit, 8 several slopes, 16 no answer,
    32 light that may have met two walls.
    Neighbours are looked at within the blocks of the stack.
    """
    from lightdome.surface.region import RegionSums
    from lightdome.surface.solve import solve_region

    if method not in METHODS:
        *some, last = METHODS
        raise SurfaceError(
            f"solve-normals: method must be {', '.join(some)} or {last}, got {method!r}; correct the setting"
        )
    lamp_set = LampSet.from_dict(read_json(lamps))
    sums = []
    with open_stack(stack) as light, ThreadPoolExecutor(1) as pool:
        _refuse_mismatch(light, lamp_set, lamps)
        # the checksum of a stack takes as long as learning does
        checked = pool.submit(Provenance.of, "solve-normals", [stack, lamps], {"method": method})
        facts = _learn(light, lamp_set, method)
        provenance = checked.result()
        if facts["note"]:
            print(f"solve-normals: {facts['note']}", file=sys.stderr, flush=True)
        with (
            raster_writer(normals, light.grid, NORMAL_BANDS, provenance) as to_normals,
            raster_writer(uncertainty, light.grid, [Band("u_tilt", "deg")], provenance) as to_uncertainty,
            raster_writer(reflectance, light.grid, REFLECTANCE_BANDS, provenance) as to_reflectance,
            raster_writer(flags, light.grid, [Band("flags", "1")], provenance, "uint8") as to_flags,
        ):

            def solve_tile(tile: Tile) -> None:
                x_mm, y_mm = light.grid.x_mm(tile.core), light.grid.y_mm(tile.core)
                found = solve_region(light.read(tile.core), lamp_set, x_mm, y_mm, facts["method"], facts["lobe"])
                to_normals.write(found.normals, tile.core)
                to_uncertainty.write(np.degrees(found.doubted(facts["u_gain"]).u_tilt_rad)[None], tile.core)
                to_reflectance.write(np.concatenate([found.reflectance, found.total[None]]), tile.core)
                to_flags.write(found.flags[None], tile.core)
                sums.append(found.sums())

            for_each(solve_tile, tiles(light.grid.shape, STACK_BLOCK_PX), "solve-normals", threads)
            total = RegionSums.of(sums)
            if not total.solved:
                raise SurfaceError(
                    f"{stack}: no pixel is seen well under {FEWEST_LAMPS} lamps; look at the mask, at the exposure "
                    "(clipping) and at the lamp table"
                )
    warning = total.doubt_about_lamps()
    if warning:
        print(f"solve-normals: warning: {stack.name}: {warning}", file=sys.stderr, flush=True)
    write_json(
        lobe,
        {
            "method": facts["method"],
            "lobe": facts["lobe"].as_dict() if facts["lobe"] else None,
            "note": facts["note"],
            "warning": warning,
            "pixels": total.counts(),
            "provenance": provenance.as_dict(),
        },
    )


def _learn(light: Stack, lamps: LampSet, method: str) -> dict[str, Any]:
    """The method that the lamps allow, the plate's lobe (None for the matte methods), a note where one is due, and the
    relative uncertainty that all slopes share."""
    from lightdome.surface.learning import learn_lobe
    from lightdome.surface.sample import sample_of
    from lightdome.surface.solve import FEWEST_FOR_LOBES

    if method != "microfacet":
        return {"method": method, "lobe": None, "note": None, "u_gain": 0.0}
    if len(lamps.names) < FEWEST_FOR_LOBES:
        few = f"{len(lamps.names)} lamps are too few for a lobe, {FEWEST_FOR_LOBES} are needed: least squares instead"
        return {"method": "least-squares", "lobe": None, "note": few, "u_gain": 0.0}
    note: str | None = None
    u_gain = 0.0
    if np.ptp(np.degrees(np.arcsin(lamps.unit_vectors[:, 2]))) < LEAST_ELEVATIONS_DEG:
        note = (
            "all lamps stand at about one elevation, under which a broad lobe and a matte surface look alike: all "
            "slopes may be wrong by one factor"
        )
        u_gain = ONE_ELEVATION_GAIN
    parts = tiles(light.grid.shape, STACK_BLOCK_PX)
    chosen = [parts[int(at)] for at in np.unique(np.linspace(0, len(parts) - 1, SAMPLE_TILES).round())]
    samples = [
        sample_of(
            light.read(tile.core),
            lamps,
            light.grid.x_mm(tile.core),
            light.grid.y_mm(tile.core),
            SAMPLE_PX // len(chosen),
        )
        for tile in progress(chosen, "solve-normals, sample")
    ]
    learned = learn_lobe(samples)
    if learned is None:
        few = "too few pixels are seen well under many lamps to learn a lobe: least squares instead"
        return {"method": "least-squares", "lobe": None, "note": few, "u_gain": 0.0}
    return {"method": method, "lobe": learned, "note": note, "u_gain": u_gain}


def _refuse_mismatch(light: Stack, lamps: LampSet, path: Path) -> None:
    if light.lamps != lamps.names:
        raise SurfaceError(f"{path}: its lamps are not those of {light.path.name}; run locate-lamps again")
    if bool(light.attrs.get("flat_divided", False)) != lamps.flat_divided:
        raise SurfaceError(
            f"{path}: says flat_divided {lamps.flat_divided}, {light.path.name} says otherwise; run locate-lamps again"
        )
    if len(lamps.names) < FEWEST_LAMPS:
        raise SurfaceError(
            f"{path}: has {len(lamps.names)} lamps, normals need at least {FEWEST_LAMPS}; photograph under more lamps"
        )


def integrate_height(
    normals: Path,
    uncertainty: Path,
    height: Path,
    height_uncertainty: Path,
    *,
    u_slope_gain: float = 0.08,
    threads: int = 1,
    tile_px: int = TILE_PX,
) -> None:
    """Height (um) of a field from its normals, and its standard uncertainty against its 2 mm surroundings.

    Every connected piece has a mean height of zero; nothing is levelled.

    u_slope_gain : relative standard uncertainty of a gain that all slopes share. The default is that of `microfacet`:
    on rendered plates of nine materials the depths of areas and lines come out 0.92 to 1.14 times the true ones on
    average (benchmarks/metal.py). With the matte methods on metal they come out 0.9 to 2 times: give 0.5 for them.
    """
    from lightdome.surface.height import divergence, solve_height
    from lightdome.surface.height_noise import look_px, surroundings_uncertainty

    if not u_slope_gain >= 0:
        raise SurfaceError(f"integrate-height: u_slope_gain must not be below zero, got {u_slope_gain}; correct it")
    provenance = Provenance.of("integrate-height", [normals, uncertainty], {"u_slope_gain": u_slope_gain})
    with open_raster(normals) as facing, open_raster(uncertainty) as doubt:
        _refuse_other_grid(facing, doubt, "solve-normals")
        grid = facing.grid
        slope_x, slope_y, weight = _trusted_slopes(facing, doubt, threads, tile_px)
        right_side = divergence(slope_x, slope_y, weight, grid.pitch_mm * UM_PER_MM)
        del slope_x, slope_y
        height_um = solve_height(right_side, weight, threads)
        del right_side, weight
        parts = tiles(grid.shape, tile_px, look_px(grid.pitch_mm))
        with (
            raster_writer(height, grid, [Band("height", "um")], provenance) as to_height,
            raster_writer(height_uncertainty, grid, [Band("u_height", "um")], provenance) as to_uncertainty,
        ):

            def judge_tile(tile: Tile) -> None:
                slope_x, slope_y = slopes(facing.read(tile.halo, NORMALS))
                u_slope = slope_uncertainty(doubt.read(tile.halo, ["u_tilt"])[0], slope_x, slope_y)
                around = (u_slope, slope_x, slope_y, height_um[tile.halo.slices])
                u_height = surroundings_uncertainty(*around, grid.pitch_mm, u_slope_gain)
                to_height.write(height_um[None, *tile.core.slices], tile.core)
                to_uncertainty.write(u_height[None, *tile.inner], tile.core)

            for_each(judge_tile, parts, "integrate-height, uncertainty", threads)


def _refuse_other_grid(first: RasterReader, second: RasterReader, maker: str) -> None:
    if first.grid != second.grid:
        raise SurfaceError(
            f"{second.path}: is {second.grid.shape} pixels of {second.grid.pitch_mm} mm, {first.path.name} is "
            f"{first.grid.shape} of {first.grid.pitch_mm} mm; make both again with {maker}"
        )


def _trusted_slopes(
    facing: RasterReader, doubt: RasterReader, threads: int, tile_px: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes and weights of the whole field, (rows, columns), float32; weight 0 where there is no normal."""
    shape = facing.grid.shape
    slope_x, slope_y, weight = (np.empty(shape, np.float32) for _ in range(3))

    def read_tile(tile: Tile) -> None:
        here = tile.core.slices
        slope_x[here], slope_y[here] = slopes(facing.read(tile.core, NORMALS))
        weight[here] = slope_uncertainty(doubt.read(tile.core, ["u_tilt"])[0], slope_x[here], slope_y[here])

    def weigh_tile(tile: Tile) -> None:
        here = tile.core.slices
        weight[here] = trust(weight[here], usual) * np.isfinite(slope_x[here])

    parts = tiles(shape, tile_px)
    for_each(read_tile, parts, "integrate-height, slopes", threads)
    if not np.isfinite(slope_x).any():
        raise SurfaceError(f"{facing.path}: holds no normal; look at the mask and run solve-normals again")
    usual = usual_uncertainty(weight)
    for_each(weigh_tile, parts, "integrate-height, weights", threads)
    return slope_x, slope_y, weight


def map_curvature(
    normals: Path, curvature: Path, *, scale_mm: float = 0.3, threads: int = 1, tile_px: int = TILE_PX
) -> None:
    """Mean, Gaussian and principal curvatures of a field.

    scale_mm : cut-off of the Gaussian; raised to 4 pixels where smaller. The tags hold both.
    """
    from lightdome.surface.curvature import LEAST_SCALE_PX, curvatures

    if not scale_mm > 0:
        raise SurfaceError(f"map-curvature: scale_mm must be above zero, got {scale_mm}; correct the setting")
    with open_raster(normals) as facing:
        grid = facing.grid
        used_mm = max(scale_mm, LEAST_SCALE_PX * grid.pitch_mm)
        settings = {"scale_mm": scale_mm, "used_scale_mm": used_mm}
        provenance = Provenance.of("map-curvature", [normals], settings)
        solved = []
        with raster_writer(curvature, grid, CURVATURE_BANDS, provenance) as writer:

            def bend_tile(tile: Tile) -> None:
                slope_x, slope_y = slopes(facing.read(tile.halo, NORMALS))
                found = curvatures(slope_x, slope_y, grid.pitch_mm, used_mm)[:, *tile.inner]
                writer.write(found, tile.core)
                solved.append(int(np.isfinite(found[0]).sum()))

            parts = tiles(grid.shape, tile_px, reach_px(used_mm / grid.pitch_mm))
            for_each(bend_tile, parts, "map-curvature", threads)
            if not sum(solved):
                raise SurfaceError(f"{normals}: has no pixel with known neighbours; look at the mask and solve again")


def measure_texture(
    height: Path,
    height_uncertainty: Path,
    texture: Path,
    *,
    s_filter_mm: float | None = None,
    l_filter_mm: float | None = None,
    threads: int = 1,
    tile_px: int = TILE_PX,
) -> None:
    """Areal texture parameters of the whole field and of nine regions of it, as JSON.

    s_filter_mm : nesting index of the S-filter; None takes the first of the standard's series from three pixels on.
    l_filter_mm : nesting index of the L-filter; None takes 2 mm, or five times the S-filter.
    """
    from lightdome.surface.scale_limited import nesting_indices
    from lightdome.surface.texture import regions, texture_facts

    settings = {"s_filter_mm": s_filter_mm, "l_filter_mm": l_filter_mm}
    provenance = Provenance.of("measure-texture", [height, height_uncertainty], settings)
    with open_raster(height) as relief, open_raster(height_uncertainty) as doubt:
        _refuse_other_grid(relief, doubt, "integrate-height")
        grid = relief.grid
        s_mm, l_mm = nesting_indices(grid.pitch_mm, s_filter_mm, l_filter_mm)
        u_height_um = [_root_mean_square(doubt, window) for _, window in regions(grid)]
        surface = _scale_limited(relief, s_mm, l_mm, threads, tile_px)
    facts = texture_facts(surface, u_height_um, grid, s_mm, l_mm, threads)
    write_json(texture, facts | {"provenance": provenance.as_dict()})


def _root_mean_square(doubt: RasterReader, window: Window) -> float:
    """Of what is known of a one-band raster in a window; NaN where nothing is."""
    total, count = 0.0, 0
    for row in range(window.row0, window.row1, TILE_PX):
        strip = Window(row, min(row + TILE_PX, window.row1), window.col0, window.col1)
        values = doubt.read(strip)
        values = values[np.isfinite(values)].astype(np.float64)
        total, count = total + float(values @ values), count + values.size
    return float(np.sqrt(total / count)) if count else np.nan


def _scale_limited(relief: RasterReader, s_mm: float, l_mm: float, threads: int, tile_px: int) -> np.ndarray:
    """S-L surface of the whole field, (rows, columns), um, float32."""
    from lightdome.surface.scale_limited import fit_plane, limit_scale

    grid = relief.grid
    height_um = relief.read(bands=["height"])[0]
    if not np.isfinite(height_um).any():
        raise SurfaceError(f"{relief.path}: holds no height; look at the mask and run integrate-height again")
    value, by_row, by_col = fit_plane(height_um)
    for row in range(grid.shape[0]):
        height_um[row] -= (value + by_row * row + by_col * np.arange(grid.shape[1])).astype(np.float32)
    surface = np.empty_like(height_um)
    s_px, l_px = s_mm / grid.pitch_mm, l_mm / grid.pitch_mm

    def filter_tile(tile: Tile) -> None:
        surface[tile.core.slices] = limit_scale(height_um[tile.halo.slices], s_px, l_px)[tile.inner]

    parts = tiles(grid.shape, tile_px, reach_px(s_px) + reach_px(l_px))
    for_each(filter_tile, parts, "measure-texture", threads)
    return surface
