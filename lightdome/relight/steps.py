"""The steps of this word: paths in, paths out."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lightdome.errors import RelightError, SurfaceError
from lightdome.lights.field import lamp_field, view_field
from lightdome.lights.lamps import LampSet
from lightdome.provenance import Provenance
from lightdome.raster import Band
from lightdome.relight.basis import coefficient_count, names
from lightdome.relight.fit import PENALTY, fit_light, highest_order
from lightdome.relight.left_out import ModelError, judge, left_out_lamps, orders_to_try, predict_left_out
from lightdome.relight.lobe import ASSUMED, fit_lobe_model
from lightdome.relight.pack import BITS, BYTES, pack, ranges_of, unpack
from lightdome.relight.render import BANDS, render_lobe
from lightdome.store import Stack, open_stack, raster_writer, read_json, write_json
from lightdome.surface.lobe import Lobe
from lightdome.tiles import Tile, for_each, tiles

TILE_PX = 256
STRIP_ROWS = 32
"""Rows of a tile whose lamp directions are in memory at a time."""
JUDGED_PX = 500_000
"""The error on left-out lamps is taken on an even lattice of at most about this many pixels."""
QUANTISED = (
    "packed: every band of the lobe model, as its bits and ranges say, the lobe itself, one for all pixels, not; "
    "orders: nothing, bytes_per_pixel is what a byte a coefficient takes"
)


@dataclass(frozen=True)
class Judged:
    """Errors of all models on the same left-out lamps and the same pixels."""

    orders: dict[int, ModelError]
    """Harmonics, by order."""
    lobe: ModelError
    packed: ModelError
    """Of the lobe model once it is held in `pack.BYTES` bytes a pixel."""
    ranges: dict[str, tuple[float, float]]
    """Of the packed bands."""


def fit_relighting(
    stack: Path,
    lamps: Path,
    lobe: Path,
    coefficients: Path,
    lobe_model: Path,
    quality: Path,
    *,
    order: int | None = None,
    threads: int = 1,
    tile_px: int = TILE_PX,
) -> None:
    """Two models of every pixel's light, harmonics and lobe, and their error on lamps left out.

    lobe : `surface/lobe.json`. Where it holds no lobe (a matte solver knows none), `relight/lobe.py` assumes one, and
    the lamps left out show whether that will do.

    Writes `coefficients` (bands l0_m0, l1_m-1, ...: order and degree, unit 1, of the light under a lamp of unit
    irradiance; luminance), `lobe_model` (bands `BANDS` of `relight/render.py`, unit 1) and `quality` (JSON; its "model"
    is the one with the smaller error, its "lobe" holds the lobe that the bands go with).

    order : of the harmonics, 2 or 3; None takes the one with the smaller error on left-out lamps. Lowered, with a note,
    where there are fewer lamps than coefficients.
    """
    if order not in (None, 2, 3):
        raise RelightError(f"fit_relighting: order must be 2 or 3, got {order}; correct the setting or leave it out")
    lamp_set = LampSet.from_dict(read_json(lamps))
    shape, how_known = _read_lobe(lobe)
    with open_stack(stack) as light:
        if light.lamps != lamp_set.names:
            raise RelightError(f"{lamps}: its lamps are not those of {stack.name}; run locate-lamps again")
        judged = _judge(light, lamp_set, shape, threads, tile_px)
        best, notes = _choose(order, judged.orders, len(lamp_set.names))
        provenance = Provenance.of("fit-relighting", [stack, lamps, lobe], {"order": order})
        bands = [Band(f"l{l_order}_m{degree}", "1") for l_order, degree in names(best)]
        lobe_bands = [Band(name, "1") for name in BANDS]
        with (
            raster_writer(coefficients, light.grid, bands, provenance) as to_coefficients,
            raster_writer(lobe_model, light.grid, lobe_bands, provenance) as to_lobe_model,
        ):

            def fit_tile(tile: Tile) -> None:
                values = light.read(tile.core)
                x_mm, y_mm = light.grid.x_mm(tile.core), light.grid.y_mm(tile.core)
                fitted = np.empty((coefficient_count(best), *values.shape[1:]), np.float32)
                model = np.empty((len(BANDS), *values.shape[1:]), np.float32)
                for row in range(0, len(y_mm), STRIP_ROWS):
                    part = slice(row, row + STRIP_ROWS)
                    lights = _lights(lamp_set, x_mm, y_mm[part])
                    fitted[:, part] = fit_light(values[:, part], *lights, best)
                    view = view_field(lamp_set, x_mm, y_mm[part])
                    model[:, part] = fit_lobe_model(values[:, part], *lights, view, shape)
                to_coefficients.write(fitted, tile.core)
                to_lobe_model.write(model, tile.core)

            for_each(fit_tile, tiles(light.grid.shape, tile_px), "fit-relighting", threads)
    write_json(
        quality,
        {
            "model": _recommended(judged),
            "order": best,
            "coefficients": coefficient_count(best),
            "chosen_by": "error on left-out lamps" if order is None else "setting",
            "penalty": PENALTY,
            "notes": notes,
            "left_out": [error.lamp for error in judged.lobe.lamps],
            "units": {"psnr_db": "dB", "rms": "1", "white": "1", "ranges": "1"},
            "quantised": QUANTISED,
            "orders": [
                {"order": key, "coefficients": coefficient_count(key), "bytes_per_pixel": coefficient_count(key)}
                | error.as_dict()
                for key, error in judged.orders.items()
            ],
            "lobe": {
                "how_known": how_known,
                "lobe": shape.as_dict(),
                **judged.lobe.as_dict(),
                "packed": {"bytes_per_pixel": BYTES, "bits": BITS, "ranges": judged.ranges, **judged.packed.as_dict()},
            },
            "provenance": provenance.as_dict(),
        },
    )


def _read_lobe(path: Path) -> tuple[Lobe, str]:
    """The plate's lobe and how it is known: fitted, or assumed where the file has none."""
    facts = read_json(path)
    if not isinstance(facts, dict) or "lobe" not in facts:
        raise RelightError(f"{path}: is not what solve-normals writes (it has no key 'lobe'); run solve-normals again")
    if facts["lobe"] is None:
        return ASSUMED, "assumed"
    try:
        return Lobe.from_dict(facts["lobe"]), "fitted"
    except SurfaceError as error:
        raise RelightError(f"{path}: {error}") from error


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


