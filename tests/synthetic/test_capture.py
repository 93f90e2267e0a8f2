"""Whole sessions: the input contract, the same bytes from the same seed, light and sensor, motion, faults."""

import csv
import dataclasses
import json
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.commands import main
from lightdome.errors import FrameError, GridError, SessionError
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.raster import Grid
from lightdome.session.records import FieldName
from lightdome.session.sheet import plan_session, read_field, read_session
from lightdome.store import read_raster
from lightdome.synthetic import photographs, shadows, truth
from lightdome.synthetic.camera import View
from lightdome.synthetic.capture import CaptureSpec, lamp_rows, session_facts
from lightdome.synthetic.drawing import SCRATCH, Cut, Drawing, EtchedLine, Print
from lightdome.synthetic.faults import FAULTS
from lightdome.synthetic.lamps import Rig, dome
from lightdome.synthetic.photographs import photographs_of, plate_surface
from lightdome.synthetic.plates import Surface, make_surface
from lightdome.synthetic.reflectance import MATTE, ZINC
from lightdome.synthetic.scenes import SCENES
from lightdome.synthetic.sensor import Sensor, expose
from lightdome.synthetic.shadows import lamp_bit, visible_lamps
from lightdome.synthetic.steps import make_capture, write_capture

SAMPLES = Path(__file__).parents[2] / "sample_captures"
QUIET = Sensor(bits=16, offset=0, noise=False)
SCRATCHED = Drawing(
    etched=(EtchedLine(((-0.5, -0.3), (0.5, -0.3)), 120.0, 22.0, ink=1.0),),
    cuts=(Cut(((-0.6, 0.4), (0.6, -0.2)), 100.0, 10.0, SCRATCH, removed_fraction=0.1),),
)
SMALL = CaptureSpec(drawing=SCRATCHED, rig=dome(5, radius_mm=8.0), ambient=0.02, colour=True, flat=True, seed=11)


def numbers_of(folder, row):
    return imagecodecs.png_decode((folder / row["file"]).read_bytes())


def rows_of(folder, table="frames.csv"):
    with (folder / table).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small") / "session"
    write_capture(folder, SMALL)
    return folder


# --- the input contract -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("near", [True, False])
@pytest.mark.parametrize("distance_mm", [None, 60.0])
@pytest.mark.parametrize("rgb", [True, False])
def test_a_session_is_read_without_a_word_of_complaint(tmp_path, near, distance_mm, rgb):
    rig = dome(4, near=near, radius_mm=8.0, beam_exponent=1.0, power_spread=0.1, rgb=rgb, seed=1)
    spec = dataclasses.replace(SMALL, rig=rig, view=View(distance_mm), rgb=rgb, u_position_mm=0.1, shape=(24, 32))
    write_capture(tmp_path / "s", spec)
    session = read_session(tmp_path / "s")
    assert session.camera.distance_mm == distance_mm
    assert session.lamp_setting.model == ("near" if near else "distant")
    assert session.lamp_setting.beam_exponent == (1.0 if near else 0.0)
    assert [frame.role for frame in session.frames].count("lit") == 4
    assert {frame.role for frame in session.frames} == {"lit", "flat", "dark", "ambient", "colour"}
    for lamp, vector, power in zip(session.lamps, rig.vectors, rig.power_rgb, strict=True):
        assert lamp.power_rgb == pytest.approx(tuple(power))
        if near:
            assert np.abs(lamp.position_mm - vector).max() < 0.6  # six standard deviations of the table's errors
        else:
            az, el = np.radians([lamp.azimuth_deg, lamp.elevation_deg])
            assert vector == pytest.approx([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)], abs=1e-5)


def test_photographs_have_the_form_their_session_says(small):
    session = read_session(small)
    for row in rows_of(small):
        numbers = numbers_of(small, row)
        assert numbers.dtype == np.uint16
        assert numbers.shape == ((48, 64, 3) if row["role"] == "colour" else (48, 64))
        assert numbers.max() <= session.camera.white_level
    dark = next(row for row in rows_of(small) if row["role"] == "dark")
    assert numbers_of(small, dark).mean() == pytest.approx(session.camera.black_level, rel=0.02)


