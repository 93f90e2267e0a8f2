"""The whole step on files written here: exact arithmetic of dark, ambient, flat, mask, exposure, colour and shift."""

import errno
import json
import os
from pathlib import Path

import numpy as np
import pytest
from captures import PLACES, grain

from lightdome import store
from lightdome.errors import FrameError, ProductError, SessionError
from lightdome.frames.steps import stack_frames
from lightdome.session.lens import Lens

NAMES = list(PLACES)
WHITE = 65535


def shifts(**moved):
    return {"frames": [{"file": f"frames/{name}.png", "shift_px": moved.get(name, [0, 0])} for name in NAMES]}


def stacked(folder, quality=None, **settings):
    folder.write()
    out = folder.path.parent / "out"
    store.write_json(out / "quality.json", quality or shifts())
    stack_frames(folder.path, "TP-017", "front", "A", out / "quality.json", out / "stack.zarr.zip", **settings)
    assert sorted(os.listdir(out)) == ["quality.json", "stack.zarr.zip"]
    with store.open_stack(out / "stack.zarr.zip") as stack:
        return stack.read(), stack.read_colour(), stack


def refused(folder, error, quality=None):
    with pytest.raises(error) as refusal:
        stacked(folder, quality)
    out = folder.path.parent / "out"
    assert sorted(os.listdir(out)) == ["quality.json"]
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_light_is_sensor_number_over_white_in_the_order_of_the_lamps(folder):
    folder.frames.reverse()
    light, colour, stack = stacked(folder)
    assert stack.lamps == tuple(NAMES)
    assert stack.grid.pitch_mm == 0.05
    expected = np.stack([grain(index) / WHITE for index in range(5)])
    assert np.abs(light - expected).max() < 1e-7
    assert np.abs(colour - expected.mean(axis=0)).max() < 1e-6
    assert stack.attrs["flat_divided"] is False
    assert stack.attrs["provenance"]["step"] == "stack-frames"


def test_clipped_pixels_are_unknown(folder):
    image = grain(0)
    image[3, 4] = WHITE
    folder.picture("frames/L1.png", image)
    light, colour, _ = stacked(folder)
    assert np.argwhere(np.isnan(light)).tolist() == [[0, 3, 4]]
    assert colour[0, 3, 4] == pytest.approx(np.mean([grain(index)[3, 4] for index in range(1, 5)]) / WHITE, rel=1e-6)


def test_dark_and_ambient_are_subtracted_as_means(folder):
    darks = [np.full((64, 80), value, np.uint16) for value in (100, 140)]
    ambient = grain(30) // 64 + 200
    for index, dark in enumerate(darks):
        folder.picture(f"frames/d{index}.png", dark)
        folder.frames.append(f"frames/d{index}.png,,,,dark,")
    light, _, _ = stacked(folder)
    assert np.abs(light[2] - (grain(2) - 120.0) / WHITE).max() < 1e-7
    folder.picture("frames/a.png", ambient)
    folder.frames.append("frames/a.png,TP-017,front,A,ambient,")
    light, _, _ = stacked(folder)
    assert np.abs(light[2] - (grain(2) - ambient.astype(float)) / WHITE).max() < 1e-7


def test_the_mask_leaves_nan_outside(folder):
    mask = np.zeros((64, 80), np.uint8)
    mask[10:50, 20:70] = 255
    folder.picture("frames/mask.png", mask)
    folder.frames.append("frames/mask.png,TP-017,front,A,mask,")
    light, colour, stack = stacked(folder)
    assert np.array_equal(np.isfinite(light).all(axis=0), mask > 0)
    assert np.array_equal(np.isfinite(colour).all(axis=0), mask > 0)
    assert stack.attrs["masked"] is True


def test_a_mask_without_plate_is_refused(folder):
    folder.picture("frames/mask.png", np.zeros((64, 80), np.uint8))
    folder.frames.append("frames/mask.png,TP-017,front,A,mask,")
    assert "mask.png: holds no pixel above zero" in refused(folder, FrameError)


