"""The judgement of a whole field, on files written here."""

import json
import shutil

import imageio.v3 as iio
import numpy as np
import pytest
from captures import PLACES, grain

from lightdome.errors import FrameError, LampError, SessionError
from lightdome.provenance import sha256_of
from lightdome.session.checks import condition_number, light_dose_lx_h, sharpness, toward_lamps
from lightdome.session.records import Lamp
from lightdome.session.steps import check_session, check_sheet

COMMON = grain(99).astype(float)


@pytest.fixture
def alike(folder):
    """The five photographs share one grain, as a plate's do, each with noise of its own."""
    for index, name in enumerate(PLACES):
        noise = np.random.default_rng(index).normal(0, 400, COMMON.shape)
        folder.picture(f"frames/{name}.png", np.clip(COMMON * (0.6 + 0.1 * index) + noise, 0, 65534).astype(np.uint16))
    return folder


def quality_of(folder, plate="TP-017"):
    folder.write()
    out = folder.path.parent / "out"
    check_session(folder.path, plate, "front", "A", out / "quality.json", out / "lamp_layout.png", out / "check.html")
    return json.loads((out / "quality.json").read_text())


def refused(folder, error, **keys):
    with pytest.raises(error) as refusal:
        quality_of(folder, **keys)
    out = folder.path.parent / "out"
    assert not out.exists() or not any(out.iterdir())
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_a_good_field_is_ready_and_its_lamps_are_drawn(alike):
    quality = quality_of(alike)
    assert (quality["verdict"], quality["reasons"], quality["warnings"]) == ("ready", [], [])
    assert [frame["lamp"] for frame in quality["frames"]] == ["L1", "L2", "L3", "L4", "L5"]
    first = quality["frames"][0]
    image = iio.imread(alike.path / "frames/L1.png")
    assert first["file"] == "frames/L1.png"
    assert (first["shape"], first["bit_depth"], first["channels"]) == ([64, 80], 16, 1)
    assert first["mean"] == pytest.approx(image.mean() / 65535, rel=1e-9)
    assert first["shift_px"] == [0, 0]
    assert quality["provenance"]["step"] == "check-session"
    picture = iio.imread(alike.path.parent / "out/lamp_layout.png")
    assert min(picture.shape[:2]) > 800
    assert len(np.unique(picture.reshape(-1, picture.shape[2]), axis=0)) > 50


def test_clipping_is_counted_pixel_by_pixel(alike):
    image = iio.imread(alike.path / "frames/L2.png")
    image[:8] = 65535
    alike.picture("frames/L2.png", image)
    quality = quality_of(alike)
    assert quality["frames"][1]["clipped_fraction"] == 8 * 80 / (64 * 80)
    assert quality["verdict"] == "usable with warnings"
    assert "frames/L2.png: 12.5 % of the pixels are at white" in quality["warnings"]


def test_a_plate_at_white_under_most_lamps_is_to_be_retaken(alike):
    for name in ("L1", "L2", "L3"):
        alike.picture(f"frames/{name}.png", np.full((64, 80), 65535, np.uint16) - (grain(3) < 3000))
    quality = quality_of(alike)
    assert quality["verdict"] == "retake"
    assert any("at white under all but two lamps; expose for a shorter time" in reason for reason in quality["reasons"])


def test_the_same_picture_under_two_lamps_is_to_be_retaken(alike):
    shutil.copy(alike.path / "frames/L1.png", alike.path / "frames/L4.png")
    quality = quality_of(alike)
    assert quality["verdict"] == "retake"
    assert "frames/L1.png and frames/L4.png hold the same picture under lamps L1 and L4" in quality["reasons"][0]


def test_a_lamp_that_did_not_fire_is_warned_of(alike):
    alike.picture("frames/L3.png", np.random.default_rng(1).integers(0, 60, (64, 80), dtype=np.uint16))
    quality = quality_of(alike)
    assert any("frames/L3.png: hardly any light; did the lamp fire?" in warning for warning in quality["warnings"])


def test_lamps_without_photographs_are_listed(alike):
    alike.lamps += ["L6,10,20,300", "L7,-10,20,300"]
    quality = quality_of(alike)
    assert quality["lamp_layout"]["lamps_without_photographs"] == ["L6", "L7"]
    assert quality["lamp_layout"]["lamps"] == 5


def test_a_moved_frame_is_measured(alike):
    large = np.pad(COMMON, 8, mode="wrap")
    alike.picture("frames/L2.png", (large[5 : 5 + 64, 10 : 10 + 80] * 0.9).astype(np.uint16))
    quality = quality_of(alike)
    # rows 5... of the padded picture show content three rows farther up, so the picture moved down by 3 and left by 2
    assert quality["frames"][1]["shift_px"] == pytest.approx([3, -2], abs=0.1)
    assert quality["frames"][0]["shift_px"] == [0, 0]
    assert quality["reference_frame"] != "frames/L2.png"