def test_truth_lies_beside_the_photographs_on_the_same_grid(small):
    folder = small / "truth/TP-001/front/A"
    for name, bands in (("normals", ["nx", "ny", "nz"]), ("height", ["height"]), ("class", ["class"])):
        raster = read_raster(folder / f"{name}.tif")
        assert raster.grid == Grid((48, 64), 0.025)
        assert [band.name for band in raster.bands] == bands
    assert np.linalg.norm(read_raster(folder / "normals.tif").values, axis=0) == pytest.approx(1, abs=1e-4)
    marks = json.loads((folder / "marks.geojson").read_text())["features"]
    assert [mark["properties"]["class"] for mark in marks] == ["etched", "scratch"]
    assert marks[1]["properties"]["depth_um"] == 10.0
    assert marks[1]["properties"]["length_mm"] == pytest.approx(np.hypot(1.2, 0.6))
    assert marks[1]["geometry"]["coordinates"] == [[-0.6, 0.4], [0.6, -0.2]]


def test_a_scratch_under_three_pixels_is_called_unresolved():
    cuts = tuple(Cut(((0.0, -0.1), (0.0, 0.1)), width, 8.0, SCRATCH, 0.1) for width in (70.0, 80.0))
    marks = truth.marks(Drawing(cuts=cuts), Grid((48, 64), 0.025))["features"]
    assert [mark["properties"]["resolved"] for mark in marks] == [False, True]


# --- the same seed, the same bytes ------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path, small):
    write_capture(tmp_path / "again", SMALL, threads=2)
    write_capture(tmp_path / "other", dataclasses.replace(SMALL, seed=12))
    for path in sorted(small.rglob("*")):
        again = tmp_path / "again" / path.relative_to(small)
        if path.suffix in {".png", ".csv", ".yaml"}:
            assert again.read_bytes() == path.read_bytes(), path.name
        elif path.suffix == ".tif":  # holds the time of its making
            assert np.array_equal(read_raster(again).values, read_raster(path).values), path.name
        elif path.suffix == ".geojson":
            same, first = (json.loads(each.read_text()) for each in (again, path))
            assert same["features"] == first["features"]
    assert (tmp_path / "other/frames/TP-001-L01.png").read_bytes() != (small / "frames/TP-001-L01.png").read_bytes()


def test_blocks_of_rows_give_what_the_whole_frame_gives(monkeypatch):
    spec = dataclasses.replace(SMALL, view=View(30.0))
    surface = plate_surface(spec, 0)
    whole = [photograph.numbers() for photograph in photographs_of(spec, 0, surface)]
    monkeypatch.setattr(photographs, "BLOCK_FACETS", 5 * 64 * 4)
    for photograph, expected in zip(photographs_of(spec, 0, surface), whole, strict=True):
        assert np.array_equal(photograph.numbers(), expected)


def test_the_committed_sample_is_what_its_seed_makes():
    spec = SCENES["tide-table"](2031)
    folder = SAMPLES / "tern-point-2031-05"
    assert read_session(folder).name == session_facts(spec)["session"]
    columns, rows = lamp_rows(spec)
    assert rows_of(folder, "lamps.csv") == [{key: str(row[key]) for key in columns} for row in rows]
    marks = json.loads((folder / "truth/TP-017/front/A/marks.geojson").read_text())
    assert marks["features"] == json.loads(json.dumps(truth.marks(spec.drawing, spec.grid)))["features"]
    surface = make_surface(spec.drawing, spec.grid, spec.sub, spec.seed)
    height = read_raster(folder / "truth/TP-017/front/A/height.tif").values
    # grain is made by Fourier transforms, whose last digit may differ between machines
    assert height == pytest.approx(truth.height_um(surface, (0, 480)), abs=0.01)


