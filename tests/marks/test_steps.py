import csv
import json

import numpy as np
import pytest

from lightdome.commands import main
from lightdome.errors import GridError, MarkError
from lightdome.marks.features import COLUMNS
from lightdome.marks.relief import form_of
from lightdome.marks.steps import split_relief
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster
from lightdome.store import PROVENANCE_TAG, read_json, write_raster

SHAPE = (220, 320)
PROPERTIES = {
    *("id", "class", "confidence", "length_mm", "width_um", "depth_um", "u_width_um", "u_depth_um", "burr_left_um"),
    *("burr_right_um", "wall_angle_deg", "removed_fraction", "orientation_deg", "crosses", "residue", "evidence"),
    *("resolved", "decided", "event"),
}


def metal(seed=1, um=0.1, shape=SHAPE):
    return np.random.default_rng(seed).normal(0, um, shape)


@pytest.fixture(scope="module")
def worked(away, v_with_ridges, flat_floor):
    """A scratch over land and an etched field, two etched lines, and a deposit; 50 um pixels."""
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    field = ((row - 110) / 50) ** 2 + ((col - 112) / 50) ** 2 < 1
    height = metal() + np.where(field, -18 + 3 * metal(2, 1.0), 0)
    for line in (190, 232):
        bitten = (row > 30) & (row < 190)
        height += np.where(bitten, flat_floor(np.abs(col - line), 8, 22.0, 2.0), 0)
    length = (col > 12) & (col < 308)
    height += np.where(length, v_with_ridges(away(SHAPE, (110, 160), 12), 8, 16.0, 0.1), 0)
    height += 6 * np.clip(1.6 - np.hypot(row - 40, col - 285) / 12, 0, 1)
    height[5:9, 7:30] = np.nan
    return height.astype(np.float32)


@pytest.fixture(scope="module")
def examined(worked, examine_once):
    return examine_once(worked)


def test_a_scratch_across_an_etched_field_and_lines_is_one_mark_of_its_class(examined):
    scratches = examined.of_class("scratch")
    assert len(scratches) == 1
    scratch = scratches[0]
    assert scratch["length_mm"] == pytest.approx(296 / np.cos(np.radians(12)) * 0.05, rel=0.04)
    assert scratch["orientation_deg"] == pytest.approx(12, abs=1)
    assert scratch["removed_fraction"] < 0.35
    assert len(scratch["crosses"]) >= 3
    assert all(set(crossing) == {"id", "later"} for crossing in scratch["crosses"])


def test_etched_field_and_etched_lines_are_called_etched(examined):
    etched = examined.of_class("etched")
    lines = [mark for mark in etched if mark["depth_um"] > 20]
    assert len(lines) == 2
    for line in lines:
        assert line["depth_um"] == pytest.approx(22.0, rel=0.05)
        assert line["width_um"] == pytest.approx(400, abs=50)
        assert line["length_mm"] == pytest.approx(8.0, abs=0.3)
        assert line["orientation_deg"] == pytest.approx(90, abs=1)
    (field,) = [mark for mark in etched if mark["depth_um"] < 20]
    assert field["depth_um"] == pytest.approx(18.0, rel=0.05)


def test_what_stands_on_the_plate_is_a_deposit(examined):
    (deposit,) = examined.of_class("deposit")
    assert deposit["depth_um"] == pytest.approx(-6.0, rel=0.1)


def test_class_map_shows_the_marks_where_they_are(examined):
    classes = examined.raster("class.tif")
    assert classes.dtype == np.uint8
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    inside = ((row - 110) / 50) ** 2 + ((col - 112) / 50) ** 2 < 0.85
    assert np.isin(classes[inside], (1, 3)).mean() > 0.99
    assert (classes[60:90, 189:192] == 1).all()
    assert classes[38:42, 283:287].min() == classes[38:42, 283:287].max() == 4
    assert (classes[195:, :150] == 0).mean() > 0.99


