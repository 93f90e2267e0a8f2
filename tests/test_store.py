"""Products appear whole or not at all, and open in any GIS. Layout checked by rio-cogeo, an outside validator."""

import contextlib
import json
import os
import subprocess
import sys

import numpy as np
import pytest
import rasterio
import tifffile
from rio_cogeo import cog_validate

from lightdome import store
from lightdome.errors import ProductError
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster, Window
from lightdome.tiles import tiles

ORIGIN = Provenance("solve-normals", {"method": "robust"}, {})


def two_bands(shape=(700, 900), pitch_mm=0.05):
    values = np.random.default_rng(1).normal(size=(2, *shape)).astype(np.float32)
    values[0, :3] = np.nan
    return Raster(values, Grid(shape, pitch_mm), (Band("nx", "1"), Band("height", "um")))


def test_a_raster_comes_back_as_it_was(tmp_path):
    raster = two_bands()
    store.write_raster(tmp_path / "a.tif", raster, ORIGIN)
    back = store.read_raster(tmp_path / "a.tif")
    assert np.array_equal(back.values, raster.values, equal_nan=True)
    assert back.grid == raster.grid
    assert back.bands == raster.bands
    assert os.listdir(tmp_path) == ["a.tif"]


@pytest.mark.parametrize("dtype", ["float32", "uint8"])
def test_rasters_are_cloud_optimized_geotiff(tmp_path, dtype):
    raster = Raster(np.ones((1, 1100, 1300), dtype), Grid((1100, 1300), 0.02), (Band("class", "1"),))
    store.write_raster(tmp_path / "a.tif", raster, ORIGIN, dtype)
    valid, errors, warnings = cog_validate(tmp_path / "a.tif")
    assert valid, errors
    assert not warnings
    with rasterio.open(tmp_path / "a.tif") as dataset:
        assert dataset.dtypes == (dtype,)
        assert dataset.overviews(1)
        assert dataset.profile["tiled"]


def test_tags_say_unit_pitch_place_and_origin(tmp_path):
    raster = two_bands((60, 80), 0.05)
    store.write_raster(tmp_path / "a.tif", raster, ORIGIN)
    with rasterio.open(tmp_path / "a.tif") as dataset:
        assert dataset.descriptions == ("nx", "height")
        assert dataset.units == ("1", "um")
        assert np.isnan(dataset.nodata)
        assert ",0.001]" in dataset.crs.to_wkt()  # one unit is a thousandth of a metre
        # the centre of pixel (row 0, column 0) by rasterio's own transform: x = (0.5 - W/2) p, y = (H/2 - 0.5) p
        assert dataset.xy(0, 0) == pytest.approx((-1.975, 1.475))
        assert json.loads(dataset.tags()["LIGHTDOME_PROVENANCE"])["settings"] == {"method": "robust"}
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert file.pages[0].asarray().shape[:2] == (60, 80)


def test_windows_written_in_any_order_make_the_same_raster(tmp_path):
    raster = two_bands()
    with store.raster_writer(tmp_path / "a.tif", raster.grid, raster.bands, ORIGIN) as writer:
        for tile in reversed(tiles(raster.grid.shape, 200)):
            writer.write(raster.values[:, *tile.core.slices], tile.core)
    with store.open_raster(tmp_path / "a.tif") as reader:
        assert np.array_equal(reader.read(), raster.values, equal_nan=True)
        window = Window(10, 50, 600, 900)
        assert np.array_equal(reader.read(window, ["height"])[0], raster.values[1][window.slices])


def test_a_reduced_reading_is_the_mean(tmp_path):
    raster = Raster(np.full((1, 1024, 2048), 7, np.float32), Grid((1024, 2048), 0.1), (Band("height", "um"),))
    store.write_raster(tmp_path / "a.tif", raster, ORIGIN)
    with store.open_raster(tmp_path / "a.tif") as reader:
        small = reader.read_reduced(256)
    assert small.shape == (1, 128, 256)
    assert (small == 7).all()


def test_an_overview_is_the_mean_of_what_is_known(tmp_path):
    raster = two_bands((1100, 600))
    store.write_raster(tmp_path / "a.tif", raster, ORIGIN)
    with rasterio.open(tmp_path / "a.tif", overview_level=0) as dataset:
        half = dataset.read()
    fours = raster.values.reshape(2, 550, 2, 300, 2)
    known = np.isfinite(fours).any(axis=(2, 4))
    assert np.array_equal(np.isfinite(half), known)
    # numpy's own mean over the known ones of each two by two pixels
    mean = np.ma.masked_invalid(fours).mean(axis=(2, 4))
    assert half[known] == pytest.approx(mean[known].filled(), abs=1e-5)


def test_a_failed_step_leaves_nothing(tmp_path):
    raster = two_bands((60, 80))
    with (
        pytest.raises(ValueError, match="half way"),
        store.raster_writer(tmp_path / "a.tif", raster.grid, raster.bands, ORIGIN) as writer,
    ):
        writer.write(raster.values)
        raise ValueError("half way")
    assert os.listdir(tmp_path) == []


