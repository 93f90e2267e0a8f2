"""The lobe model of a pixel: fitted, drawn, packed, predicted on lamps left out."""

from dataclasses import replace

import numpy as np
import pytest

from lightdome.errors import ProductError, RelightError
from lightdome.lights.field import lamp_field, view_field
from lightdome.lights.lamps import LampSet, directions
from lightdome.provenance import Provenance
from lightdome.raster import Grid
from lightdome.relight.lobe import ASSUMED, HEADROOM, fit_lobe_model
from lightdome.relight.pack import BITS, BYTES, pack, ranges_of, unpack
from lightdome.relight.render import BANDS, render_lobe
from lightdome.relight.steps import fit_relighting
from lightdome.store import read_json, read_raster, stack_writer, write_json
from lightdome.surface.lobe import Lobe, family_table, reflect, stretch
from lightdome.tiles import tiles

NOISE = np.array([1e-6, 0.0, 4e-4, 0.0])
BRUSHED = Lobe(family_table(3.0), 0.2, np.array(stretch(np.array(1.5), np.radians(30.0))), 0.35, NOISE)
GRID = Grid((40, 56), 0.5)


def dome(count, model="near", camera_distance_mm=300.0):
    step = np.arange(count) + 0.5
    vectors = directions(step * 137.50776 % 360, 15 + 60 * step / count)
    return LampSet(
        names=tuple(f"L{number}" for number in range(count)),
        model=model,
        vectors=vectors * 250 if model == "near" else vectors,
        power=np.linspace(0.3, 0.4, count),
        u_vectors=np.full(count, np.nan),
        beam_exponent=0.0,
        flat_divided=False,
        camera_distance_mm=camera_distance_mm,
        how_known="table",
    )


def plate(shape=GRID.shape):
    """Slopes (2, rows, columns) and reflectance (5, rows, columns) of waves in a metal that is duller to the right."""
    rows, cols = np.meshgrid(*(np.arange(side) for side in shape), indexing="ij")
    slopes = np.stack([0.12 * np.sin(cols / 6), 0.1 * np.cos(rows / 5)])
    gloss = cols / shape[1]
    brushed = np.full(shape, 1.5), np.full(shape, 30.0)
    return slopes, np.stack([0.1 + 0.1 * gloss, 0.5 - 0.2 * gloss, 0.3 + 0.1 * gloss, *brushed])


def light_of(lamps, lobe=BRUSHED):
    """(L, rows, columns), by the reference function of the lobe."""
    toward, irradiance = lamp_field(lamps, GRID.x_mm(), GRID.y_mm())
    slopes, reflectance = plate()
    view = view_field(lamps, GRID.x_mm(), GRID.y_mm())
    return (irradiance * reflect(lobe, toward, view, *slopes, reflectance)).astype(np.float32)


def write_field(folder, lamps, light, lobe):
    with stack_writer(folder / "stack.zarr.zip", GRID, lamps.names, {}, Provenance("test", {}, {})) as writer:
        for tile in tiles(GRID.shape, 256):
            part = light[:, *tile.core.slices]
            writer.write(part, np.zeros((3, *part.shape[1:])), tile.core)
    write_json(folder / "lamps.json", lamps.as_dict())
    write_json(folder / "lobe.json", {"method": "microfacet", "lobe": None if lobe is None else lobe.as_dict()})


def fit(folder, **settings):
    reads = (folder / name for name in ("stack.zarr.zip", "lamps.json", "lobe.json"))
    writes = (folder / name for name in ("coefficients.tif", "lobe.tif", "quality.json"))
    fit_relighting(*reads, *writes, **settings)
    return read_raster(folder / "lobe.tif"), read_json(folder / "quality.json")


@pytest.mark.parametrize("model", ["near", "distant"])
def test_light_of_a_lobe_is_predicted_on_lamps_left_out(tmp_path, model):
    lamps = dome(36, model)
    write_field(tmp_path, lamps, light_of(lamps), BRUSHED)
    fitted, quality = fit(tmp_path)
    slopes, reflectance = plate()
    assert quality["model"] == "lobe"
    assert quality["lobe"]["how_known"] == "fitted"
    assert quality["lobe"]["psnr_db"] > 45
    assert quality["lobe"]["packed"]["psnr_db"] > 38
    assert quality["lobe"]["psnr_db"] > max(order["psnr_db"] for order in quality["orders"]) + 6
    assert [band.name for band in fitted.bands] == list(BANDS)
    for name, truth in zip(BANDS[:5], [*slopes, *reflectance[:3]], strict=True):
        assert np.median(np.abs(fitted.band(name) - truth)) < 0.01, name
    stored = Lobe.from_dict(quality["lobe"]["lobe"])
    np.testing.assert_allclose(stored.table, BRUSHED.table)
    np.testing.assert_allclose(stored.stretched, BRUSHED.stretched)


