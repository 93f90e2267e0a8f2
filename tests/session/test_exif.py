"""Exif as a camera writes it, in JPEG by Pillow and in raw files; and what contradicts in it."""

import io
import json

import numpy as np
import pytest
from captures import PLACES, five_raw_lamps, raw_grain
from dng import write_dng
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from lightdome import store
from lightdome.errors import SessionError
from lightdome.frames.steps import stack_frames
from lightdome.session.exif import NO_EXIF, Exif, exif_of
from lightdome.session.photograph import read_exif
from lightdome.session.steps import check_session

MANUAL = {"exposure_s": 0.25, "f_number": 8.0, "iso": 100, "focal_length_mm": 100.0, "mode": 1, "lens": "Lens 100"}


def jpeg(path, form="jpeg", **tags):
    exif = Image.Exif()
    exif[271], exif[272] = "Maker Corporation", "Body One"
    exif.get_ifd(34665).update(tags.pop("tags"))
    Image.fromarray(np.zeros((8, 8, 3), np.uint8)).save(path, form, exif=exif)
    return path


@pytest.mark.parametrize("form", ["jpeg", "png"])
def test_exif_is_read_and_serial_numbers_are_left_behind(tmp_path, form):
    tags = {
        33434: IFDRational(1, 60),
        33437: IFDRational(56, 10),
        34855: 200,
        36867: "2031:05:14 10:00:07",
        37521: "25",
        37386: IFDRational(105, 1),
        41986: 0,
        41987: 1,
        42033: "SN-12345",
        42036: "Macro 105",
    }
    exif = read_exif(jpeg(tmp_path / "a", form, tags=tags))
    assert exif == Exif(
        exposure_s=pytest.approx(1 / 60, rel=1e-6),
        f_number=5.6,
        iso=200,
        focal_length_mm=105,
        taken="2031-05-14T10:00:07.25",
        body="Maker Corporation Body One",
        lens="Macro 105",
        auto_exposure=True,
        auto_white_balance=False,
    )
    assert "SN-12345" not in json.dumps(exif.as_dict())


def test_exif_of_a_raw_file_is_read(tmp_path):
    facts = MANUAL | {"taken": "2031:05:14 10:00:07", "body_serial": "SN-12345"}
    exif = read_exif(write_dng(tmp_path / "a.dng", raw_grain(0.5), white=50000, exif=facts))
    assert (exif.exposure_s, exif.f_number, exif.iso, exif.focal_length_mm) == (0.25, 8, 100, 100)
    assert (exif.taken, exif.body, exif.lens, exif.auto_exposure) == (
        "2031-05-14T10:00:07",
        "Body One",
        "Lens 100",
        False,
    )


def test_logarithms_stand_in_for_missing_numbers():
    # Exif 2.32, annex C: 1/125 s is Tv 7, f/8 is Av 6
    exif = exif_of({"EXIF ShutterSpeedValue": 7, "EXIF ApertureValue": 6, "EXIF ExposureProgram": "Manual"})
    assert (exif.exposure_s, exif.f_number, exif.auto_exposure) == (1 / 128, 8, False)


@pytest.mark.parametrize(
    "tags",
    [
        {"EXIF ExposureTime": 0, "EXIF FNumber": -1, "EXIF ISOSpeedRatings": 65535},
        {"EXIF ExposureTime": "soon", "EXIF DateTimeOriginal": "2031:13:45 10:00:00", "EXIF FNumber": []},
        {"EXIF DateTimeOriginal": "    :  :     :  :  ", "EXIF LensModel": "\x00\x01", "EXIF ShutterSpeedValue": 1e9},
    ],
)
def test_nonsense_is_nothing(tags):
    assert exif_of(tags) == NO_EXIF
    assert NO_EXIF.as_dict() is None


@pytest.mark.parametrize("content", [b"", b"\xff\xd8\xff\xe1\x00\x08Exif\0\0", b"II*\0\x08\0\0\0\xff\xff"])
def test_damaged_exif_is_nothing(tmp_path, content, capfd):
    (tmp_path / "a").write_bytes(content)
    assert read_exif(tmp_path / "a") == NO_EXIF
    assert capfd.readouterr().err == ""


