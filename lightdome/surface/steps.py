"""The steps of this word: paths in, paths out."""

from pathlib import Path

import numpy as np

from lightdome.errors import SurfaceError
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.provenance import Provenance
from lightdome.raster import Band, Window
from lightdome.session.records import FEWEST_LAMPS
from lightdome.store import STACK_BLOCK_PX, RasterReader, Stack, open_raster, open_stack, raster_writer, read_json
from lightdome.surface.filters import reach_px
from lightdome.surface.slopes import slope_uncertainty, slopes, trust
from lightdome.tiles import TILE_PX, Tile, for_each, tiles
from lightdome.units import UM_PER_MM

METHODS = ("robust", "least-squares")
STRIP_PX = 8192
"""Pixels solved at a time inside a tile, so that directions of all lamps take a few megabytes only."""
USUAL_PX = 1_000_000
"""About so many pixels of an even lattice decide what uncertainty is usual."""
NORMALS = ("nx", "ny", "nz")
NORMAL_BANDS = tuple(Band(name, "1") for name in NORMALS)
REFLECTANCE_BANDS = (Band("diffuse", "1"), Band("specular", "1"), Band("roughness", "1"))


def solve_normals(
    stack: Path,
    lamps: Path,
    normals: Path,
    uncertainty: Path,
    reflectance: Path,
    *,
    method: str = "robust",
    threads: int = 1,
    tile_px: int = STACK_BLOCK_PX,
) -> None:
    """Normal, tilt uncertainty (degrees) and reflectance of every pixel.

    method : robust or least-squares; see `surface/normals.py`. Both are matte: specular and roughness stay NaN.
    """
    if method not in METHODS:
        raise SurfaceError(f"solve-normals: method must be {' or '.join(METHODS)}, got {method!r}; correct the setting")
    lamp_set = _read_lamps(lamps)
    settings = {"method": method}
    provenance = Provenance.of("solve-normals", [stack, lamps], settings)
    solved = []
    with open_stack(stack) as light:
        _refuse_mismatch(light, lamp_set, lamps)
        with (
            raster_writer(normals, light.grid, NORMAL_BANDS, provenance) as to_normals,
            raster_writer(uncertainty, light.grid, [Band("u_tilt", "deg")], provenance) as to_uncertainty,
            raster_writer(reflectance, light.grid, REFLECTANCE_BANDS, provenance) as to_reflectance,
        ):

            def solve_tile(tile: Tile) -> None:
                values = _solve_window(light, lamp_set, tile.core, method == "robust")
                to_normals.write(values[:3], tile.core)
                to_uncertainty.write(values[3:4], tile.core)
                unknown = np.full_like(values[4], np.nan)
                to_reflectance.write(np.stack([values[4], unknown, unknown]), tile.core)
                solved.append(int(np.isfinite(values[2]).sum()))

            for_each(solve_tile, tiles(light.grid.shape, tile_px), "solve-normals", threads)
            if not sum(solved):
                raise SurfaceError(
                    f"{stack}: no pixel is seen well under {FEWEST_LAMPS} lamps; look at the mask, at the exposure "
                    "(clipping) and at the lamp table"
                )


def _read_lamps(path: Path) -> LampSet:
    facts = read_json(path)
    try:
        return LampSet.from_dict(facts)
    except (KeyError, TypeError, ValueError) as error:
        raise SurfaceError(f"{path}: is not what locate-lamps writes ({error}); run locate-lamps again") from error


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


def _solve_window(light: Stack, lamps: LampSet, window: Window, robust: bool) -> np.ndarray:
    """Normal (3), tilt uncertainty in degrees and reflectance: (5, rows, columns), float32."""
    from lightdome.surface.normals import solve_pixels
    from lightdome.surface.tilt import tilt_uncertainty

    if lamps.model == "near":
        u_lamp = lamps.u_vectors / np.linalg.norm(lamps.vectors, axis=1)
    else:
        u_lamp = np.radians(lamps.u_vectors)
    samples = light.read(window)
    count, rows, cols = samples.shape
    x_mm, y_mm = light.grid.x_mm(window), light.grid.y_mm(window)
    values = np.empty((5, rows, cols), np.float32)
    step = max(1, STRIP_PX // cols)
    for row in range(0, rows, step):
        strip = slice(row, min(row + step, rows))
        direction, irradiance = lamp_field(lamps, x_mm, y_mm[strip])
        direction, irradiance = direction.reshape(count, 3, -1), irradiance.reshape(count, -1)
        fit = solve_pixels(samples[:, strip].reshape(count, -1), direction, irradiance, robust)
        rho = np.sqrt((fit.m**2).sum(axis=0))
        tilt_deg = np.degrees(tilt_uncertainty(fit, direction, u_lamp, lamps.flat_divided))
        values[:, strip] = np.concatenate([fit.m / rho, tilt_deg[None], rho[None]]).reshape(5, -1, cols)
    return values


def integrate_height(
    normals: Path,
    uncertainty: Path,
    height: Path,
    height_uncertainty: Path,
    *,
    threads: int = 1,
    tile_px: int = TILE_PX,
) -> None:
    """Height (um) of a field from its normals, and its standard uncertainty against its 2 mm surroundings.

    Every connected piece has a mean height of zero; nothing is levelled.
    """
    from lightdome.surface.height import divergence, solve_height
    from lightdome.surface.height_noise import height_uncertainty as noise_of_height
    from lightdome.surface.height_noise import neighbourhood_px

    provenance = Provenance.of("integrate-height", [normals, uncertainty], {})
    with open_raster(normals) as facing, open_raster(uncertainty) as doubt:
        _refuse_other_grid(facing, doubt)
        grid = facing.grid
        slope_x, slope_y, weight = _trusted_slopes(facing, doubt, threads, tile_px)
        right_side = divergence(slope_x, slope_y, weight, grid.pitch_mm * UM_PER_MM)
        del slope_x, slope_y
        height_um = solve_height(right_side, weight, threads)
        del right_side, weight
        halo_px = reach_px(neighbourhood_px(grid.pitch_mm)) + 2
        with (
            raster_writer(height, grid, [Band("height", "um")], provenance) as to_height,
            raster_writer(height_uncertainty, grid, [Band("u_height", "um")], provenance) as to_uncertainty,
        ):

            def judge_tile(tile: Tile) -> None:
                slope_x, slope_y = slopes(facing.read(tile.halo, NORMALS))
                u_slope = slope_uncertainty(doubt.read(tile.halo, ["u_tilt"])[0], slope_x, slope_y)
                u_height = noise_of_height(u_slope, slope_x, slope_y, height_um[tile.halo.slices], grid.pitch_mm)
                to_height.write(height_um[None, *tile.core.slices], tile.core)
                to_uncertainty.write(u_height[None, *tile.inner], tile.core)

            for_each(judge_tile, tiles(grid.shape, tile_px, halo_px), "integrate-height, uncertainty", threads)


def _refuse_other_grid(first: RasterReader, second: RasterReader) -> None:
    if first.grid != second.grid:
        raise SurfaceError(
            f"{second.path}: is {second.grid.shape} pixels of {second.grid.pitch_mm} mm, {first.path.name} is "
            f"{first.grid.shape} of {first.grid.pitch_mm} mm; make both again with solve-normals"
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
    step = max(1, int(np.sqrt(weight.size / USUAL_PX)))
    sample = weight[::step, ::step]
    usual = float(np.median(sample[np.isfinite(sample)])) if np.isfinite(sample).any() else np.nan
    for_each(weigh_tile, parts, "integrate-height, weights", threads)
    return slope_x, slope_y, weight