# --- light and sensor -------------------------------------------------------------------------------------------------


def test_a_level_matte_plate_is_as_bright_as_the_lights_field_says(tmp_path):
    rig = dome(4, radius_mm=6.0, beam_exponent=1.0, power_spread=0.1, seed=3)
    level = Drawing(grain_um=0.0)
    spec = CaptureSpec(drawing=level, rig=rig, material=MATTE, sensor=QUIET, gain=0.8, dark=False)
    write_capture(tmp_path / "s", spec)
    lamps = LampSet(rig.names, "near", rig.vectors, rig.grey_power, np.full(4, np.nan), 1.0, False, None, "table")
    directions, irradiances = lamp_field(lamps, spec.grid.x_mm(), spec.grid.y_mm())
    for index, row in enumerate(rows_of(tmp_path / "s")):
        light = numbers_of(tmp_path / "s", row) / 65535
        expected = 0.8 * MATTE.diffuse * irradiances[index] * directions[index, 2]
        assert light == pytest.approx(expected, abs=2e-5)


def test_a_board_under_the_same_lamps_takes_their_strength_away(tmp_path):
    rig = dome(4, radius_mm=6.0, power_spread=0.2, seed=3)
    spec = CaptureSpec(drawing=Drawing(grain_um=0.0), rig=rig, material=MATTE, sensor=QUIET, flat=True, dark=False)
    write_capture(tmp_path / "s", spec)
    rows = rows_of(tmp_path / "s")
    lit = [numbers_of(tmp_path / "s", row) for row in rows if row["role"] == "lit"]
    board = [numbers_of(tmp_path / "s", row) for row in rows if row["role"] == "flat"]
    assert np.array(lit) / np.array(board) == pytest.approx(MATTE.diffuse / 0.9, rel=1e-3)


def test_the_sensor_has_shot_and_read_noise_and_clips():
    sensor = Sensor(full_well_e=10_000.0, read_noise_e=20.0, bits=16, offset=500)
    rng = np.random.default_rng(0)
    for light in (0.0, 0.5):
        numbers = expose(np.full((400, 400), light, np.float32), sensor, rng).astype(float)
        electrons = (numbers - 500) / (65535 - 500) * 10_000
        # Poisson: variance = mean, in electrons; read noise adds its own (EMVA 1288 model)
        assert electrons.mean() == pytest.approx(light * 10_000, abs=2)
        assert electrons.var() == pytest.approx(light * 10_000 + 400, rel=0.02)
    assert (expose(np.full((4, 4), 1.5, np.float32), sensor, rng) == 65535).all()


def test_converter_steps_fill_the_upper_bits():
    sensor = Sensor(bits=12, offset=10, noise=False)
    numbers = expose(np.linspace(0, 1.1, 500, dtype=np.float32), sensor, np.random.default_rng(0))
    assert set(np.unique(numbers % 16)) == {0}
    assert (numbers.min(), numbers.max()) == (sensor.black_level, sensor.white_level) == (160, 65520)
    assert expose(np.ones(3, np.float32), Sensor(bits=8, offset=2), np.random.default_rng(0)).dtype == np.uint8


def test_colour_lamps_light_each_channel_by_their_power(tmp_path):
    rig = dome(4, power_spread=0.2, rgb=True, seed=9)
    spec = CaptureSpec(drawing=Drawing(grain_um=0.0), rig=rig, material=MATTE, sensor=QUIET, rgb=True, dark=False)
    write_capture(tmp_path / "s", spec)
    for index, row in enumerate(rows_of(tmp_path / "s")):
        red, green, blue = numbers_of(tmp_path / "s", row).reshape(-1, 3).mean(axis=0)
        power = rig.power_rgb[index]
        assert (red / green, blue / green) == pytest.approx((power[0] / power[1], power[2] / power[1]), rel=1e-3)