def test_the_lobe_left_of_the_fit_says_what_reflect_says_under_any_lamp():
    """Lamps that are in no stack, one a quarter turn from the other: an axis or a sign that is wrong would show."""
    lamps = dome(60)
    x_mm, y_mm = GRID.x_mm(), GRID.y_mm()
    toward, irradiance = lamp_field(lamps, x_mm, y_mm)
    view = view_field(lamps, x_mm, y_mm)
    model = fit_lobe_model(light_of(lamps), toward, irradiance, irradiance**2, view, BRUSHED)
    slopes, reflectance = plate()
    for azimuth_deg in (20.0, 110.0, 200.0):
        distant = directions(np.array(azimuth_deg), np.array(50.0))
        expected = reflect(
            BRUSHED, np.broadcast_to(distant[None, :, None, None], toward[:1].shape), view, *slopes, reflectance
        )
        found = render_lobe(model, BRUSHED, distant, view)
        assert np.sqrt(np.mean((found - expected[0]) ** 2)) < 0.01 * expected.max()
        near = np.broadcast_to(distant[:, None, None], view.shape)
        np.testing.assert_allclose(render_lobe(model, BRUSHED, near, view), found, rtol=1e-4, atol=1e-6)


def test_a_slope_brightens_toward_the_lamp_that_it_faces():
    # z rises with x: the surface faces -x, and so a lamp at -x is the brighter one
    model = np.zeros((len(BANDS), 1))
    model[:6, 0] = 0.2, 0.0, 0.3, 0.2, 0.3, 5.0
    up = np.array([0.0, 0.0, 1.0])
    left, right = (render_lobe(model, ASSUMED, directions(np.array(at), np.array(45.0)), up) for at in (180.0, 0.0))
    assert left > 1.5 * right


def test_light_is_within_its_limit_and_never_below_zero():
    model = np.zeros((len(BANDS), 2))
    model[:6] = np.array([0.0, 0.0, 0.3, 0.9, 0.1, 2.0])[:, None]
    model[6, 1] = -20.0
    up = np.array([0.0, 0.0, 1.0])
    assert render_lobe(model, ASSUMED, up, up) == pytest.approx([2.0, 0.0])


def test_what_the_lobe_does_not_explain_goes_to_the_residual():
    """A matte sheen from one side, beside the lobe: with the residual, lamps left out are predicted; without, not."""
    lamps = dome(48, "distant", None)
    toward, irradiance = lamp_field(lamps, GRID.x_mm(), GRID.y_mm())
    light = light_of(lamps) + 0.15 * irradiance * (1 + toward[:, 0])
    view = view_field(lamps, GRID.x_mm(), GRID.y_mm())
    model = fit_lobe_model(
        light[1:], toward[1:, :, 0, 0], irradiance[1:, 0, 0], irradiance[1:, 0, 0] ** 2, view, BRUSHED
    )
    bare = model.copy()
    bare[6:] = 0
    error, without = (
        np.sqrt(np.mean((light[0] - irradiance[0] * render_lobe(each, BRUSHED, toward[0], view)) ** 2))
        for each in (model, bare)
    )
    assert error < 0.5 * without


def test_pixels_that_are_masked_are_unknown_and_clipped_samples_are_left_out():
    lamps = dome(40)
    light = light_of(lamps)
    light[:, 3, 4] = np.nan
    light[4:, 3, 5] = np.nan
    light[:37, 3, 6] = np.nan
    light[7, 5, 5] = np.nan
    toward, irradiance = lamp_field(lamps, GRID.x_mm(), GRID.y_mm())
    view = view_field(lamps, GRID.x_mm(), GRID.y_mm())
    model = fit_lobe_model(light, toward, irradiance, irradiance**2, view, BRUSHED)
    assert np.isnan(model[:, 3, [4, 6]]).all()
    assert np.isfinite(model[:, 3, 5]).all()
    assert np.isfinite(model[:, 4:]).all()
    brightest = np.nanmax((light / irradiance)[:, 4:], axis=0)
    np.testing.assert_allclose(model[5, 4:], HEADROOM * brightest, rtol=1e-5)