def test_fewer_than_four_lamps_are_refused(folder):
    assert "TP-018/front/A has 2 lit photographs, and at least 4 lamps are needed" in refused(
        folder, LampError, plate="TP-018"
    )


def test_lamps_in_one_plane_are_refused(alike):
    alike.lamps = [
        f"L{index},{x},0,{z}" for index, (x, z) in enumerate([(300, 99), (-300, 99), (0, 300), (9, 200), (50, 80)], 1)
    ]
    assert "lamps.csv: the lamps of TP-017/front/A stand in one plane" in refused(alike, LampError)


def test_with_spheres_the_layout_is_left_to_locate_lamps(alike):
    alike.settings = alike.settings.replace("source: table", "source: spheres") + "spheres: [{diameter_mm: 12}]\n"
    alike.frames.append("frames/18-L1.png,,,,sphere,L1")
    assert "lamp 'L2' of TP-017/front/A has no sphere photograph while others have" in refused(alike, LampError)
    alike.frames.pop()
    quality = quality_of(alike)
    assert quality["lamp_layout"]["condition_number"] is None
    assert quality["lamp_layout"]["lamps_without_photographs"] == []


def test_a_missing_photograph_is_named(alike):
    (alike.path / "frames/L2.png").unlink()
    assert "L2.png: is not there" in refused(alike, FrameError)


def test_a_photograph_that_was_cut_off_is_named(alike):
    file = alike.path / "frames/L2.png"
    file.write_bytes(file.read_bytes()[:-300])
    assert "L2.png: cannot be read" in refused(alike, FrameError)


def test_a_photograph_of_another_size_is_named(alike):
    alike.picture("frames/L4.png", grain(1, (60, 80)))
    assert "L4.png: is 80 x 60 pixels where the others are 80 x 64" in refused(alike, FrameError)


def test_a_photograph_of_another_depth_is_named(alike):
    alike.picture("frames/L4.png", (grain(1) >> 8).astype(np.uint8))
    assert "L4.png: is 8-bit grey where others are 16-bit grey" in refused(alike, FrameError)


def test_colour_among_grey_is_named(alike):
    alike.picture("frames/L4.png", np.dstack([grain(1)] * 3))
    assert "L4.png: is 16-bit colour where others are 16-bit grey" in refused(alike, FrameError)


def test_a_colour_photograph_may_stand_beside_grey_ones(alike):
    alike.picture("frames/c.png", np.dstack([grain(1)] * 3))
    alike.frames.append("frames/c.png,TP-017,front,A,colour,")
    assert quality_of(alike)["frames"][-1]["channels"] == 3


def test_a_plate_at_white_from_edge_to_edge_is_refused(alike):
    for name in PLACES:
        alike.picture(f"frames/{name}.png", np.full((64, 80), 65535, np.uint16))
    said = refused(alike, FrameError)
    assert "no pixel of TP-017/front/A is below white under three lamps or more; expose for a shorter time" in said


def test_a_white_level_that_8_bits_never_reach_is_named(folder):
    for name in PLACES:
        folder.picture(f"frames/{name}.png", (grain(1) >> 8).astype(np.uint8))
    assert "holds 8 bits, so it never reaches camera.white_level 65535" in refused(folder, FrameError)


def test_a_mask_without_plate_is_named(alike):
    alike.picture("frames/mask.png", np.zeros((64, 80), np.uint8))
    alike.frames.append("frames/mask.png,TP-017,front,A,mask,")
    assert "mask.png: holds no pixel above zero" in refused(alike, FrameError)


def test_a_mask_of_another_size_is_named(alike):
    alike.picture("frames/mask.png", np.ones((64, 81), np.uint8))
    alike.frames.append("frames/mask.png,TP-017,front,A,mask,")
    assert "mask.png: is 81 x 64 pixels where the others are 80 x 64" in refused(alike, FrameError)


def test_a_checksum_that_does_not_fit_is_named(alike):
    alike.write()
    rows = (alike.path / "frames.csv").read_text().splitlines()
    sums = ["sha256", *(sha256_of(alike.path / row.split(",")[0]) for row in rows[1:])]
    table = "\n".join(f"{row},{digest}" for row, digest in zip(rows, sums, strict=True))
    out = alike.path.parent / "out"
    (alike.path / "frames.csv").write_text(table)
    check_session(alike.path, "TP-017", "front", "A", out / "q.json", out / "l.png", out / "c.html")
    alike.picture("frames/L3.png", grain(50))
    with pytest.raises(FrameError, match=r"L3\.png: its SHA-256 is not the one of frames\.csv, row 4"):
        check_session(alike.path, "TP-017", "front", "A", out / "q.json", out / "l.png", out / "c.html")