def test_exposure_times_are_evened_out(folder):
    folder.frames = [f"{row},{0.5 if ',lit,L2' in row else 0.25}" for row in folder.frames if "TP-017" in row]
    folder.write()
    table = folder.path / "frames.csv"
    text = table.read_text().replace("role,lamp\n", "role,lamp,exposure_s\n")
    out = folder.path.parent / "out"
    store.write_json(out / "quality.json", shifts())
    table.write_text(text)
    stack_frames(folder.path, "TP-017", "front", "A", out / "quality.json", out / "s.zarr.zip")
    with store.open_stack(out / "s.zarr.zip") as stack:
        assert stack.attrs["exposure_s"] == 0.25
        assert np.abs(stack.read()[1] - grain(1) / WHITE / 2).max() < 1e-7
        assert np.abs(stack.read()[0] - grain(0) / WHITE).max() < 1e-7
    table.write_text(text.replace(",0.5\n", ",\n"))
    with pytest.raises(SessionError, match="row 3, column exposure_s: is empty while other lit photographs"):
        stack_frames(folder.path, "TP-017", "front", "A", out / "quality.json", out / "s.zarr.zip")


def test_a_field_of_unequal_lamps_over_a_flat_board_shows_one_reflectance(folder):
    """A matt plate, flat as the board: its light over the board's is its reflectance, under every lamp."""
    rows, cols = np.mgrid[:64, :80]
    reflectance = 0.3 + 0.4 * (grain(77) / 40000.0)
    levels = []
    for index, name in enumerate(NAMES):
        board = (0.2 + 0.1 * index) * (1 - 0.004 * rows + 0.003 * index * cols)
        board = np.round(board * 30000).astype(np.uint16)
        levels.append(board.mean() / WHITE)
        folder.picture(f"frames/flat-{name}.png", board)
        folder.picture(f"frames/{name}.png", np.round(board * reflectance).astype(np.uint16))
        folder.frames.append(f"frames/flat-{name}.png,,,,flat,{name}")
    light, _, stack = stacked(folder)
    assert stack.attrs["flat_divided"] is True
    # half a sensor number of a board of 6000 is under 1e-4
    assert np.abs(light / np.mean(levels) - reflectance).max() < 2e-4


def test_a_board_too_dark_to_divide_by_leaves_the_pixel_unknown(folder):
    for name in NAMES:
        board = np.full((64, 80), 20000, np.uint16)
        board[5, 6] = 100
        folder.picture(f"frames/flat-{name}.png", board)
        folder.frames.append(f"frames/flat-{name}.png,,,,flat,{name}")
    light, _, _ = stacked(folder)
    assert np.isnan(light[:, 5, 6]).all()
    assert np.isfinite(light[:, 5, 7]).all()


def test_a_lamp_without_its_flat_board_is_named(folder):
    folder.picture("frames/flat.png", grain(1))
    folder.frames.append("frames/flat.png,,,,flat,L1")
    assert "lamp 'L2' has no flat photograph while others have" in refused(folder, FrameError)


def test_a_black_flat_board_is_named(folder):
    for name in NAMES:
        folder.picture(f"frames/flat-{name}.png", np.zeros((64, 80), np.uint16))
        folder.frames.append(f"frames/flat-{name}.png,,,,flat,{name}")
    assert "flat-L1.png: the flat board holds no light" in refused(folder, FrameError)


def test_coloured_lamps_are_balanced_before_the_channels_are_averaged(folder):
    powers = {name: (1.0 + 0.1 * index, 2.0, 0.5 + 0.2 * index) for index, name in enumerate(NAMES)}
    surface = np.stack([0.1 + grain(seed) / 200000.0 for seed in (51, 52, 53)], axis=2)
    for name, power in powers.items():
        folder.picture(f"frames/{name}.png", np.round(surface * power * 30000).astype(np.uint16))
    folder.write()
    places = [f"{name},{','.join(map(str, PLACES[name]))},{','.join(map(str, powers[name]))}" for name in NAMES]
    out = folder.path.parent / "out"
    (folder.path / "lamps.csv").write_text("\n".join(["lamp,x_mm,y_mm,z_mm,power_r,power_g,power_b", *places]))
    store.write_json(out / "quality.json", shifts())
    stack_frames(folder.path, "TP-017", "front", "A", out / "quality.json", out / "s.zarr.zip")
    with store.open_stack(out / "s.zarr.zip") as stack:
        light, colour = stack.read(), stack.read_colour()
    mean_power = np.array([np.mean(power) for power in powers.values()])
    # divided by its mean power, each lamp shows the grey of the surface
    grey = surface.mean(axis=2) * 30000 / WHITE
    assert np.abs(light / mean_power[:, None, None] - grey).max() < 2e-5
    expected = surface.transpose(2, 0, 1) * mean_power.mean() * 30000 / WHITE
    assert np.abs(colour - expected).max() < 4e-5