@pytest.mark.parametrize("moved", [(1.0, -2.0), (0.4, 0.3)])
def test_a_moved_frame_is_moved_by_as_much(moved):
    from skimage.filters import window
    from skimage.registration import phase_cross_correlation

    steady = dataclasses.replace(SMALL, sensor=QUIET, ambient=0.0, colour=False, material=MATTE, sub=4, shape=(96, 96))
    shaken = dataclasses.replace(steady, shifts_px=((0.0, 0.0), moved, *[(0.0, 0.0)] * 3))
    surface = plate_surface(steady, 0)
    first, second = (
        [photograph.numbers().astype(float) for photograph in photographs_of(spec, 0, surface)][1]
        for spec in (steady, shaken)
    )
    # sub-pixel registration by an upsampled Fourier transform (scikit-image), of what is neither aliased nor falloff
    band = [
        (gaussian_filter(image, 1.0) - gaussian_filter(image, 6.0)) * window("hann", image.shape)
        for image in (first, second)
    ]
    found, _, _ = phase_cross_correlation(band[1], band[0], upsample_factor=50, normalization=None)
    assert found == pytest.approx(moved, abs=0.08)


def test_a_print_shows_in_gloss_and_hardly_in_relief():
    drawing = Drawing(prints=(Print((0.0, 0.0), (0.6, 0.5)),), grain_um=0.0)
    spec = CaptureSpec(drawing=drawing, sensor=QUIET, material=ZINC, rig=dome(4, elevations_deg=(70.0,)))
    numbers = next(photographs_of(spec, 0, plate_surface(spec, 0))).numbers().astype(float)
    assert np.ptp(numbers) > 0.05 * numbers.mean()


# --- shadows ----------------------------------------------------------------------------------------------------------


