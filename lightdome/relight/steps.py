"""The steps of this word: paths in, paths out."""

from pathlib import Path

import numpy as np

from lightdome.errors import RelightError
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.provenance import Provenance
from lightdome.raster import Band
from lightdome.relight.basis import coefficient_count, names
from lightdome.relight.fit import PENALTY, fit_light, highest_order
from lightdome.relight.left_out import OrderError, judge, left_out_lamps, orders_to_try, predict_left_out
from lightdome.store import Stack, open_stack, raster_writer, read_json, write_json
from lightdome.tiles import Tile, for_each, tiles

TILE_PX = 256
STRIP_ROWS = 32
"""Rows of a tile whose lamp directions are in memory at a time."""
JUDGED_PX = 500_000
"""The error on left-out lamps is taken on an even lattice of at most about this many pixels."""


def fit_relighting(
    stack: Path,
    lamps: Path,
    coefficients: Path,
    quality: Path,
    *,
    order: int | None = None,
    threads: int = 1,
    tile_px: int = TILE_PX,
) -> None:
    """Hemispherical harmonics of every pixel's light, and their error on lamps left out.

    Writes `coefficients` (bands l0_m0, l1_m-1, ...: order and degree, unit 1, of the light under a lamp of unit
    irradiance; luminance) and `quality` (JSON).

    order : 2 or 3; None takes the one with the smaller error on left-out lamps. Lowered, with a note, where there are
    fewer lamps than coefficients.
    """
    if order not in (None, 2, 3):
        raise RelightError(f"fit_relighting: order must be 2 or 3, got {order}; correct the setting or leave it out")
    lamp_set = LampSet.from_dict(read_json(lamps))
    with open_stack(stack) as light:
        if light.lamps != lamp_set.names:
            raise RelightError(f"{lamps}: its lamps are not those of {stack.name}; run locate-lamps again")
        errors = _judge_orders(light, lamp_set, threads, tile_px)
        best, notes = _choose(order, errors, len(lamp_set.names))
        provenance = Provenance.of("fit-relighting", [stack, lamps], {"order": order})
        bands = [Band(f"l{l_order}_m{degree}", "1") for l_order, degree in names(best)]
        with raster_writer(coefficients, light.grid, bands, provenance) as writer:

            def fit_tile(tile: Tile) -> None:
                values = light.read(tile.core)
                x_mm, y_mm = light.grid.x_mm(tile.core), light.grid.y_mm(tile.core)
                fitted = np.empty((coefficient_count(best), *values.shape[1:]), np.float32)
                for row in range(0, len(y_mm), STRIP_ROWS):
                    part = slice(row, row + STRIP_ROWS)
                    fitted[:, part] = fit_light(values[:, part], *_lights(lamp_set, x_mm, y_mm[part]), best)
                writer.write(fitted, tile.core)

            for_each(fit_tile, tiles(light.grid.shape, tile_px), "fit-relighting", threads)
    write_json(
        quality,
        {
            "model": "hemispherical harmonics",
            "order": best,
            "coefficients": coefficient_count(best),
            "chosen_by": "error on left-out lamps" if order is None else "setting",
            "penalty": PENALTY,
            "notes": notes,
            "left_out": [error.lamp for error in errors[0].lamps],
            "units": {"psnr_db": "dB", "rms": "1", "white": "1"},
            "orders": [error.as_dict() for error in errors],
            "provenance": provenance.as_dict(),
        },
    )


def _lights(lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Directions, irradiances and weights of the lamps, as `fit_light` wants them.

    The photographs of all lamps have about the same noise, so that light / irradiance has a weight of irradiance^2;
    after the division by a flat board, the lamps' differences are gone and the weights are equal.
    """
    if lamps.model == "distant":
        toward, irradiance = lamp_field(lamps, np.zeros(1), np.zeros(1))
        toward, irradiance = toward[:, :, 0, 0], irradiance[:, 0, 0]
    else:
        toward, irradiance = lamp_field(lamps, x_mm, y_mm)
    return toward, irradiance, np.ones_like(irradiance) if lamps.flat_divided else irradiance**2


def _judge_orders(light: Stack, lamps: LampSet, threads: int, tile_px: int) -> tuple[OrderError, ...]:
    """Error on left-out lamps of every order that can be tried, on an even lattice of the field's pixels."""
    rows, cols = light.grid.shape
    step = int(np.ceil(np.sqrt(rows * cols / JUDGED_PX)))
    out, orders = left_out_lamps(len(lamps.names)), orders_to_try(len(lamps.names))
    lattice = (-(-rows // step), -(-cols // step))
    measured = np.full((len(out), *lattice), np.nan, np.float32)
    predicted = np.full((len(orders), *measured.shape), np.nan, np.float32)

    def judge_tile(tile: Tile) -> None:
        core = tile.core
        first_row, first_col = -core.row0 % step, -core.col0 % step
        values = light.read(core)[:, first_row::step, first_col::step]
        if not values.size:
            return
        row, col = (core.row0 + first_row) // step, (core.col0 + first_col) // step
        at = np.s_[row : row + values.shape[1], col : col + values.shape[2]]
        x_mm, y_mm = light.grid.x_mm(core)[first_col::step], light.grid.y_mm(core)[first_row::step]
        directions, irradiance, weight = _lights(lamps, x_mm, y_mm)
        measured[:, *at] = values[out]
        for index, order in enumerate(orders):
            predicted[index, :, *at] = predict_left_out(values, directions, irradiance, weight, order)

    for_each(judge_tile, tiles(light.grid.shape, tile_px), "fit-relighting, lamps left out", threads)
    left_out = tuple(lamps.names[index] for index in out)
    return tuple(judge(order, left_out, measured, predicted[index]) for index, order in enumerate(orders))


def _choose(order: int | None, errors: tuple[OrderError, ...], lamps: int) -> tuple[int, list[str]]:
    """The order to store, and what a reader should know about it."""
    notes: list[str] = []
    known = [error for error in errors if np.isfinite(error.relative_rms)]
    if not known:
        notes.append("no pixel is seen under enough lamps to judge the model on lamps left out")
    if order is None:
        best = min(known or errors, key=lambda error: error.relative_rms).order
        if best < 2:
            best = highest_order(lamps, 1)
            notes.append(f"{lamps} lamps are too few for order 2: order {best} is stored, whose lobe is far too smooth")
    else:
        best = highest_order(lamps, order)
    if order is not None and best < order:
        notes.append(
            f"order {order} has {coefficient_count(order)} coefficients, more than the {lamps} lamps: {best} is stored"
        )
    if known and best not in {error.order for error in errors}:
        notes.append(f"order {best} could not be tried on lamps left out, for want of lamps")
    return best, notes