def test_a_colour_photograph_gives_the_mean_colour(folder):
    folder.picture("frames/d.png", np.full((64, 80), 300, np.uint16))
    folder.picture("frames/c.png", np.dstack([grain(60), grain(61), grain(62)]))
    folder.frames += ["frames/c.png,TP-017,front,A,colour,", "frames/d.png,,,,dark,"]
    _, colour, _ = stacked(folder)
    expected = np.stack([(grain(seed) - 300.0) / WHITE for seed in (60, 61, 62)])
    assert np.abs(colour - expected).max() < 1e-7


def test_a_moved_frame_is_moved_back(folder):
    large = np.pad(grain(2).astype(np.uint16), 8, mode="reflect")
    folder.picture("frames/L3.png", large[5 : 5 + 64, 10 : 10 + 80])
    light, _, stack = stacked(folder, shifts(L3=[3, -2]))
    known = np.isfinite(light[2])
    assert known.sum() == 61 * 78
    assert np.abs(light[2] - grain(2) / WHITE)[known].max() < 1e-7
    assert stack.attrs["shifts_px"][2] == [3, -2]


def seen_through(lens, picture):
    """A picture of a formula of column and row, photographed through OpenCV's own distortion of points."""
    import cv2

    rows, cols = np.mgrid[:64, :80].astype(np.float64)
    camera = np.array([[lens.focal_px, 0, lens.centre_px[0]], [0, lens.focal_px, lens.centre_px[1]], [0, 0, 1]])
    coefficients = np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])
    until = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-10)
    points = np.stack([cols, rows], axis=-1).reshape(-1, 1, 2)
    straight = cv2.undistortImagePoints(points, camera, coefficients, arg1=until).reshape(64, 80, 2)
    return picture(straight[..., 0], straight[..., 1])


def test_the_lens_is_taken_out_of_frames_mask_and_colour_and_of_boards_by_division(folder):
    lens = Lens(120.0, (41.0, 30.0), -0.12, 0.03, 0.0, 0.0, 0.0)
    assert lens.largest_px((64, 80)) > 1

    def reflectance(col, row):
        return 0.5 + 0.2 * np.sin(0.5 * col + 0.1 * row)

    board = 20000 + 10000 * np.cos(np.arange(80) / 30) * np.ones((64, 1))
    for index, name in enumerate(NAMES):
        # the board's light falls off on the sensor, so it is divided out before pixels are moved
        folder.picture(f"frames/flat-{name}.png", np.round(board * (1 + 0.1 * index)).astype(np.uint16))
        light = board * (1 + 0.1 * index) * seen_through(lens, reflectance)
        folder.picture(f"frames/{name}.png", np.round(light).astype(np.uint16))
        folder.frames.append(f"frames/flat-{name}.png,,,,flat,{name}")
    disc = seen_through(lens, lambda col, row: np.hypot(col - 40, row - 32) < 28)
    folder.picture("frames/mask.png", (255 * disc).astype(np.uint8))
    colour = seen_through(lens, reflectance)
    folder.picture("frames/c.png", np.repeat(np.round(40000 * colour)[..., None], 3, axis=2).astype(np.uint16))
    folder.frames += ["frames/mask.png,TP-017,front,A,mask,", "frames/c.png,TP-017,front,A,colour,"]
    quality = shifts() | {"distortion": {"source": "given", **lens._asdict()}}
    light, colour, stack = stacked(folder, quality)
    rows, cols = np.mgrid[:64, :80]
    away = np.hypot(cols - 40, rows - 32)
    known = np.isfinite(light[0])
    assert known[away < 27].all()
    assert not known[away > 29].any()
    level = np.nanmedian(light[0] / reflectance(cols, rows))
    assert np.abs(light[:, known] / level - reflectance(cols, rows)[known]).max() < 0.01
    assert np.abs(colour[:, known] - 40000 / WHITE * reflectance(cols, rows)[known]).max() < 0.01
    assert stack.attrs["distortion"]["k1"] == -0.12


