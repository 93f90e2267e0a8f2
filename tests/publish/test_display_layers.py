import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import rasterio
from finished import Finished, build, made, write_finished, write_session
from rio_cogeo.cogeo import cog_validate

from lightdome.errors import WriteError
from lightdome.provenance import sha256_of
from lightdome.publish.coding import Encoded, Packed, Plain, Scaled
from lightdome.publish.display import cut_layers
from lightdome.publish.layers import Layer, NoLayer
from lightdome.publish.records import FieldFacts
from lightdome.raster import Band, Grid, Raster
from lightdome.relight.lobe import ASSUMED
from lightdome.relight.pack import BITS, ranges_of, unpack
from lightdome.relight.render import BANDS
from lightdome.session.records import FieldName
from lightdome.store import open_raster, open_stack, read_raster, stack_writer, write_raster
from lightdome.tiles import tiles

SCHEMA = json.loads(Path(__file__).with_name("plate.schema.json").read_text(encoding="utf-8"))
LAYERS = set(SCHEMA["$defs"]["field"]["properties"]["layers"]["propertyNames"]["enum"])


def manifest_of(page):
    return json.loads(page.with_name("plate.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    done = write_finished(tmp_path_factory.mktemp("small"))
    page = build(done)
    return done, page.parent, manifest_of(page)


WIDE = Grid((600, 1100), 0.02)
"""Two rows and three columns of tiles, and two overviews."""


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    """Layers of a field of several tiles with overviews, of noise and an unknown corner."""
    folder, review = tmp_path_factory.mktemp("wide") / "front/A", tmp_path_factory.mktemp("review")
    rng = np.random.default_rng(11)

    def put(file, bands, values):
        values = values.astype(np.float32)
        values[:, :100, :150] = np.nan
        write_raster(folder / file, Raster(values, WIDE, tuple(Band(*band) for band in bands)), made("test"))

    def noise(bands):
        return rng.normal(size=(bands, *WIDE.shape))

    normals = noise(3) * 0.2
    normals[2] = 1
    normals[0, 300, 300] = 60.0  # steeper than steps of 1e-4 can hold
    put("surface/normals.tif", [("nx", "1"), ("ny", "1"), ("nz", "1")], normals / np.linalg.norm(normals, axis=0))
    put("surface/height.tif", [("height", "um")], 8 * noise(1))
    put("surface/curvature.tif", [(name, "1/mm") for name in ("mean", "gaussian", "k1", "k2")], noise(4))
    model = noise(len(BANDS)) * 0.1
    model[2:6] = 0.2 + 0.5 * np.abs(model[2:6])
    put("relight/lobe.tif", [(name, "1") for name in BANDS], model)
    put("relight/coefficients.tif", [(f"band {index}", "1") for index in range(9)], noise(9) * 0.2)
    classes = (rng.random((1, *WIDE.shape)) < 0.1) * np.uint8(3)
    write_raster(folder / "marks/class.tif", Raster(classes, WIDE, (Band("class", "1"),)), made("test"), "uint8")
    with stack_writer(folder / "frames/stack.zarr.zip", WIDE, ["L1"], {}, made("test")) as writer:
        for tile in tiles(WIDE.shape, 256):
            colour = 0.1 + 0.2 * rng.random((3, *tile.core.shape))
            colour[:, :9, :9] = np.nan
            writer.write(colour[:1].astype(np.float32), colour.astype(np.float32), tile.core)
    relight = {
        "model": "lobe",
        "lobe": {"lobe": ASSUMED.as_dict(), "packed": {"bits": BITS, "ranges": ranges_of(model)}},
    }
    field = FieldFacts(FieldName("TP-017", "front", "A"), folder, None, None, None, None, relight, None, ())
    return folder, review, {layer.name: layer for layer in cut_layers(field, review)}


def test_the_manifest_is_what_the_page_is_promised(small):
    _, _, manifest = small
    jsonschema.validate(manifest, SCHEMA)
    (field,) = manifest["fields"]
    # the plain solver of this field finds no sheen
    assert set(field["layers"]) == LAYERS - {"specular", "roughness"}
    assert {item["layer"] for item in field["missing"]} == {"specular", "roughness"}
    assert field["model"] == "lobe"
    assert (field["shape"], field["pitch_mm"]) == ([60, 80], 0.05)
    assert field["lamps"]["model"] == "distant"
    assert field["lamps"]["lowest_deg"] == pytest.approx(20)
    assert field["lamps"]["used"][1]["azimuth_deg"] == pytest.approx(45)
    assert field["lobe"]["integral"] == pytest.approx(ASSUMED.integral)


def test_every_address_of_the_manifest_is_a_file(small):
    _, review, manifest = small
    (field,) = manifest["fields"]
    addresses = [layer["file"] for layer in field["layers"].values()] + [*field["measured"].values(), field["marks"]]
    assert len(addresses) == 11 + 7 + 1
    for address in addresses:
        assert (review / address).is_file(), address


def test_numbers_of_the_manifest_name_no_unit_twice(small):
    (field,) = small[2]["fields"]
    units = {name: layer["unit"] for name, layer in field["layers"].items()}
    assert units["height"] == units["height_uncertainty"] == "um"
    assert units["tilt_uncertainty"] == "deg"
    assert units["curvature"] == "1/mm"
    assert units["slopes"] == units["relight"] == "1"


def test_a_plate_of_which_nothing_was_made_has_a_manifest(tmp_path):
    done = Finished(write_session(tmp_path / "capture"), tmp_path / "results/tern-point-2031-05")
    manifest = manifest_of(build(done))
    jsonschema.validate(manifest, SCHEMA)
    (field,) = manifest["fields"]
    assert {item["layer"] for item in field["missing"]} == LAYERS
    assert field["shape"] is field["white"] is field["lobe"] is field["lamps"] is field["marks"] is None
    assert field["layers"] == field["measured"] == {}


def test_a_damaged_product_costs_its_own_layer_only(tmp_path):
    done = write_finished(tmp_path)
    (done.field / "relight/lobe.tif").write_bytes(b"not a raster")
    (done.field / "frames/stack.zarr.zip").write_bytes(b"cut off")
    (done.field / "surface/curvature.tif").write_bytes((done.field / "surface/height.tif").read_bytes())
    page = build(done)
    manifest = manifest_of(page)
    jsonschema.validate(manifest, SCHEMA)
    (field,) = manifest["fields"]
    why = {item["layer"]: item["why"] for item in field["missing"]}
    assert "cannot be read as a raster" in why["relight"]
    assert "cannot be read as a stack" in why["colour"]
    assert "no band mean" in why["curvature"]
    assert field["model"] == "harmonics"
    assert "height" in field["layers"]
    assert not list(page.parent.rglob("*.part"))


def test_a_layer_that_cannot_be_written_ends_the_step_and_leaves_no_page(tmp_path):
    done = write_finished(tmp_path)
    page = build(done)
    tile = page.with_name("tiles") / "front/A/height.tif"
    tile.unlink()
    tile.mkdir()
    with pytest.raises(WriteError, match=r"height\.tif: cannot be written"):
        build(done)
    assert not page.exists()
    assert not list(page.parent.rglob("*.part"))


def test_a_field_judged_better_by_harmonics_says_so(tmp_path):
    done = write_finished(tmp_path)
    quality = done.field / "relight/quality.json"
    quality.write_text(quality.read_text().replace('"lobe"', '"hemispherical harmonics"', 1))
    (field,) = manifest_of(build(done))["fields"]
    assert field["model"] == "harmonics"
    assert {"relight", "harmonics"} <= set(field["layers"])


def test_every_layer_is_a_valid_cloud_optimized_file(wide, small):
    _, review, layers = wide
    found = [review / layer.file for layer in layers.values() if isinstance(layer, Layer)]
    assert len(found) == 7
    for path in (*found, *small[1].rglob("tiles/*/*/*.tif")):
        valid, errors, warnings = cog_validate(str(path), quiet=True)
        assert valid, (path.name, errors)
        assert not warnings, (path.name, warnings)


def test_layers_are_laid_out_as_the_page_reads_them(wide):
    _, review, layers = wide
    forms = {
        "relight": ("uint8", 12, "zstd", None),
        "harmonics": ("int16", 9, "zstd", -32768),
        "colour": ("uint8", 3, "deflate", 0),
        "slopes": ("int16", 2, "zstd", -32768),
        "height": ("float32", 1, "lerc_zstd", -1e6),
        "curvature": ("int16", 1, "zstd", -32768),
        "classes": ("uint8", 1, "deflate", None),
    }
    assert forms.keys() == {name for name, layer in layers.items() if isinstance(layer, Layer)}
    for name, (dtype, bands, compression, unknown) in forms.items():
        with rasterio.open(review / layers[name].file) as dataset:
            profile = dataset.profile
            assert (profile["dtype"], profile["count"], profile["nodata"]) == (dtype, bands, unknown), name
            assert profile["compress"] == compression, name
            assert (profile["blockxsize"], profile["blockysize"], dataset.overviews(1)) == (512, 512, [2, 4]), name
            assert profile["interleave"] == ("pixel" if bands > 1 else "band"), name
            assert dataset.transform.a == pytest.approx(0.02)
            if dtype == "int16":
                coding = layers[name].coding.as_dict()
                assert list(dataset.scales) == coding["scale"], name
                assert list(dataset.offsets) == coding["offset"], name


def error_of(layer, review, exact):
    """Largest difference from the product; unknown must be the same pixels."""
    with rasterio.open(review / layer.file) as dataset:
        shown = layer.coding.values(dataset.read())
    assert np.array_equal(np.isnan(shown), np.isnan(exact))
    return float(np.nanmax(np.abs(shown - exact)))


@pytest.mark.parametrize(
    ("name", "file", "bands", "kind"),
    [
        ("height", "surface/height.tif", ["height"], Plain),
        ("curvature", "surface/curvature.tif", ["mean"], Scaled),
        ("harmonics", "relight/coefficients.tif", None, Scaled),
    ],
)
def test_a_layer_is_its_product_within_the_stated_error(wide, name, file, bands, kind):
    folder, review, layers = wide
    assert isinstance(layers[name].coding, kind)
    with open_raster(folder / file) as reader:
        error = error_of(layers[name], review, reader.read(bands=bands).astype(float))
    assert 0 < error <= layers[name].coding.max_error * (1 + 1e-3)


def test_slopes_are_those_of_the_normals_however_steep(wide):
    folder, review, layers = wide
    nx, ny, nz = read_raster(folder / "surface/normals.tif").values.astype(float)
    layer = layers["slopes"]
    assert np.nanmin(-nx / nz) == pytest.approx(-60, rel=1e-3)
    assert error_of(layer, review, np.stack([-nx / nz, -ny / nz])) <= layer.coding.max_error * (1 + 1e-3)
    # the legend is not widened by one pixel
    assert layer.high < 1
    assert layer.low == -layer.high


def test_colours_are_those_of_the_stack(wide):
    folder, review, layers = wide
    with open_stack(folder / "frames/stack.zarr.zip") as stack:
        exact = stack.read_colour().astype(float)
    layer = layers["colour"]
    assert isinstance(layer.coding, Encoded)
    exact = np.minimum(exact, layer.coding.white)
    assert error_of(layer, review, exact) <= layer.coding.max_error


@pytest.mark.parametrize("level", [None, 0, 1])
def test_the_packed_layer_is_the_averaged_lobe_model_at_every_level(wide, level):
    folder, review, layers = wide
    more = {} if level is None else {"overview_level": level}
    coding = layers["relight"].coding
    assert isinstance(coding, Packed)
    with (
        rasterio.open(review / layers["relight"].file, **more) as packed,
        rasterio.open(folder / "relight/lobe.tif", **more) as exact,
    ):
        assert packed.shape == exact.shape
        shown, model = unpack(packed.read(), coding.ranges), exact.read()
        assert np.array_equal(packed.read(), coding.stored(model))
    assert np.array_equal(np.isnan(shown), np.isnan(model))
    slopes = np.abs(shown - model)[:2]
    # slopes lie within half a step of 12 bits over their range
    assert np.nanmax(slopes) <= 6 / 4094 / 2 * (1 + 1e-3)
    if level is not None:
        assert np.nanstd(model[0]) < 0.6 * 0.1  # an average of four or more, not one of them


@pytest.mark.parametrize("name", ["slopes", "height", "curvature", "harmonics"])
def test_overviews_are_averages_of_what_is_known(wide, name):
    _, review, layers = wide
    layer = layers[name]
    with rasterio.open(review / layer.file) as full, rasterio.open(review / layer.file, overview_level=0) as half:
        values, shown = layer.coding.values(full.read()), layer.coding.values(half.read())
    bands, rows, cols = values.shape
    quarters = values.reshape(bands, rows // 2, 2, cols // 2, 2)
    known = np.isfinite(quarters).any(axis=(2, 4))
    assert np.array_equal(np.isfinite(shown), known)
    exact = np.nanmean(np.where(known[:, :, None, :, None], quarters, 0), axis=(2, 4))
    assert np.abs(shown - exact)[known].max() <= 2.01 * layer.coding.max_error


def test_codes_stay_codes_from_afar(wide):
    folder, review, layers = wide
    classes = read_raster(folder / "marks/class.tif").values
    for level, step in ((None, 1), (0, 2), (1, 4)):
        with rasterio.open(
            review / layers["classes"].file, **({} if level is None else {"overview_level": level})
        ) as shown:
            codes = shown.read()
        assert set(np.unique(codes)) == {0, 3}
        assert codes.shape == (1, 600 // step, 1100 // step)
        if level is None:
            assert np.array_equal(codes, classes)


def test_what_was_not_made_says_why(wide):
    _, _, layers = wide
    missing = {name: layer.why for name, layer in layers.items() if isinstance(layer, NoLayer)}
    assert set(missing) == {"height_uncertainty", "tilt_uncertainty", "roughness", "specular", "diffuse", "flags"}
    assert set(missing.values()) == {"it was not made"}


def test_a_layer_names_the_file_it_was_cut_from(wide):
    folder, review, layers = wide
    for name, product in (("height", "surface/height.tif"), ("relight", "relight/lobe.tif")):
        with open_raster(review / layers[name].file) as reader:
            assert reader.provenance["step"] == "build-review"
            assert reader.provenance["sources"] == {Path(product).name: sha256_of(folder / product)}
