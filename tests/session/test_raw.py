"""Raw files come back as linear light with the levels that they state; those that hold none are named."""

import numpy as np
import pytest
import rawpy
from dng import RGGB, write_dng

from lightdome.errors import FrameError
from lightdome.session.demosaic import BAND_ROWS, demosaic
from lightdome.session.photograph import is_raw, photograph_size, read_photograph, read_with_levels
from lightdome.session.raw import RAW_BLACK, RAW_WHITE, read_raw

ROWS, COLS = 70, 258
BLACK, WHITE = 512, 15600
LEVEL = np.linspace(-0.015, 0.99, COLS // 2).repeat(2) * np.ones((ROWS, 1))
"""Known light in steps of two columns, from under black almost to white."""
X_TRANS = [1, 2, 1, 1, 0, 1, 0, 1, 0, 2, 1, 2, 1, 2, 1, 1, 0, 1, 1, 0, 1, 1, 2, 1, 2, 1, 2, 0, 1, 0, 1, 0, 1, 1, 2, 1]
LARGEST_RESIDUAL = 0.002
"""Of the range, for each channel: what a linearity test of a camera asks for."""


def stored(light, black=BLACK, white=WHITE):
    return np.rint(black + light * (white - black)).astype(np.uint16)


def light_of(numbers):
    return (numbers.astype(float) - RAW_BLACK) / (RAW_WHITE - RAW_BLACK)


def residual(light, known):
    """Largest distance from the known light in any channel, as share of the range."""
    return np.abs(np.atleast_3d(light) - np.atleast_3d(known)).max()


@pytest.mark.parametrize("pattern", [RGGB, (1, 0, 2, 1), (1, 2, 0, 1), (2, 1, 1, 0)])
def test_a_ramp_under_filters_comes_back_linear_in_every_channel(tmp_path, pattern):
    # one light along each column of blocks, so that neighbours of one colour stand at other steps of the ramp too
    ramp = np.linspace(-0.015, 0.99, COLS) * np.ones((ROWS, 1))
    file = write_dng(tmp_path / "a.dng", stored(ramp), white=WHITE, black=(BLACK,), pattern=pattern)
    numbers, levels = read_with_levels(file)
    assert (numbers.shape, numbers.dtype) == ((ROWS, COLS, 3), np.uint16)
    assert photograph_size(file) == (ROWS, COLS)
    assert levels.white == WHITE
    assert set(levels.black) == {BLACK}
    assert residual(light_of(numbers), ramp) < LARGEST_RESIDUAL
    assert light_of(numbers)[:, 2].max() < -0.005  # noise under black is kept


def test_channels_of_unlike_strength_and_black_come_back_each_in_its_own(tmp_path):
    strength, blacks = np.array([0.45, 1.0, 0.62]), (500, 520, 508, 512)
    light = np.dstack([LEVEL * value for value in strength])
    mosaic = np.empty((ROWS, COLS), np.uint16)
    for place, (r, c) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        plane = light[r::2, c::2, RGGB[place]]
        mosaic[r::2, c::2] = np.rint(blacks[place] + plane * (WHITE - max(blacks)))
    numbers, levels = read_with_levels(write_dng(tmp_path / "a.dng", mosaic, white=WHITE, black=blacks))
    assert sorted(levels.black) == sorted(map(float, blacks))
    even = slice(4, -4)
    for channel in range(3):
        own = light_of(numbers)[..., channel][even, even]
        # photosites of the channel itself, and what was put between them
        assert np.abs(own - light[even, even, channel]).max() < 0.004
        assert np.abs(own - light[even, even, channel]).mean() < 0.0005


@pytest.mark.parametrize("channels", [1, 3])
def test_linear_dng_comes_back_as_written(tmp_path, channels):
    ramp = np.linspace(-0.005, 0.99, COLS) * np.ones((ROWS, 1))
    blacks, whites = (100, 140, 120)[:channels], (15000, 14000, 15600)[:channels]
    light = np.dstack([ramp, 0.9 * ramp, 0.5 * ramp])[..., :channels]
    mine = np.dstack([stored(light[..., c], blacks[c], whites[c]) for c in range(channels)])
    mine = mine if channels == 3 else mine[..., 0]
    file = write_dng(tmp_path / "a.dng", mine, white=whites, black=blacks, pattern=None)
    numbers = read_photograph(file)
    assert numbers.shape == mine.shape
    assert photograph_size(file) == (ROWS, COLS)
    assert residual(light_of(numbers), light) < LARGEST_RESIDUAL


@pytest.mark.parametrize("pattern", [RGGB, None])
def test_a_linearisation_table_is_applied(tmp_path, pattern):
    table = np.rint(WHITE * np.linspace(0, 1, 4096) ** 2).astype(int)
    ramp = np.linspace(0, 0.99, COLS) * np.ones((ROWS, 1))
    codes = np.rint(np.sqrt(ramp) * 4095).astype(np.uint16)
    known = table[codes] / WHITE
    codes = codes if pattern else np.dstack([codes] * 3)
    file = write_dng(tmp_path / "a.dng", codes, white=WHITE, pattern=pattern, table=table.tolist())
    assert residual(light_of(read_photograph(file))[:, 2:-2], known[:, 2:-2]) < LARGEST_RESIDUAL


def test_another_pattern_keeps_its_pedestal_too(tmp_path):
    ramp = np.linspace(-0.015, 0.99, 600) * np.ones((520, 1))
    file = write_dng(tmp_path / "a.dng", stored(ramp), white=WHITE, black=(BLACK,), pattern=X_TRANS)
    numbers = read_photograph(file)
    assert numbers.shape == (520, 600, 3)
    assert residual(light_of(numbers)[8:-8, 8:-8], ramp[8:-8, 8:-8]) < LARGEST_RESIDUAL


def test_what_a_full_photosite_counts_in_is_white(tmp_path):
    mosaic = stored(np.full((40, 50), 0.3))
    mosaic[20, 31] = WHITE + 7
    numbers = read_photograph(write_dng(tmp_path / "a.dng", mosaic, white=WHITE, black=(BLACK,)))
    full = (numbers == RAW_WHITE).all(axis=2)
    assert full[18:23, 29:34].all()
    assert full.sum() == 25
    rest = light_of(numbers)[~full]
    assert np.abs(rest[rest < 1] - 0.3).max() < 0.7 / 16 + 0.001


def test_noise_about_black_stays_even_about_zero(tmp_path):
    noise = np.random.default_rng(5).normal(0, 6, (200, 200))
    dark = np.rint(BLACK + noise).astype(np.uint16)
    light = light_of(read_photograph(write_dng(tmp_path / "a.dng", dark, white=WHITE, black=(BLACK,))))
    step = 1 / (WHITE - BLACK)
    assert np.abs(light.mean(axis=(0, 1))).max() < 6 * step / 30
    assert np.mean(light < 0) == pytest.approx(0.5, abs=0.05)


def test_the_turning_that_the_camera_asks_for_is_not_followed(tmp_path):
    numbers = stored(LEVEL)
    straight = read_photograph(write_dng(tmp_path / "a.dng", numbers, white=WHITE, black=(BLACK,)))
    turned = write_dng(tmp_path / "b.dng", numbers, white=WHITE, black=(BLACK,), extra=[(274, "H", 1, 6, True)])
    assert np.array_equal(read_photograph(turned), straight)


def test_raw_is_told_by_its_tags_whatever_it_is_called(tmp_path):
    file = write_dng(tmp_path / "a.tif", stored(LEVEL), white=WHITE, black=(BLACK,))
    assert is_raw(file)
    assert read_photograph(file).shape == (ROWS, COLS, 3)


# --- geometry ---------------------------------------------------------------------------------------------------------

SIDE, FINE = 192, 8
STRENGTH = np.array([0.5, 1.0, 0.6])


def drawn(scene):
    """What square pixels see of a drawing f(x, y), pixels being 1 wide."""
    y, x = (np.mgrid[: SIDE * FINE, : SIDE * FINE] + 0.5) / FINE
    return scene(x, y).reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))


