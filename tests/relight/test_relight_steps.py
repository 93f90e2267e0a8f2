import numpy as np
import pytest

from lightdome.errors import LampError, RelightError
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet, directions
from lightdome.provenance import Provenance
from lightdome.raster import Grid
from lightdome.relight.steps import fit_relighting
from lightdome.store import read_json, read_raster, stack_writer, write_json
from lightdome.tiles import tiles

MADE = Provenance("test", {}, {})


def ring_lamps(count, model="near", power=1.0):
    step = np.arange(count) + 0.5
    vectors = directions(step * 137.50776 % 360, 20 + 50 * step / count)
    return LampSet(
        names=tuple(f"L{number}" for number in range(count)),
        model=model,
        vectors=vectors * 250 if model == "near" else vectors,
        power=np.linspace(0.8, 1.2, count) * power,
        u_vectors=np.full(count, np.nan),
        beam_exponent=1.0 if model == "near" else 0.0,
        flat_divided=False,
        camera_distance_mm=None,
        how_known="table",
    )


def write_field(folder, lamps, shape=(70, 90), clip=True):
    """A stack of a plate with a low sine relief, diffuse and with a broad lobe, and its lamps."""
    grid = Grid(shape, 0.5)
    toward, irradiance = lamp_field(lamps, grid.x_mm(), grid.y_mm())
    normals = np.stack([0.1 * np.sin(np.arange(shape[1]) / 5), np.zeros(shape[1]), np.ones(shape[1])])
    normals = (normals / np.linalg.norm(normals, axis=0))[:, None, :]
    cosine = np.clip((toward * normals).sum(axis=1), 0, None)
    light = (irradiance * (0.2 * cosine + 0.4 * cosine**3)).astype(np.float32)
    if clip:
        light[2, 5:9, 5:9] = np.nan
        light[:, -4:, -4:] = np.nan
    folder.mkdir(parents=True, exist_ok=True)
    with stack_writer(folder / "stack.zarr.zip", grid, lamps.names, {}, MADE) as writer:
        for tile in tiles(shape, 256):
            part = light[:, *tile.core.slices]
            writer.write(part, np.repeat(part.mean(axis=0)[None], 3, axis=0), tile.core)
    write_json(folder / "lamps.json", lamps.as_dict())
    return folder


def fit(folder, **settings):
    """Coefficients and quality, without a lobe if none is there."""
    if not (folder / "lobe.json").exists():
        write_json(folder / "lobe.json", {"method": "robust", "lobe": None})
    fit_relighting(
        folder / "stack.zarr.zip",
        folder / "lamps.json",
        folder / "lobe.json",
        folder / "coefficients.tif",
        folder / "lobe.tif",
        folder / "quality.json",
        **settings,
    )
    return read_raster(folder / "coefficients.tif"), read_json(folder / "quality.json")


@pytest.mark.parametrize("model", ["near", "distant"])
def test_the_tile_size_changes_no_coefficient_and_no_error(tmp_path, model):
    folder = write_field(tmp_path, ring_lamps(24, model))
    whole, quality = fit(folder)
    for tile_px in (17, 64):
        tiled, again = fit(folder, tile_px=tile_px)
        np.testing.assert_allclose(tiled.values, whole.values, rtol=1e-5, atol=1e-6)
        for order, same in zip(quality["orders"], again["orders"], strict=True):
            assert order["psnr_db"] == pytest.approx(same["psnr_db"], abs=1e-3)
    assert np.isnan(whole.values[:, -4:, -4:]).all()
    assert np.isfinite(whole.values[:, :-4, :-4]).all()


def test_near_lamps_of_a_flat_even_plate_give_even_coefficients(tmp_path):
    """Falloff and changing directions are taken out, so that a matte flat plate looks the same at every pixel."""
    lamps = ring_lamps(32)
    folder = tmp_path / "flat"
    folder.mkdir()
    grid = Grid((40, 60), 2.0)
    toward, irradiance = lamp_field(lamps, grid.x_mm(), grid.y_mm())
    light = 0.5 * irradiance * toward[:, 2]
    with stack_writer(folder / "stack.zarr.zip", grid, lamps.names, {}, MADE) as writer:
        writer.write(light, np.zeros((3, *grid.shape)), grid.window)
    write_json(folder / "lamps.json", lamps.as_dict())
    coefficients, quality = fit(folder, order=2)
    assert light.std(axis=(1, 2)).max() / light.mean() > 0.1
    # the order-1 term along z of 0.5 z: 0.5 z = 0.25 (z' + 1), and H_10 = sqrt(3 / 2 pi) z' (closed form)
    expected = {"l0_m0": 0.25 * np.sqrt(2 * np.pi), "l1_m0": 0.25 * np.sqrt(2 * np.pi / 3)}
    for name, value in expected.items():
        np.testing.assert_allclose(coefficients.band(name), value, rtol=0.01)
    assert quality["orders"][0]["psnr_db"] > 45


def test_quality_names_every_sixth_lamp_both_orders_and_where_it_comes_from(tmp_path):
    _, quality = fit(write_field(tmp_path, ring_lamps(30)))
    assert quality["left_out"] == ["L5", "L11", "L17", "L23", "L29"]
    assert [order["order"] for order in quality["orders"]] == [2, 3]
    assert all(len(order["lamps"]) == 5 for order in quality["orders"])
    best = max(quality["orders"], key=lambda order: order["psnr_db"])
    assert quality["order"] == best["order"]
    assert set(quality["provenance"]["sources"]) == {"stack.zarr.zip", "lamps.json", "lobe.json"}
    assert quality["units"]["psnr_db"] == "dB"


def test_an_order_that_the_lamps_do_not_carry_is_lowered_with_a_note(tmp_path):
    coefficients, quality = fit(write_field(tmp_path, ring_lamps(10)), order=3)
    assert len(coefficients.bands) == 9
    assert coefficients.bands[4].name == "l2_m-2"
    assert "order 3" in quality["notes"][0]


def test_four_lamps_still_give_a_model_and_a_note(tmp_path):
    coefficients, quality = fit(write_field(tmp_path, ring_lamps(4), clip=False))
    assert [band.name for band in coefficients.bands] == ["l0_m0", "l1_m-1", "l1_m0", "l1_m1"]
    assert "to judge the model on lamps left out" in quality["notes"][0]
    assert "too few for order 2" in quality["notes"][1]


def test_an_order_that_does_not_exist_is_refused_before_anything_is_written(tmp_path):
    folder = write_field(tmp_path, ring_lamps(12))
    with pytest.raises(RelightError, match="order must be 2 or 3"):
        fit(folder, order=5)
    assert not (folder / "coefficients.tif").exists()


def test_lamps_of_another_stack_are_refused(tmp_path):
    folder = write_field(tmp_path, ring_lamps(12))
    write_json(folder / "lamps.json", ring_lamps(11).as_dict())
    with pytest.raises(RelightError, match="run locate-lamps again"):
        fit(folder)
    write_json(folder / "lamps.json", {"model": "near"})
    with pytest.raises(LampError, match="is not what locate-lamps writes"):
        fit(folder)