def _judge(light: Stack, lamps: LampSet, lobe: Lobe, threads: int, tile_px: int) -> Judged:
    """Error on left-out lamps of everything that can be tried, on an even lattice of the field's pixels."""
    rows, cols = light.grid.shape
    step = int(np.ceil(np.sqrt(rows * cols / JUDGED_PX)))
    out, orders = left_out_lamps(len(lamps.names)), orders_to_try(len(lamps.names))
    stay = np.setdiff1d(np.arange(len(lamps.names)), out)
    lattice = (-(-rows // step), -(-cols // step))
    measured = np.full((len(out), *lattice), np.nan, np.float32)
    by_order = {order: np.full_like(measured, np.nan) for order in orders}
    model = np.full((len(BANDS), *lattice), np.nan, np.float32)

    def fit_tile(tile: Tile) -> None:
        core = tile.core
        first_row, first_col = -core.row0 % step, -core.col0 % step
        values = light.read(core)[:, first_row::step, first_col::step]
        if not values.size:
            return
        row, col = (core.row0 + first_row) // step, (core.col0 + first_col) // step
        at = np.s_[row : row + values.shape[1], col : col + values.shape[2]]
        x_mm, y_mm = light.grid.x_mm(core)[first_col::step], light.grid.y_mm(core)[first_row::step]
        toward, irradiance, weight = _lights(lamps, x_mm, y_mm)
        measured[:, *at] = values[out]
        for order in orders:
            by_order[order][:, *at] = predict_left_out(values, toward, irradiance, weight, order)
        view = view_field(lamps, x_mm, y_mm)
        model[:, *at] = fit_lobe_model(values[stay], toward[stay], irradiance[stay], weight[stay], view, lobe)

    for_each(fit_tile, tiles(light.grid.shape, tile_px), "fit-relighting, lamps left out", threads)
    ranges = ranges_of(model)
    by_lobe, by_packed = np.empty_like(measured), np.empty_like(measured)
    x_mm, all_y_mm = light.grid.x_mm()[::step], light.grid.y_mm()[::step]

    def predict_rows(row: int) -> None:
        part = slice(row, row + STRIP_ROWS)
        exact = model[:, part]
        held = unpack(pack(exact, ranges), ranges)
        toward, irradiance, _ = _lights(lamps, x_mm, all_y_mm[part])
        view = view_field(lamps, x_mm, all_y_mm[part])
        for index, lamp in enumerate(out):
            by_lobe[index, part] = irradiance[lamp] * render_lobe(exact, lobe, toward[lamp], view)
            by_packed[index, part] = irradiance[lamp] * render_lobe(held, lobe, toward[lamp], view)

    for_each(predict_rows, range(0, lattice[0], STRIP_ROWS), "fit-relighting, predictions", threads)
    for predicted in (*by_order.values(), by_lobe):
        measured[~np.isfinite(predicted)] = np.nan  # all models are judged on the same pixels
    left_out = tuple(lamps.names[index] for index in out)
    return Judged(
        {order: judge(left_out, measured, predicted) for order, predicted in by_order.items()},
        judge(left_out, measured, by_lobe),
        judge(left_out, measured, by_packed),
        ranges,
    )


def _choose(order: int | None, errors: dict[int, ModelError], lamps: int) -> tuple[int, list[str]]:
    """The order of the harmonics to store, and what a reader should know about it."""
    notes: list[str] = []
    known = {tried: error.relative_rms for tried, error in errors.items() if np.isfinite(error.relative_rms)}
    if not known:
        notes.append("no pixel is seen under enough lamps to judge the model on lamps left out")
    if order is None:
        best = min(known, key=lambda tried: known[tried]) if known else min(errors)
        if best < 2:
            best = highest_order(lamps, 1)
            notes.append(f"{lamps} lamps are too few for order 2: order {best} is stored, whose lobe is far too smooth")
    else:
        best = highest_order(lamps, order)
    if order is not None and best < order:
        notes.append(
            f"order {order} has {coefficient_count(order)} coefficients, more than the {lamps} lamps: {best} is stored"
        )
    if known and best not in errors:
        notes.append(f"order {best} could not be tried on lamps left out, for want of lamps")
    return best, notes


def _recommended(judged: Judged) -> str:
    """Name of the model with the smaller error; the harmonics where nothing is known."""
    least = min((error.relative_rms for error in judged.orders.values()), default=float("nan"))
    return "lobe" if judged.lobe.relative_rms < least else "hemispherical harmonics"
