"""Photographs come back number for number as other people's writers wrote them, and damaged ones are named."""

import imagecodecs
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

from lightdome.errors import FrameError
from lightdome.session.photograph import photograph_size, read_mask, read_photograph

DRAW = np.random.default_rng(4)
GREY16 = DRAW.integers(0, 65536, (37, 53), dtype=np.uint16)
RGB16 = DRAW.integers(0, 65536, (37, 53, 3), dtype=np.uint16)
GREY8, RGB8 = (GREY16 >> 8).astype(np.uint8), (RGB16 >> 8).astype(np.uint8)


@pytest.mark.parametrize("image", [GREY16, RGB16, GREY8, RGB8], ids=["grey16", "rgb16", "grey8", "rgb8"])
@pytest.mark.parametrize("ending", ["png", "tif", "lzw.tif", "planar.tif"])
def test_every_number_survives(tmp_path, image, ending):
    file = tmp_path / f"a.{ending}"
    photometric = "rgb" if image.ndim == 3 else "minisblack"
    if ending == "png":
        file.write_bytes(imagecodecs.png_encode(image))
    elif ending == "planar.tif" and image.ndim == 3:
        tifffile.imwrite(file, np.moveaxis(image, -1, 0).copy(), photometric=photometric, planarconfig="separate")
    else:
        tifffile.imwrite(file, image, photometric=photometric, compression="lzw" if ending == "lzw.tif" else None)
    back = read_photograph(file)
    assert back.dtype == image.dtype
    assert np.array_equal(back, image)
    assert photograph_size(file) == (37, 53)


def test_a_jpeg_is_read(tmp_path):
    smooth = np.linspace(20, 220, 64, dtype=np.uint8) * np.ones((48, 1), np.uint8)
    iio.imwrite(tmp_path / "a.jpg", smooth, quality=95)
    assert np.abs(read_photograph(tmp_path / "a.jpg").astype(int) - smooth).max() <= 3
    assert photograph_size(tmp_path / "a.jpg") == (48, 64)


def test_the_content_tells_the_form_and_not_the_ending(tmp_path):
    (tmp_path / "a.jpg").write_bytes(imagecodecs.png_encode(GREY16))
    assert np.array_equal(read_photograph(tmp_path / "a.jpg"), GREY16)


def test_opaque_alpha_is_dropped_and_transparency_refused(tmp_path):
    opaque = np.dstack([RGB16, np.full_like(GREY16, 65535)])
    (tmp_path / "a.png").write_bytes(imagecodecs.png_encode(opaque))
    assert np.array_equal(read_photograph(tmp_path / "a.png"), RGB16)
    opaque[3, 3, 3] = 7
    (tmp_path / "b.png").write_bytes(imagecodecs.png_encode(opaque))
    with pytest.raises(FrameError, match=r"b\.png: is partly transparent"):
        read_photograph(tmp_path / "b.png")


@pytest.mark.parametrize("kept", [0.2, 0.6, 0.95, 0.9999])
@pytest.mark.parametrize("ending", ["png", "jpg", "tif", "deflate.tif"])
def test_a_file_that_was_cut_off_is_found(tmp_path, ending, kept):
    whole = tmp_path / f"a.{ending}"
    if ending == "png":
        whole.write_bytes(imagecodecs.png_encode(RGB16))
    elif ending == "jpg":
        whole.write_bytes(imagecodecs.jpeg_encode(RGB8, level=90))
    else:
        # tags first, so that the cut takes pixels
        tifffile.imwrite(whole, RGB16, photometric="rgb", compression="deflate" if "deflate" in ending else None)
    content = whole.read_bytes()
    whole.write_bytes(content[: min(int(len(content) * kept), len(content) - 5)])
    with pytest.raises(FrameError, match=r"cannot be read \(.*\); copy it again"):
        read_photograph(whole)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"GIF89a....", "is neither camera raw, PNG, TIFF nor JPEG"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 40, "cannot be read"),
        (b"II*\x00\xff\xff\xff\xff", "cannot be read"),
        (b"\xff\xd8\xff\xe0 no more", "cannot be read"),
    ],
)
def test_what_is_no_photograph_is_named(tmp_path, content, says):
    (tmp_path / "a.png").write_bytes(content)
    with pytest.raises(FrameError, match=says) as refusal:
        read_photograph(tmp_path / "a.png")
    assert "\n" not in str(refusal.value)
    with pytest.raises(FrameError):
        photograph_size(tmp_path / "a.png")


def test_a_missing_photograph_is_named(tmp_path):
    with pytest.raises(FrameError, match=r"a\.png: is not there; put the photograph back or delete its row"):
        read_photograph(tmp_path / "a.png")


@pytest.mark.parametrize(
    ("image", "keys", "says"),
    [
        (GREY16.astype(np.float32), {}, "holds numbers of type float32"),
        (GREY16.astype(np.uint32), {}, "holds numbers of type uint32"),
        (np.stack([GREY16, GREY16]), {"photometric": "minisblack"}, "holds 2 pictures"),
        (GREY16, {"photometric": "miniswhite"}, "is a TIFF of kind MINISWHITE"),
        (np.dstack([RGB16, GREY16]), {"photometric": "separated"}, "is a TIFF of kind SEPARATED"),
    ],
)
def test_a_tiff_that_holds_no_sensor_numbers_is_refused(tmp_path, image, keys, says):
    tifffile.imwrite(tmp_path / "a.tif", image, **keys)
    with pytest.raises(FrameError, match=says):
        read_photograph(tmp_path / "a.tif")


def test_a_palette_is_refused(tmp_path):
    iio.imwrite(tmp_path / "a.png", GREY8, mode="P")
    with pytest.raises(FrameError, match="holds a palette"):
        read_photograph(tmp_path / "a.png")


def test_a_mask_is_where_any_channel_is_above_zero(tmp_path):
    image = np.zeros((4, 5, 3), np.uint8)
    image[1, 2, 2], image[3, 4, 0] = 255, 1
    (tmp_path / "m.png").write_bytes(imagecodecs.png_encode(image))
    assert np.argwhere(read_mask(tmp_path / "m.png")).tolist() == [[1, 2], [3, 4]]


def test_a_mask_without_plate_is_refused(tmp_path):
    (tmp_path / "m.png").write_bytes(imagecodecs.png_encode(np.zeros((4, 5), np.uint8)))
    with pytest.raises(FrameError, match=r"m\.png: holds no pixel above zero, so no plate"):
        read_mask(tmp_path / "m.png")