def test_exif_after_the_pixels_of_a_png_is_found_and_a_chunk_that_is_cut_off_spoils_nothing(tmp_path):
    whole = jpeg(tmp_path / "a", "png", tags={33434: IFDRational(1, 60)}).read_bytes()
    start = whole.index(b"eXIf") - 4
    stop = start + 12 + int.from_bytes(whole[start : start + 4])
    pixels, end = whole[stop:-12], whole[-12:]
    (tmp_path / "b").write_bytes(whole[:start] + pixels + whole[start:stop] + end)
    assert read_exif(tmp_path / "b") == read_exif(tmp_path / "a")
    assert read_exif(tmp_path / "b").exposure_s == pytest.approx(1 / 60, rel=1e-6)
    like = (12).to_bytes(4) + b"IDAT" + bytes(16)  # many chunks of one size, as large photographs have
    for count in (1, 63, 64, 65, 200):
        (tmp_path / "e").write_bytes(whole[:start] + count * like + whole[start:stop] + end)
        assert read_exif(tmp_path / "e") == read_exif(tmp_path / "a")
    (tmp_path / "c").write_bytes(whole[: start + 8])
    (tmp_path / "d").write_bytes(whole[:start] + pixels + end)
    assert read_exif(tmp_path / "c") == read_exif(tmp_path / "d") == NO_EXIF


# --- a field ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def raws(tmp_path):
    """Five raw photographs, ten seconds apart, all with one setting."""
    folder = five_raw_lamps(tmp_path / "capture")
    folder.exif = {name: MANUAL | {"taken": f"2031:05:14 10:00:{10 * i:02d}"} for i, name in enumerate(PLACES)}
    return folder


def quality_of(raws, strength=None):
    for index, (name, exif) in enumerate(raws.exif.items()):
        numbers = raw_grain((strength or {}).get(name, 0.5 + 0.05 * index))
        raws.picture(f"frames/{name}.dng", numbers, exif=exif)
    out = raws.path.parent / "out"
    check_session(
        raws.write(), "TP-017", "front", "A", out / "quality.json", out / "lamp_layout.png", out / "check.html"
    )
    return json.loads((out / "quality.json").read_text())


def stacked(raws):
    out = raws.path.parent / "out"
    stack_frames(raws.path, "TP-017", "front", "A", out / "quality.json", out / "stack.zarr.zip")
    with store.open_stack(out / "stack.zarr.zip") as stack:
        return stack.read(), stack.attrs


def test_one_setting_is_ready_and_stands_in_the_quality(raws):
    quality = quality_of(raws)
    assert (quality["verdict"], quality["reasons"], quality["warnings"]) == ("ready", [], [])
    first = quality["frames"][0]
    assert (first["exposure_s"], first["gain"]) == (0.25, 1)
    assert first["exif"]["taken"] == "2031-05-14T10:00:00"


def test_another_exposure_is_evened_out_and_said(raws):
    raws.exif["L3"] = raws.exif["L3"] | {"exposure_s": 0.5, "mode": 0}
    quality = quality_of(raws, dict.fromkeys(PLACES, 0.4) | {"L3": 0.8})
    said = "\n".join(quality["warnings"])
    assert "frames/L3.dng: was exposed for 0.5 s, most for 0.25 s; its light is evened out" in said
    assert "frames/L3.dng: was taken with automatic exposure; set exposure and ISO by hand" in said
    light, attrs = stacked(raws)
    assert attrs["exposure_s"] == 0.25
    assert np.abs(light[2] / light[0] - 1)[4:-4, 4:-4].max() < 0.005


def test_another_iso_is_evened_out_with_its_background(raws):
    raws.exif["L3"] = raws.exif["L3"] | {"iso": 200}
    raws.picture("frames/d.dng", raw_grain(0.1), exif=MANUAL)
    raws.frames.append("frames/d.dng,,,,dark,")
    quality = quality_of(raws, dict.fromkeys(PLACES, 0.4) | {"L3": 0.8})
    assert [text for text in quality["warnings"] if "ISO" in text] == [
        "frames/L3.dng: was taken at ISO 200 where others are at ISO 100; its light is evened out, as far as the "
        "camera's ISO is true"
    ]
    light, _ = stacked(raws)
    # 0.8 at twice the gain less a background of 0.1 at the others' gain is 0.4 - 0.1, as in the others
    assert np.abs(light[2] / light[0] - 1)[4:-4, 4:-4].max() < 0.005