def test_several_faults_are_said_in_one_sentence(alike):
    (alike.path / "frames/L2.png").unlink()
    (alike.path / "frames/L4.png").write_bytes(b"")
    assert refused(alike, FrameError).endswith("(and 1 more like this)")


def test_the_light_dose_is_illuminance_by_time(alike):
    alike.settings = alike.settings.replace("most_light_sensitive: none", "most_light_sensitive: high")
    alike.settings += "exposure: {illuminance_lx: 900, seconds: 0.5}\n"
    dose = quality_of(alike)["light_dose"]
    # H = sum of E t / 3600 (CIE 157:2004 uses lx h): five photographs of 0.5 s at 900 lx
    assert dose["lx_h"] == pytest.approx(5 * 900 * 0.5 / 3600)
    assert dose["photographs"] == 5
    assert "of a usual year's 15000 lx h" in dose["caution"]
    assert "reciprocity assumed; local rules govern" in dose["caution"]


def test_the_dose_of_an_estimated_exposure():
    # standards' estimate without a meter: f/8 at ISO 100 receives 160 lx s a frame; 64 frames are about 2.8 lx h
    assert light_dose_lx_h(160, [1.0] * 64) == pytest.approx(2.8, abs=0.05)


def test_the_condition_number_is_that_of_a_known_layout():
    # lamps on one cone of half-angle s about z: A'A = n diag(sin^2/2, sin^2/2, cos^2), so the condition number is
    # sqrt(2) / tan(s), and 1 at 54.74 degrees from the normal (best slant, Drbohlav and Chantler 2005)
    azimuth = np.arange(12) * 30.0
    for slant, expected in ((54.7356, 1.0), (30.0, np.sqrt(2) / np.tan(np.radians(30)))):
        lamps = [Lamp(str(angle), azimuth_deg=angle, elevation_deg=90 - slant) for angle in azimuth]
        assert condition_number(toward_lamps(lamps)) == pytest.approx(expected, rel=1e-5)
    assert condition_number(toward_lamps([Lamp("a", (1, 0, 1)), Lamp("b", (-1, 0, 1)), Lamp("c", (0, 0, 1))])) == np.inf


def test_blur_lowers_sharpness_and_brightness_does_not():
    from scipy import ndimage

    sharp = COMMON[None]
    assert sharpness(3 * sharp) == pytest.approx(sharpness(sharp), rel=1e-5)
    assert sharpness(ndimage.gaussian_filter(sharp, (0, 2, 2))) < sharpness(sharp) / 100


def test_the_sheet_lists_fields_idle_lamps_and_loose_photographs(folder):
    folder.lamps.append("L6,10,20,300")
    folder.picture("frames/forgotten.tif", grain(1))
    out = folder.path.parent / "sheet.json"
    check_sheet(folder.write(), out)
    sheet = json.loads(out.read_text())
    assert sheet["session"] == "tern-point-2031-05"
    assert [field["plate"] for field in sheet["fields"]] == ["TP-017", "TP-018"]
    assert sheet["fields"][0]["lamps"] == ["L1", "L2", "L3", "L4", "L5"]
    assert sheet["fields"][0]["lamps_without_photographs"] == ["L6"]
    assert sheet["fields"][1]["photographs"] == 2
    assert sheet["photographs_without_lamps"] == ["frames/forgotten.tif"]


def test_a_sheet_with_rows_that_belong_nowhere_is_refused_whole(folder):
    folder.frames += ["frames/x.png,,,,lid,L1", "frames/y.png,,,,lit,L1"]
    out = folder.path.parent / "sheet.json"
    with pytest.raises(SessionError, match=r"row 9, column role: unknown role 'lid'.*\(and 1 more like this\)"):
        check_sheet(folder.write(), out)
    assert not out.exists()


def test_the_command_says_one_sentence_and_ends_with_2(folder, capsys):
    from lightdome.commands import main

    folder.settings = folder.settings.replace("response", "respons")
    output = folder.path.parent / "sheet.json"
    assert main(["check-sheet", str(folder.write()), "--output", str(output)]) == 2
    said = capsys.readouterr().err.strip().splitlines()
    assert said[-1].startswith("lightdome: error: session.yaml, line 9, camera.respons: unknown key")
    assert "Traceback" not in "".join(said)