def test_a_failed_step_keeps_the_product_of_before(tmp_path):
    store.write_text(tmp_path / "a.html", "old")
    with pytest.raises(ValueError, match="half way"), store.beside(tmp_path / "a.html") as part:
        part.write_text("new")
        raise ValueError("half way")
    assert (tmp_path / "a.html").read_text() == "old"


def test_what_a_killed_writer_left_is_swept_by_the_next(tmp_path):
    code = (
        "import os, signal, sys; from pathlib import Path; from lightdome.store import beside\n"
        "with beside(Path(sys.argv[1])) as part:\n"
        "    part.write_text('half'); os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    killed = subprocess.run([sys.executable, "-c", code, str(tmp_path / "a.json")], check=False)
    assert killed.returncode == -9
    assert [name.endswith(".part") for name in os.listdir(tmp_path)] == [True]
    store.write_json(tmp_path / "a.json", {"depth_um": 3})
    assert os.listdir(tmp_path) == ["a.json"]


def test_what_a_killed_raster_writer_left_is_swept_too(tmp_path):
    host = os.uname().nodename
    (tmp_path / f".a.tif.{host}.999999999.scratch.part").write_bytes(b"left")
    store.write_raster(tmp_path / "a.tif", two_bands((60, 80)), ORIGIN)
    assert os.listdir(tmp_path) == ["a.tif"]


@pytest.mark.parametrize("fails", [False, True])
def test_scratch_vanishes_however_its_block_ends(tmp_path, fails):
    with contextlib.suppress(ValueError), store.scratch(tmp_path / "planes") as path:
        path.write_bytes(b"meanwhile")
        if fails:
            raise ValueError("half way")
    assert os.listdir(tmp_path) == []


def test_a_full_disk_is_said_in_one_sentence(tmp_path):
    with pytest.raises(ProductError, match="disk is full"), store.beside(tmp_path / "a.tif"):
        # /dev/full is the kernel's own full disk
        with open("/dev/full", "wb", buffering=0) as full:  # noqa: PTH123
            full.write(b"x")
    assert os.listdir(tmp_path) == []


def test_a_disk_without_room_is_refused_before_the_work(tmp_path):
    store.check_room(tmp_path / "new/s.zarr.zip", 1)
    with pytest.raises(ProductError, match=r"s\.zarr\.zip: the disk is full: 1000000000.0 GB are needed"):
        store.check_room(tmp_path / "new/s.zarr.zip", 10**18)
    (tmp_path / "file").write_text("")
    with pytest.raises(ProductError, match="check the results folder"):
        store.check_room(tmp_path / "file/s.zarr.zip", 1)


@pytest.mark.parametrize("content", [b"", b"II*\x00 no more", b"plain text"])
def test_a_damaged_raster_is_named(tmp_path, content):
    (tmp_path / "a.tif").write_bytes(content)
    with (
        pytest.raises(ProductError, match=r"a\.tif: cannot be read as a raster"),
        store.open_raster(tmp_path / "a.tif"),
    ):
        pass


def test_a_stack_holds_all_lamps_of_a_block(tmp_path):
    light = np.random.default_rng(2).random((5, 300, 280), np.float32)
    light[2, 5, 5] = np.nan
    grid = Grid((300, 280), 0.05)
    with store.stack_writer(tmp_path / "s.zarr.zip", grid, list("abcde"), {"flat_divided": False}, ORIGIN) as writer:
        for tile in tiles(grid.shape, store.STACK_BLOCK_PX):
            writer.write(light[:, *tile.core.slices], np.zeros((3, *tile.core.shape)), tile.core)
    with store.open_stack(tmp_path / "s.zarr.zip") as stack:
        assert stack.lamps == ("a", "b", "c", "d", "e")
        assert stack.grid == grid
        assert stack.attrs["flat_divided"] is False
        assert np.array_equal(stack.read(), light, equal_nan=True)
        assert np.array_equal(stack.read(Window(250, 290, 3, 9)), light[:, 250:290, 3:9])
        assert (stack.read_colour() == 0).all()
    assert os.listdir(tmp_path) == ["s.zarr.zip"]


def test_a_damaged_stack_is_named(tmp_path):
    (tmp_path / "s.zarr.zip").write_bytes(b"PK\x03\x04 cut off")
    with (
        pytest.raises(ProductError, match=r"s\.zarr\.zip: cannot be read as a stack"),
        store.open_stack(tmp_path / "s.zarr.zip"),
    ):
        pass


def test_json_refuses_what_json_cannot_hold(tmp_path):
    with pytest.raises(ValueError, match="not JSON compliant"):
        store.write_json(tmp_path / "a.json", {"depth_um": float("nan")})
    assert os.listdir(tmp_path) == []


def test_damaged_json_is_named(tmp_path):
    (tmp_path / "a.json").write_text('{"lamps": [')
    with pytest.raises(ProductError, match=r"a\.json: cannot be read as JSON"):
        store.read_json(tmp_path / "a.json")


def test_tables_leave_unknown_empty(tmp_path):
    store.write_table(tmp_path / "a.csv", ["id", "depth_um"], [{"id": "m1", "depth_um": None}])
    assert (tmp_path / "a.csv").read_text() == "id,depth_um\nm1,\n"