def test_marks_are_geojson_by_the_structure_of_rfc_7946(examined):
    products = examined

    def refuse(name):
        raise AssertionError(f"{name} is not JSON (RFC 8259)")

    text = (products.folder / "marks.geojson").read_text(encoding="utf-8")
    collection = json.loads(text, parse_constant=refuse)
    assert collection["type"] == "FeatureCollection"
    assert (collection["frame"], collection["unit"], collection["pixel_pitch_mm"]) == ("plate", "mm", 0.05)
    assert collection["image_size_px"] == [SHAPE[1], SHAPE[0]]
    assert "crs" not in collection
    assert len({feature["id"] for feature in collection["features"]}) == len(collection["features"]) > 4
    for feature in collection["features"]:
        assert set(feature) == {"type", "id", "geometry", "properties"}
        assert feature["type"] == "Feature"
        assert set(feature["properties"]) == PROPERTIES
        assert feature["properties"]["id"] == feature["id"]
        coordinates = feature["geometry"]["coordinates"]
        if feature["geometry"]["type"] == "LineString":
            assert len(coordinates) >= 2
            rings = [coordinates]
        else:
            assert feature["geometry"]["type"] == "Polygon"
            rings = coordinates
            for index, ring in enumerate(rings):
                assert len(ring) >= 4
                assert ring[0] == ring[-1]
                x, y = np.array(ring).T
                twice_area = (x[:-1] * y[1:] - x[1:] * y[:-1]).sum()
                assert (twice_area > 0) == (index == 0)  # RFC 7946, 3.1.6: the right-hand rule
        for ring in rings:
            for point in ring:
                assert len(point) == 2
                assert abs(point[0]) <= SHAPE[1] * 0.025 + 1e-6
                assert abs(point[1]) <= SHAPE[0] * 0.025 + 1e-6