def read_back(seen):
    mosaic = np.empty_like(seen)
    for place, (r, c) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        mosaic[r::2, c::2] = STRENGTH[RGGB[place]] * seen[r::2, c::2]
    whole = np.concatenate([band for _, band in demosaic(mosaic, ((0, 1), (1, 2)), np.zeros((2, 2)), 1)])
    return (whole / STRENGTH)[8:-8, 8:-8]


def test_a_slanted_edge_has_no_zipper_and_no_channel_beside_the_others():
    lean = np.radians(5)
    edge = drawn(lambda x, y: np.where((x - 96) * np.cos(lean) + (y - 96) * np.sin(lean) > 0, 0.8, 0.2))
    back = read_back(edge)
    seen = edge[8:-8, 8:-8]
    # a zipper is an error that changes from pixel to pixel along the edge; the edge is 0.6 high
    assert np.abs(back - seen[..., None]).max() < 0.02
    # where each channel has its edge in each row, by the light beside it
    places = (back - seen[..., None]).sum(axis=1) / 0.6
    assert np.abs(places).max() < 0.05
    assert np.abs(places.mean(axis=0)).max() < 0.002


def test_fine_rings_come_back_better_than_from_bilinear_interpolation():
    import cv2

    rings = drawn(lambda x, y: 0.5 + 0.3 * np.cos(np.pi * 0.35 / SIDE * ((x - 96) ** 2 + (y - 96) ** 2)))
    mosaic = np.empty_like(rings)
    for place, (r, c) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        mosaic[r::2, c::2] = STRENGTH[RGGB[place]] * rings[r::2, c::2]
    plain = cv2.demosaicing(np.rint(mosaic * 60000).astype(np.uint16), cv2.COLOR_BayerRGGB2RGB) / 60000 / STRENGTH
    seen = rings[8:-8, 8:-8, None]
    error, plain_error = np.std(read_back(rings) - seen), np.std(plain[8:-8, 8:-8] - seen)
    assert error < 0.005
    assert error < plain_error / 8


