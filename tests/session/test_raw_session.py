"""A field of raw files: levels come from the files, and files of another form or setting are named."""

import json

import numpy as np
import pytest
from captures import RAW_BLACK, RAW_WHITE, five_raw_lamps, grain, raw_grain
from dng import write_dng

from lightdome import store
from lightdome.errors import FrameError, SessionError
from lightdome.frames.steps import stack_frames
from lightdome.session.records import FieldName
from lightdome.session.sheet import plan_session, read_field
from lightdome.session.steps import check_session

FRONT = FieldName("TP-017", "front", "A")


@pytest.fixture
def raws(tmp_path):
    return five_raw_lamps(tmp_path / "capture")


def quality_of(folder):
    out = folder.path.parent / "out"
    check_session(
        folder.write(), "TP-017", "front", "A", out / "quality.json", out / "lamp_layout.png", out / "check.html"
    )
    return json.loads((out / "quality.json").read_text())


def refused(folder, error=FrameError):
    with pytest.raises(error) as refusal:
        quality_of(folder)
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_levels_come_from_the_files(raws):
    quality = quality_of(raws)
    first = quality["frames"][0]
    assert first["raw_levels"] == {"black": [RAW_BLACK] * 4, "white": RAW_WHITE}
    assert first["mean"] == pytest.approx((raw_grain(0.5).mean() - RAW_BLACK) / (RAW_WHITE - RAW_BLACK), rel=0.002)
    assert first["clipped_fraction"] == 0


def test_the_stack_holds_the_light_of_the_raw_files(raws):
    quality_of(raws)
    out = raws.path.parent / "out"
    stack_frames(raws.path, "TP-017", "front", "A", out / "quality.json", out / "stack.zarr.zip")
    with store.open_stack(out / "stack.zarr.zip") as stack:
        light = stack.read()
    known = (raw_grain(1.0).astype(float) - RAW_BLACK) / (RAW_WHITE - RAW_BLACK)
    for index in range(5):
        error = light[index] / (0.5 + 0.1 * index) - known
        assert np.abs(error[2:-2, 2:-2]).max() < 0.005
        assert np.abs(error).mean() < 0.0005


def test_other_photographs_need_a_white_level(raws):
    raws.picture("frames/L1.tif", grain(1))
    raws.frames[0] = "frames/L1.tif,TP-017,front,A,lit,L1"
    for read in (plan_session, lambda path: read_field(path, FRONT)):
        with pytest.raises(SessionError, match=r"session\.yaml, line 6, camera: the key 'white_level' is missing"):
            read(raws.write())


def test_each_field_has_its_own_kind(raws):
    """Raw in one plate, TIFF with the levels of session.yaml in the other."""
    raws.settings = raws.settings.replace("  response: linear\n", "  response: linear\n  white_level: 4000\n")
    raws.picture("frames/b.tif", grain(1))
    raws.frames.append("frames/b.tif,TP-018,front,A,lit,L1")
    raws.write()
    assert read_field(raws.path, FRONT)[0].camera.white_level == 65535
    assert read_field(raws.path, FieldName("TP-018", "front", "A"))[0].camera.white_level == 4000


def test_raw_and_developed_photographs_do_not_mix(raws):
    raws.picture("frames/L3.tif", np.dstack([grain(1)] * 3))
    raws.frames[2] = "frames/L3.tif,TP-017,front,A,lit,L3"
    assert "L3.tif: is 16-bit colour where others are raw colour; give all photographs of a field in" in refused(raws)


def test_a_raw_file_of_another_setting_is_named(raws):
    write_dng(raws.path / "frames/L2.dng", raw_grain(0.6), white=RAW_WHITE - 9000, black=(RAW_BLACK,))
    says = refused(raws)
    assert "L2.dng: states other raw levels (black 512, white 41000) than the others (512, 50000)" in says
    assert "another ISO or raw form; photograph it again" in says


def test_black_measured_anew_in_each_frame_is_no_fault(raws):
    write_dng(raws.path / "frames/L2.dng", raw_grain(0.6) + 3, white=RAW_WHITE, black=(RAW_BLACK + 3,))
    means = [frame["mean"] for frame in quality_of(raws)["frames"]]
    assert means[1] / means[0] == pytest.approx(0.6 / 0.5, rel=1e-3)


def test_a_small_raw_form_is_named(raws):
    picture = np.dstack([grain(1)] * 3)
    write_dng(raws.path / "frames/L4.dng", picture, white=RAW_WHITE, pattern=None, kind=6)
    assert "L4.dng: is a raw file that holds no linear light" in refused(raws)