def test_table_says_what_the_features_say(examined):
    products = examined
    with (products.folder / "marks.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    features = [feature["properties"] for feature in products.marks()]
    assert [row["id"] for row in rows] == [mark["id"] for mark in features]
    for row, mark in zip(rows, features, strict=True):
        assert tuple(row) == COLUMNS
        assert row["depth_um"] == ("" if mark["depth_um"] is None else str(mark["depth_um"]))
        assert row["evidence"] == "; ".join(mark["evidence"])
        assert all(crossing["id"] in row["crosses"] for crossing in mark["crosses"])


def test_relief_and_scratches_add_up_to_height_less_form(examined):
    products = examined
    height, etched, scratch = (
        products.raster(name) for name in ("height.tif", "etched_height.tif", "scratch_height.tif")
    )
    rest = height - form_of(height, 8.0 / 0.05)
    np.testing.assert_allclose(etched + scratch, rest, atol=1e-5)
    np.testing.assert_array_equal(np.isnan(etched), np.isnan(height))
    np.testing.assert_array_equal(np.isnan(scratch), np.isnan(height))
    moved = np.nan_to_num(scratch) != 0
    assert set(np.unique(products.raster("class.tif")[moved])) == {3}
    _, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    on_land = moved & (col > 172) & (np.abs(col - 190) > 12) & (np.abs(col - 232) > 12) & (col < 300)
    assert np.abs(height - scratch)[on_land].mean() < 0.5  # the land is level: what is left there is its grain


def test_settings_and_cutoff_travel_with_the_products(worked, examine):
    import rasterio

    products = examine(worked, threshold=4.5)
    settings = read_json(products.folder / "traces.json")["provenance"]["settings"]
    assert settings["threshold"] == 4.5
    with rasterio.open(products.folder / "etched_height.tif") as dataset:
        assert json.loads(dataset.tags()[PROVENANCE_TAG])["settings"] == {"form_cutoff_mm": 8.0}


@pytest.mark.parametrize("tile_px", [70])
def test_tile_size_changes_no_product(worked, examined, examine, tile_px):
    one, other = examined, examine(worked, tile_px=tile_px)
    assert one.marks() == other.marks()
    for name in ("areas.tif", "class.tif", "etched_height.tif", "scratch_height.tif"):
        np.testing.assert_array_equal(one.raster(name), other.raster(name))


def test_lines_narrower_than_three_pixels_have_presence_and_length_only(away, examine):
    off = away(SHAPE, (110, 160), 25)
    height = metal(3) - 9 * np.clip(1 - off / 1.2, 0, None)
    (line,) = [mark["properties"] for mark in examine(height).marks() if mark["properties"]["length_mm"] > 5]
    assert line["resolved"] is False
    for unknown in ("width_um", "depth_um", "u_width_um", "u_depth_um", "burr_left_um", "removed_fraction", "residue"):
        assert line[unknown] is None
    assert line["length_mm"] == pytest.approx(SHAPE[1] / np.cos(np.radians(25)) * 0.05, rel=0.05)
    assert any("narrower than 3 pixels" in sentence for sentence in line["evidence"])


def test_residue_in_a_groove_is_found_and_its_interval_holds_the_truth(flat_floor, examine):
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away_px = np.abs(col - 160)
    shade = 0.5 + np.random.default_rng(4).normal(0, 0.02, SHAPE)
    inked = np.where(away_px < 4, 0.6 * shade, shade)
    bitten = (row > 30) & (row < 190)
    height = metal(4) + np.where(bitten, flat_floor(away_px, 8, 22.0, 2.0), 0)
    (with_ink,) = examine(height, diffuse=inked).of_class("etched")
    (without,) = examine(height, diffuse=shade).of_class("etched")
    assert with_ink["residue"]["low"] <= -0.4 <= with_ink["residue"]["high"]
    assert with_ink["residue"]["high"] < 0
    assert without["residue"]["low"] <= 0 <= without["residue"]["high"]
    assert 0 < without["residue"]["smallest_seen"] < 0.1


def test_curvature_of_the_other_sign_refutes_a_line(away, examine):
    height = metal(5) - 9 * np.clip(1 - away(SHAPE, (110, 160), 25) / 3, 0, None)
    assert examine(height, curvature=np.full(SHAPE, -1.0)).marks()
    assert not examine(height, curvature=np.full(SHAPE, 1.0)).marks()


@pytest.mark.parametrize(
    "height",
    [
        np.zeros((60, 80), np.float32),
        np.full((60, 80), np.nan, np.float32),
        np.full((1, 1), 3.0, np.float32),
        np.array([[1.0, np.nan, 2.0], [0.0, 5.0, 1.0]], np.float32),
        np.random.default_rng(6).normal(0, 0.1, (60, 80)).astype(np.float32),
    ],
    ids=["level", "unknown", "one pixel", "six pixels", "bare metal"],
)
def test_a_plate_without_marks_gives_empty_products(height, examine):
    products = examine(height)
    assert products.marks() == []
    assert (products.folder / "marks.csv").read_text(encoding="utf-8") == ",".join(COLUMNS) + "\n"
    assert not products.raster("class.tif").any()
    assert not np.nan_to_num(products.raster("scratch_height.tif")).any()
    np.testing.assert_array_equal(np.isnan(products.raster("etched_height.tif")), np.isnan(height))


def test_products_of_different_fields_are_refused_in_one_sentence(examined, tmp_path, capsys):
    products = examined
    small = tmp_path / "small.tif"
    small_grid = Grid((10, 12), 0.05)
    raster = Raster(np.zeros((1, 10, 12), np.uint8), small_grid, (Band("class", "1"),))
    write_raster(small, raster, Provenance("test", {}, {}), dtype="uint8")
    names = ("etched_height", "scratch_height", "relief", "fill_mask")
    wanted = {name: tmp_path / f"{name}.tif" for name in names}
    height, marks = products.folder / "height.tif", products.folder / "marks.geojson"
    with pytest.raises(GridError, match=r"12 x 10 pixels .* height.tif has 320 x 220"):
        split_relief(height=height, marks=marks, classes=small, **wanted)
    command = ["split-relief", "--height", str(height), "--marks", str(marks), "--classes", str(small)]
    for name in names:
        command += [f"--{name.replace('_', '-')}", str(wanted[name])]
    assert main(command) == 2
    said = capsys.readouterr().err.strip().splitlines()
    assert said[-1].startswith("lightdome: error: ")
    assert not wanted["etched_height"].exists()


def test_settings_that_cannot_be_are_refused(worked, examine):
    for name in ("threshold", "widest_line_um", "reference_cutoff_mm", "longest_gap_um", "shortest_mm"):
        with pytest.raises(MarkError, match=name):
            examine(worked, **{name: -1.0})


def test_spoilt_traces_are_refused(examined, tmp_path):
    from lightdome.marks.steps import classify_marks

    products = examined
    paths = {
        "height": products.folder / "height.tif",
        "height_uncertainty": products.folder / "height_uncertainty.tif",
        "normal_uncertainty": products.folder / "normal_uncertainty.tif",
        "reflectance": products.folder / "reflectance.tif",
        "stack": None,
        "traces": products.folder / "traces.json",
        "areas": products.folder / "areas.tif",
        "marks": products.folder / "again.geojson",
        "table": products.folder / "again.csv",
        "classes": products.folder / "again.tif",
        "summary": products.folder / "again.json",
    }
    facts = read_json(paths["traces"])
    del facts["traces"][0]["points_mm"]
    paths["traces"] = tmp_path / "traces.json"
    paths["traces"].write_text(json.dumps(facts), encoding="utf-8")
    with pytest.raises(MarkError, match=r"traces.json.*points_mm.*run trace-marks again"):
        classify_marks(**paths)
    assert not paths["marks"].exists()