def test_bands_change_no_number():
    draw = np.random.default_rng(3).uniform(0, 1, (2 * BAND_ROWS + 11, 40))
    whole = np.concatenate([band for _, band in demosaic(draw, ((1, 0), (2, 1)), np.zeros((2, 2)), 1)])
    assert whole.shape == (*draw.shape, 3)
    lower = np.concatenate([band for _, band in demosaic(draw[BAND_ROWS - 8 :], ((1, 0), (2, 1)), np.zeros((2, 2)), 1)])
    for channel in range(3):  # the strengths are those of other rows; apart from them nothing differs
        assert np.abs(whole[BAND_ROWS:, :, channel] - lower[8:, :, channel]).max() < 0.05


# --- refusals ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [2, 6], ids=["rgb", "ycbcr"])
def test_a_raw_file_with_a_developed_picture_is_named(tmp_path, kind):
    picture = np.dstack([stored(LEVEL)] * 3)
    file = write_dng(tmp_path / "small.dng", picture, white=WHITE, pattern=None, kind=kind)
    with pytest.raises(FrameError, match=r"small\.dng: is a raw file that holds no linear light .*full-size raw form"):
        read_photograph(file)


def test_a_raw_file_rendered_for_output_is_named(tmp_path):
    rendered = [(50879, "H", 1, 1, True)]
    file = write_dng(tmp_path / "a.dng", stored(LEVEL), white=WHITE, extra=rendered)
    with pytest.raises(FrameError, match=r"holds no linear light \(its colours are rendered for output"):
        read_photograph(file)


def test_a_reduced_size_form_that_the_camera_made_is_named(tmp_path, monkeypatch):
    """Such a file is of a maker's own form; LibRaw hands it over with colour in every pixel."""
    stack = type(
        "Raw", (), {"raw_type": rawpy.RawType.Stack, "__enter__": lambda raw: raw, "__exit__": lambda *_: None}
    )
    monkeypatch.setattr(rawpy, "imread", lambda _: stack())
    (tmp_path / "small.cr2").write_bytes(b"II*\0" + b"\0" * 100)
    with pytest.raises(FrameError, match=r"small\.cr2: is a raw file that holds no linear light \(a reduced-size form"):
        read_raw(tmp_path / "small.cr2")


@pytest.mark.parametrize("pattern", [RGGB, None])
@pytest.mark.parametrize("kept", [0.3, 0.98])
def test_a_raw_file_that_was_cut_off_is_found(tmp_path, pattern, kept):
    numbers = stored(LEVEL) if pattern else np.dstack([stored(LEVEL)] * 3)
    file = write_dng(tmp_path / "a.dng", numbers, white=WHITE, pattern=pattern)
    content = file.read_bytes()
    file.write_bytes(content[: int(kept * len(content))])
    with pytest.raises(FrameError, match=r"a\.dng: cannot be read .*copy it again"):
        read_photograph(file)


def test_levels_that_cannot_be_are_named(tmp_path):
    file = write_dng(tmp_path / "a.dng", stored(LEVEL), white=100, black=(BLACK,))
    with pytest.raises(FrameError, match=r"a\.dng: cannot be read \(its white level 100 is not above its black level"):
        read_photograph(file)


@pytest.mark.parametrize("content", [b"FUJIFILMCCD-RAW 0201" + b"\0" * 400, b"\0\0\0\x18ftypcrx " + b"\0" * 400])
def test_a_raw_form_that_cannot_be_opened_is_named(tmp_path, content):
    (tmp_path / "a.raw").write_bytes(content)
    with pytest.raises(FrameError, match=r"a\.raw: ") as refusal:
        read_photograph(tmp_path / "a.raw")
    assert "\n" not in str(refusal.value)
