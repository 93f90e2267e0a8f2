"""Matte plates under a dome of lamps, as arrays and as the products that the steps read."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from lightdome import store
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet, directions
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster
from lightdome.tiles import tiles

BY_HAND = Provenance("by-hand", {}, {})


def dome(count, model="distant", u_vectors=np.nan, flat_divided=False):
    """Lamps evenly over elevations 25-75 degrees on a golden-angle spiral; near ones 250-300 mm away, unlike powers."""
    step = np.arange(count)
    vectors = directions(step * 137.50776 % 360, 25 + 50 * (step + 0.5) / count)
    if model == "near":
        vectors = vectors * (250 + 50 * np.cos(step))[:, None]
    power = np.ones(count) if flat_divided else 1 + 0.2 * np.sin(step)
    names = tuple(f"L{index:02d}" for index in step)
    return LampSet(names, model, vectors, power, np.full(count, u_vectors), 0.0, flat_divided, None, "table")


def matte_light(lamps, normal, reflectance, x_mm, y_mm):
    """Lambert's law, lamp by lamp: (L, rows, columns), nothing below the horizon of the normal."""
    toward, irradiance = lamp_field(lamps, x_mm, y_mm)
    return reflectance * irradiance * np.clip(np.einsum("lirc,irc->lrc", toward, normal), 0, None)


@dataclass
class Field:
    """Products of one field in a folder."""

    folder: Path

    @property
    def stack(self):
        return self.folder / "stack.zarr.zip"

    @property
    def lamps(self):
        return self.folder / "lamps.json"

    def write_stack(self, light, lamps, pitch_mm=0.05, flat_divided=False):
        grid = Grid(light.shape[1:], pitch_mm)
        with store.stack_writer(self.stack, grid, lamps.names, {"flat_divided": flat_divided}, BY_HAND) as writer:
            for tile in tiles(grid.shape, store.STACK_BLOCK_PX):
                part = light[:, *tile.core.slices]
                writer.write(part, np.repeat(part[:1], 3, axis=0), tile.core)
        store.write_json(self.lamps, lamps.as_dict())

    def write(self, name, values, bands, pitch_mm=0.05):
        grid = Grid(values.shape[1:], pitch_mm)
        raster = Raster(values.astype(np.float32), grid, tuple(Band(band, "1") for band in bands))
        store.write_raster(self.folder / name, raster, BY_HAND)
        return self.folder / name

    def read(self, name):
        return store.read_raster(self.folder / name).values


@pytest.fixture
def field(tmp_path):
    return Field(tmp_path)


@pytest.fixture(scope="session")
def lamp_dome():
    return dome


@pytest.fixture(scope="session")
def light_of():
    return matte_light