def test_twelve_bytes_hold_a_pixel_to_half_a_step():
    rng = np.random.default_rng(3)
    known = rng.uniform(-1, 1, (len(BANDS), 20, 30)).astype(np.float32)
    known[2:6] = np.abs(known[2:6]) + 0.05
    known[:, 4, 5] = np.nan
    known[6:, 0, 0] = 0
    ranges = ranges_of(known)
    packed = pack(known, ranges)
    assert packed.shape == (12, 20, 30) == (BYTES, 20, 30)
    assert packed.dtype == np.uint8
    again = unpack(packed, ranges)
    assert np.isnan(again[:, 4, 5]).all()
    assert np.isfinite(again).all(axis=0).sum() == 599
    assert (again[6:, 0, 0] == 0).all()
    curves = {"roughness": np.log} | dict.fromkeys(("diffuse", "specular", "limit"), np.sqrt)
    for name, before, after in zip(BANDS, known, again, strict=True):
        low, high = ranges[name]
        curve = curves.get(name, np.asarray)
        step = (curve(high) - curve(low)) / (2 ** BITS[name] - 2)
        assert np.nanmax(np.abs(curve(after) - curve(np.clip(before, low, high)))) <= 0.51 * step, name


def test_packing_of_a_field_of_which_nothing_is_known():
    unknown = np.full((len(BANDS), 3, 3), np.nan, np.float32)
    ranges = ranges_of(unknown)
    assert np.isnan(unpack(pack(unknown, ranges), ranges)).all()


@pytest.mark.parametrize("model", ["near", "distant"])
def test_the_tile_size_changes_no_bit_of_the_lobe_model(tmp_path, model):
    lamps = dome(24, model)
    write_field(tmp_path, lamps, light_of(lamps), BRUSHED)
    whole, quality = fit(tmp_path)
    for tile_px, threads in ((17, 2), (32, 1)):
        tiled, again = fit(tmp_path, tile_px=tile_px, threads=threads)
        np.testing.assert_array_equal(tiled.values[:6], whole.values[:6])
        if model == "near":
            np.testing.assert_array_equal(tiled.values, whole.values)
        # distant lamps share one matrix product, whose rounding depends on its shape
        np.testing.assert_allclose(tiled.values, whole.values, rtol=1e-5, atol=1e-6)
        assert again["lobe"]["psnr_db"] == pytest.approx(quality["lobe"]["psnr_db"], abs=1e-3)


def test_without_a_lobe_one_is_assumed_and_judged_on_the_same_lamps(tmp_path):
    lamps = dome(36)
    isotropic = replace(ASSUMED, diffuse_curvature=0.1)
    write_field(tmp_path, lamps, light_of(lamps, isotropic), None)
    fitted, quality = fit(tmp_path)
    assert quality["lobe"]["how_known"] == "assumed"
    assert Lobe.from_dict(quality["lobe"]["lobe"]).as_dict() == ASSUMED.as_dict()
    assert np.isfinite(fitted.values).all()
    lamps_of = [[lamp["lamp"] for lamp in error["lamps"]] for error in (*quality["orders"], quality["lobe"])]
    assert lamps_of == [quality["left_out"]] * 3
    best = max(order["psnr_db"] for order in quality["orders"])
    assert (quality["model"] == "lobe") == (quality["lobe"]["psnr_db"] > best)


def test_harmonics_are_recommended_where_they_predict_better(tmp_path):
    """Light that no lobe has: two opposite sides bright, the zenith dark."""
    lamps = dome(48)
    toward, irradiance = lamp_field(lamps, GRID.x_mm(), GRID.y_mm())
    write_field(tmp_path, lamps, (irradiance * (0.05 + toward[:, 0] ** 2)).astype(np.float32), BRUSHED)
    _, quality = fit(tmp_path)
    assert quality["model"] == "hemispherical harmonics"
    assert quality["lobe"]["psnr_db"] < max(order["psnr_db"] for order in quality["orders"])


def test_a_lobe_file_that_is_missing_or_of_another_shape_is_named(tmp_path):
    lamps = dome(12)
    write_field(tmp_path, lamps, light_of(lamps), BRUSHED)
    short = BRUSHED.as_dict() | {"table": [1.0, 1.0]}
    for facts in ({"method": "microfacet"}, {"lobe": {}}, {"lobe": [1]}, {"lobe": short}):
        write_json(tmp_path / "lobe.json", facts)
        with pytest.raises(RelightError, match=r"lobe\.json: .*run solve-normals again"):
            fit(tmp_path)
    (tmp_path / "lobe.json").write_text("[]")
    with pytest.raises(RelightError, match=r"lobe\.json"):
        fit(tmp_path)
    (tmp_path / "lobe.json").unlink()
    with pytest.raises(ProductError, match=r"lobe\.json"):
        fit(tmp_path)
    assert not list(tmp_path.glob("*.tif"))