def test_a_turned_frame_is_turned_back(folder):
    rows, cols = np.mgrid[:64, :80].astype(float)

    def picture(row, col):
        return 20000 + 8000 * np.sin(0.4 * col + 0.2 * row) + 5000 * np.cos(0.5 * row)

    for name in NAMES:
        folder.picture(f"frames/{name}.png", np.round(picture(rows, cols)).astype(np.uint16))
    angle, scale, shift = np.radians(2.0), 0.99, (1.5, -0.7)
    matrix = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    away = np.stack([rows - 31.5 - shift[0], cols - 39.5 - shift[1]])
    came = np.tensordot(np.linalg.inv(matrix), away, 1)
    moved = picture(came[0] + 31.5, came[1] + 39.5)
    folder.picture("frames/L3.png", np.round(moved).astype(np.uint16))
    quality = shifts(L3=shift)
    quality["frames"][2] |= {"rotation_deg": 2.0, "scale": 0.99}
    light, _, stack = stacked(folder, quality)
    known = np.isfinite(light[2])
    assert known.mean() > 0.7
    assert np.abs(light[2] - picture(rows, cols) / WHITE)[known].max() < 0.003
    assert stack.attrs["turns"][2] == pytest.approx([matrix[0, 0] - 1, matrix[1, 0]])


def test_a_distortion_that_is_not_whole_is_named(folder):
    assert "holds a distortion without 'focal_px'" in refused(
        folder, ProductError, shifts() | {"distortion": {"centre_px": [1, 2]}}
    )


def test_camera_jpeg_is_decoded_to_linear_light(folder):
    folder.settings = folder.settings.replace("response: linear", "response: srgb").replace("65535", "255")
    quality = {"frames": []}
    for index, name in enumerate(NAMES):
        folder.picture(f"frames/{name}.jpg", np.full((64, 80, 3), 40 + 40 * index, np.uint8))
        quality["frames"].append({"file": f"frames/{name}.jpg", "shift_px": [0, 0]})
    folder.frames = [row.replace(".png", ".jpg") for row in folder.frames if "TP-017" in row]
    light, colour, _ = stacked(folder, quality)
    # IEC 61966-2-1: ((v + 0.055) / 1.055)^2.4 of v = 40, 80, ... over 255
    expected = ((np.arange(40, 240, 40) / 255 + 0.055) / 1.055) ** 2.4
    assert np.abs(light.mean(axis=(1, 2)) - expected).max() < 0.01 * expected.max()
    assert colour.shape == (3, 64, 80)


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("tile_px", [256, 512, 1024])
def test_neither_tile_size_nor_threads_change_the_stack(folder, tile_px, threads):
    for index, name in enumerate(NAMES):
        folder.picture(f"frames/{name}.png", grain(index, (540, 300)))
    folder.frames = [row for row in folder.frames if "TP-017" in row]
    quality = shifts(L2=[1.4, -0.6], L4=[-3, 0])
    light, colour, _ = stacked(folder, quality, tile_px=tile_px, threads=threads)
    usual_light, usual_colour, _ = stacked(folder, quality)
    assert np.array_equal(light, usual_light, equal_nan=True)
    assert np.array_equal(colour, usual_colour, equal_nan=True)


def test_a_frame_that_the_quality_does_not_know_is_named(folder):
    quality = shifts()
    quality["frames"].pop()
    assert "does not know frames/L5.png; make it again with check-session" in refused(folder, ProductError, quality)
    assert "holds no facts of frames" in refused(folder, ProductError, {"session": "x"})


def test_a_photograph_changed_since_the_check_is_named(folder):
    folder.picture("frames/L4.png", grain(1, (60, 80)))
    assert "L4.png: is 80 x 60 pixels where the others are 80 x 64" in refused(folder, FrameError)
    folder.picture("frames/L4.png", (grain(1) >> 8).astype(np.uint8))
    assert "L4.png: has another depth" in refused(folder, FrameError)


def test_a_disk_that_fills_up_leaves_no_half_stack(folder, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    assert "the disk is full; free some space" in refused(folder, ProductError)


def test_planes_left_by_a_killed_step_are_swept(folder):
    out = folder.path.parent / "out"
    out.mkdir()
    host = os.uname().nodename
    (out / f".stack.zarr.zip.planes.{host}.999999999.part").write_bytes(b"left")
    stacked(folder)


def test_the_quality_file_must_be_whole(folder):
    folder.write()
    broken = folder.path.parent / "quality.json"
    Path(broken).write_text(json.dumps(shifts())[:-5])
    with pytest.raises(ProductError, match=r"quality\.json: cannot be read as JSON"):
        stack_frames(folder.path, "TP-017", "front", "A", broken, folder.path.parent / "out/stack.zarr.zip")