def step_surface(height_um=50.0):
    """High ground to the right of x = 0."""
    rows, cols = 40, 160
    corners = np.zeros((rows + 1, cols + 1), np.float32)
    corners[:, cols // 2 :] = height_um
    blank = np.zeros((rows, cols), np.float32)
    return Surface(Grid((20, 80), 0.01), 2, corners, blank.astype(np.uint8), blank, blank)


@pytest.mark.parametrize("elevation_deg", [20.0, 35.0, 60.0])
def test_a_step_throws_a_shadow_as_long_as_trigonometry_says(elevation_deg):
    # height / tan(elevation), toward -x since the lamp stands at +x; the wall itself slopes over one facet of 5 um
    el = np.radians(elevation_deg)
    rig = Rig(("L",), np.array([[np.cos(el), 0.0, np.sin(el)]]), False, np.ones((1, 3)))
    seen = lamp_bit(visible_lamps(step_surface(), rig), 0)
    dark_um = (~seen).sum(axis=1) * 5.0
    assert dark_um == pytest.approx(np.full(40, 50 / np.tan(el)), abs=6)


def test_tiles_of_any_size_throw_the_same_shadows():
    surface = make_surface(SCRATCHED, Grid((48, 64), 0.025), 2, seed=4)
    rig = dome(9, radius_mm=8.0)
    whole = visible_lamps(surface, rig)
    assert whole.shape == (2, 96, 128)
    for tile_facets in (31, 64):
        differs = visible_lamps(surface, rig, tile_facets) != whole
        # a ray that grazes a corner may fall either way as the tile's origin moves
        assert differs.mean() < 1e-3
    assert (~lamp_bit(whole, 0)).any()


# --- what is refused --------------------------------------------------------------------------------------------------


def test_a_repeating_patch_is_seamless_and_refuses_shadows():
    spec = SCENES["large"](5, megapixels=0.6, lamps=4)
    surface = plate_surface(spec, 0)
    assert surface.repeats
    facets = surface.facets(0, spec.shape[0])
    assert np.array_equal(facets.slope_x[:, :64], facets.slope_x[:, 512 : 512 + 64])
    assert np.abs(facets.slope_x[:, 512]).max() < 5 * facets.slope_x.std()
    with pytest.raises(GridError, match="switch them off"):
        shadows.visible_lamps(surface, spec.rig)
    with pytest.raises(SessionError, match="shadows=False"):
        dataclasses.replace(spec, shadows=True)


def test_a_folder_that_holds_something_is_left_as_it_is(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("kept")
    assert main(["make-capture", str(tmp_path), "--scene", "faults"]) == 2
    assert "holds something already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize(
    ("flags", "says"),
    [
        (["--scene", "tide"], "known are tide-table, faults, mishaps, large"),
        (["--scene", "tide-table", "--lamps", "5"], "belong to --scene large"),
        (["--scene", "large", "--megapixels", "0"], "at least 0.01"),
        (["--scene", "large", "--lamps", "0"], "at least one lamp"),
        (["--scene", "faults", "--seed", "-1"], "--seed"),
    ],
)
def test_a_capture_that_cannot_be_made_is_refused_in_one_sentence(tmp_path, capsys, flags, says):
    assert main(["make-capture", str(tmp_path / "s"), *flags]) == 2
    assert says in capsys.readouterr().err.splitlines()[-1]
    assert not (tmp_path / "s").exists()


def test_half_a_session_is_never_left(tmp_path, monkeypatch):
    def fail(*_):
        raise FrameError("the lens fell off")

    monkeypatch.setattr(photographs, "expose", fail)
    with pytest.raises(FrameError):
        write_capture(tmp_path / "s", SMALL)
    assert list(tmp_path.iterdir()) == []


# --- planted faults ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faulty") / "session"
    make_capture(folder, scene="faults", seed=2031)
    return folder


def test_the_committed_faults_are_what_their_seed_makes(faulty):
    committed = SAMPLES / "faults-2031-05"
    assert (committed / "session.yaml").read_bytes() == (faulty / "session.yaml").read_bytes()
    files = sorted(path.relative_to(faulty) for path in faulty.rglob("*.png"))
    assert files == sorted(path.relative_to(committed) for path in committed.rglob("*.png"))
    row = rows_of(faulty)[0]
    ours, theirs = (numbers_of(folder, row).astype(int) for folder in (faulty, committed))
    assert np.abs(ours - theirs).max() <= 64  # one step of the converter: Fourier transforms differ in the last digit


def test_one_plate_is_good_and_every_other_has_its_own_fault(faulty):
    plan = plan_session(faulty)
    assert {name.plate for name in plan.fields} == set(FAULTS) - {"../escape"}
    assert all("../escape" in sentence for sentence in plan.refused)
    lit = {}
    for row in rows_of(faulty):
        if row["role"] in ("lit", "mask"):
            lit.setdefault(row["plate"], []).append(row)
    assert {plate: len(rows) for plate, rows in lit.items()} == dict.fromkeys(FAULTS, 8) | {"TP-106": 3, "TP-109": 9}
    good = [numbers_of(faulty, row) for row in lit["TP-101"]]
    assert {(image.shape, image.dtype.name) for image in good} == {((72, 96), "uint16")}
    assert max((image >= 65472).mean() for image in good) < 0.02
    assert not (faulty / "frames/TP-102-L03.png").exists()
    with pytest.raises(imagecodecs.PngError):
        imagecodecs.png_decode((faulty / "frames/TP-103-L03.png").read_bytes())
    assert numbers_of(faulty, lit["TP-104"][2]).shape == (64, 96)
    with pytest.raises(SessionError, match="L99"):
        read_field(faulty, FieldName("TP-105", "front", "A"))
    assert all((numbers_of(faulty, row) == 65535).all() for row in lit["TP-107"])
    assert numbers_of(faulty, lit["TP-108"][2]).dtype == np.uint8
    assert lit["TP-109"][-1]["role"] == "mask"
    assert not numbers_of(faulty, lit["TP-109"][-1]).any()
