"""A moved picture is moved back. The picture is a formula, so the truth is evaluated where it stood before."""

import numpy as np
import pytest
from scipy import ndimage

from lightdome.frames.register import LOBES, Place, lanczos_weights, moved_back, needed_rows, registered
from lightdome.session.lens import Lens


def waves(down, right, shape=(80, 90)):
    """A band-limited picture (finest wave 4 pixels long), moved down and right."""
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(float)
    y, x = rows - down, cols - right
    picture = 2 + np.sin(2 * np.pi * (0.21 * x + 0.05 * y)) + 0.5 * np.cos(2 * np.pi * (0.03 * x - 0.25 * y) + 1)
    return picture.astype(np.float32)


def back(picture, shift):
    return moved_back(picture, shift, 0, len(picture))


@pytest.mark.parametrize("shift", [(3, -2), (-7, 0), (0, 5)])
def test_whole_pixels_are_copied(shift):
    result = back(waves(*shift), shift)
    known = np.isfinite(result)
    assert np.array_equal(result[known], waves(0, 0)[known])
    assert known.sum() == (80 - abs(shift[0])) * (90 - abs(shift[1]))


@pytest.mark.parametrize("shift", [(0.5, -0.5), (2.25, 3.7), (-1.4, 0.0), (0.0, 0.08)])
def test_parts_of_a_pixel_are_interpolated_within_one_percent(shift):
    result = back(waves(*shift), shift)
    inner = (slice(12, -12), slice(12, -12))
    assert np.abs(result[inner] - waves(0, 0)[inner]).max() < 0.01 * 1.5
    # not worse than the cubic spline of scipy on the same picture
    spline = ndimage.shift(waves(*shift).astype(float), [-part for part in shift], order=3)
    worst = np.abs(spline[inner] - waves(0, 0)[inner]).max()
    assert np.abs(result[inner] - waves(0, 0)[inner]).max() < 1.3 * worst


def test_an_even_picture_stays_even():
    assert np.nanmax(np.abs(back(np.full((30, 30), 0.25, np.float32), (0.3, 0.7)) - 0.25)) < 1e-7


def test_weights_add_up_and_pass_through_samples():
    for part in (0.1, 0.5, 0.9):
        assert lanczos_weights(part).sum() == pytest.approx(1, abs=1e-12)
    assert np.abs(lanczos_weights(1e-9) - [0, 0, 0, 1, 0, 0, 0, 0]).max() < 1e-6
    assert lanczos_weights(0.5) == pytest.approx(lanczos_weights(0.5)[::-1])


def test_an_unknown_pixel_makes_only_its_surroundings_unknown():
    picture = waves(0, 0)
    picture[40, 40] = np.nan
    result = back(picture, (0.5, 0.5))
    unknown = np.argwhere(np.isnan(result[10:-10, 10:-10])) + 10
    assert unknown.min() >= 40 - LOBES
    assert unknown.max() <= 40 + LOBES
    assert len(unknown) == (2 * LOBES) ** 2


LENS = Lens(120.0, (44.0, 38.0), -0.08, 0.02, 0.001, -0.002, 0.003)


@pytest.mark.parametrize(
    "place",
    [
        Place((0.5, -0.25)),
        Place((3.3, 1.0)),
        Place((-4.0, 0.4)),
        Place((1.5, -2.0), (0.01, 0.03)),
        Place((0.3, 0.7), (0.001, -0.02), LENS),
        Place(),
        Place((200.0, 0.0)),
    ],
)
def test_bands_give_what_the_whole_picture_gives(place):
    picture = waves(*place.shift_px)
    shape = picture.shape
    whole = registered(picture, place, shape, 0, 0, shape[0])
    for row in range(0, 80, 16):
        needed = needed_rows(place, shape, row, 16)
        band = registered(picture[needed], place, shape, needed.start, row, 16)
        assert np.array_equal(band, whole[row : row + 16], equal_nan=True)


def test_the_general_map_gives_what_mere_shifts_give():
    picture = waves(1.4, -0.6)
    picture[20, 30] = np.nan
    shifted = registered(picture, Place((1.4, -0.6)), picture.shape, 0, 0, 80)
    general = registered(picture, Place((1.4, -0.6), (1e-12, 0.0)), picture.shape, 0, 0, 80)
    assert np.array_equal(np.isnan(shifted), np.isnan(general))
    # places of the general map are rounded to 1/4096 pixel
    assert np.nanmax(np.abs(shifted - general)) < 2e-4 * 1.5 * np.pi


def test_a_turned_picture_is_turned_back():
    rotation, scale, shift = np.radians(1.5), 1.004, (1.3, -2.2)
    turn = (scale * np.cos(rotation) - 1, scale * np.sin(rotation))
    rows, cols = np.mgrid[:80, :90].astype(float)

    def picture(r, c):
        return 2 + np.sin(2 * np.pi * (0.15 * c + 0.05 * r)) + 0.5 * np.cos(2 * np.pi * (0.03 * c - 0.18 * r) + 1)

    # the moved picture is the formula at the place each of its pixels came from, by the inverse of the matrix
    matrix = np.array([[1 + turn[0], -turn[1]], [turn[1], 1 + turn[0]]])
    away = np.stack([rows - 39.5 - shift[0], cols - 44.5 - shift[1]])
    came = np.tensordot(np.linalg.inv(matrix), away, 1)
    moved = picture(came[0] + 39.5, came[1] + 44.5).astype(np.float32)
    result = registered(moved, Place(shift, turn), moved.shape, 0, 0, 80)
    inner = (slice(12, -12), slice(12, -12))
    assert np.abs(result - picture(rows, cols))[inner].max() < 0.01 * 1.5


def test_distortion_is_taken_out_where_opencv_puts_points():
    """A picture of a formula, photographed through OpenCV's own distortion of points."""
    import cv2

    rows, cols = np.mgrid[:80, :90].astype(np.float64)
    camera = np.array([[LENS.focal_px, 0, LENS.centre_px[0]], [0, LENS.focal_px, LENS.centre_px[1]], [0, 0, 1]])
    coefficients = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    seen = np.stack([cols, rows], axis=-1).reshape(-1, 1, 2)
    until = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-10)
    straight = cv2.undistortImagePoints(seen, camera, coefficients, arg1=until).reshape(80, 90, 2)

    def picture(c, r):
        return 2 + np.sin(2 * np.pi * (0.12 * c + 0.05 * r)) + 0.5 * np.cos(2 * np.pi * (0.03 * c - 0.15 * r) + 1)

    photograph = picture(straight[..., 0], straight[..., 1]).astype(np.float32)
    result = registered(photograph, Place(lens=LENS), photograph.shape, 0, 0, 80)
    known = np.isfinite(result)
    assert known.mean() > 0.7
    assert LENS.largest_px((80, 90)) > 1.2
    assert np.abs(result - picture(cols, rows))[known].max() < 0.01 * 1.5