def test_the_iso_of_a_jpeg_cannot_be_evened_out(raws):
    raws.settings = raws.settings.replace("response: linear", "response: srgb\n  white_level: 255")
    raws.frames = [row.replace(".dng", ".jpg") for row in raws.frames]
    for index, name in enumerate(PLACES):
        exif = Image.Exif()
        exif.get_ifd(34665).update({34855: 400 if name == "L2" else 100, 41987: 0})
        picture = (raw_grain(0.5 + 0.05 * index) / 256).astype(np.uint8)
        content = io.BytesIO()
        Image.fromarray(picture).save(content, "jpeg", quality=95, exif=exif)
        (raws.path / f"frames/{name}.jpg").write_bytes(content.getvalue())
    out = raws.path.parent / "out"
    check_session(
        raws.write(), "TP-017", "front", "A", out / "quality.json", out / "lamp_layout.png", out / "check.html"
    )
    quality = json.loads((out / "quality.json").read_text())
    assert quality["verdict"] == "retake"
    assert "frames/L2.jpg: was taken at ISO 400 where others are at ISO 100, and pictures of its kind" in str(
        quality["reasons"]
    )
    grade = [text for text in quality["warnings"] if "lower grade" in text]
    assert grade == [
        "5 of 5 lit photographs hold 8 bits, a lower grade than raw or 16 bits: their steps and their compression show "
        "in dark lines and smooth areas"
    ]
    assert "frames/L1.jpg and 4 others like it: was taken with automatic white balance" in str(quality["warnings"])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"f_number": 11.0},
            "was taken at f/11, others at f/8; its shading and sharpness are others, so photograph it",
        ),
        ({"focal_length_mm": 90.0}, "was taken at 90 mm, others at 100 mm; its scale is another"),
        ({"lens": "Lens 60"}, "was taken with lens Lens 60, others with lens Lens 100; its pixels lie elsewhere"),
    ],
)
def test_another_setting_of_the_lens_is_to_be_retaken(raws, change, says):
    raws.exif["L4"] = raws.exif["L4"] | change
    quality = quality_of(raws)
    assert quality["verdict"] == "retake"
    assert len(quality["reasons"]) == 1
    assert quality["reasons"][0].startswith(f"frames/L4.dng: {says}")


def test_swapped_rows_stand_against_the_order_of_time(raws):
    times = [raws.exif[name]["taken"] for name in PLACES]
    times[1], times[2] = times[2], times[1]
    for name, taken in zip(PLACES, times, strict=True):
        raws.exif[name]["taken"] = taken
    said = str(quality_of(raws)["warnings"])
    assert "frames.csv: 1 of 5 rows stand against the order of time, the first row " in said
    assert "were photographs or lamps swapped?" in said


def test_the_same_moment_twice_is_said_only_where_time_is_slow(raws):
    raws.exif["L5"]["taken"] = raws.exif["L4"]["taken"]
    said = str(quality_of(raws)["warnings"])
    assert "frames/L5.dng and frames/L4.dng were taken at the same moment; is one a copy?" in said
    for index, exif in enumerate(raws.exif.values()):
        exif["taken"] = f"2031:05:14 10:00:0{index // 3}"
    assert quality_of(raws)["warnings"] == []


def test_the_table_wins_over_exif_and_is_doubted(raws):
    raws.frames = [f"{row},{0.5 if 'L2' in row else 0.25}" for row in raws.frames]
    for index, (name, exif) in enumerate(raws.exif.items()):
        raws.picture(f"frames/{name}.dng", raw_grain(0.5 + 0.05 * index), exif=exif)
    table = raws.write() / "frames.csv"
    table.write_text(table.read_text().replace("role,lamp\n", "role,lamp,exposure_s\n"))
    out = raws.path.parent / "out"
    check_session(raws.path, "TP-017", "front", "A", out / "quality.json", out / "lamp_layout.png", out / "check.html")
    quality = json.loads((out / "quality.json").read_text())
    assert quality["frames"][1]["exposure_s"] == 0.5
    assert quality["warnings"] == [
        "frames.csv, row 3, column exposure_s: says 0.5 s where frames/L2.dng itself says 0.25 s; the table is used, "
        "so correct it if it is wrong"
    ]


def test_one_exposure_that_nobody_knows_is_named(raws):
    del raws.exif["L2"]["exposure_s"]
    with pytest.raises(SessionError, match=r"row 3, column exposure_s: is empty, and frames/L2\.dng does not say it"):
        quality_of(raws)
