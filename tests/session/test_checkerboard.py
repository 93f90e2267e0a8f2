"""The lens from photographs of a board: corners put there by OpenCV's projectPoints, boards rendered by sampling."""

import json
from functools import cache

import cv2
import numpy as np
import pytest

from lightdome.errors import FrameError, SessionError
from lightdome.session.checkerboard import board_corners, find_distortion, fit_lens
from lightdome.session.lens import Lens
from lightdome.session.records import Camera, Checkerboard
from lightdome.session.steps import check_session

BOARD = Checkerboard((11, 8), 10.0)
SHAPE = (360, 480)
TRUE = Lens(1125.0, (244.0, 177.0), -0.21, 0.15, 0.0006, -0.0009, 0.0)
MATRIX = np.array([[TRUE.focal_px, 0, TRUE.centre_px[0]], [0, TRUE.focal_px, TRUE.centre_px[1]], [0, 0, 1]])
COEFFICIENTS = np.array([TRUE.k1, TRUE.k2, TRUE.p1, TRUE.p2, TRUE.k3])
GRID = np.stack(np.meshgrid(np.linspace(0, 479, 21), np.linspace(0, 359, 21)), axis=-1).reshape(-1, 2)


def poses(count, tilt=0.35, seed=2):
    """Rotation vectors and places of boards before the camera."""
    draw = np.random.default_rng(seed)
    for _ in range(count):
        turn = np.array([*draw.uniform(-tilt, tilt, 2), draw.uniform(-0.4, 0.4)])
        distance = draw.uniform(300, 360)
        matrix = cv2.Rodrigues(turn)[0]
        aim = np.array([*draw.uniform(-16, 16, 2), distance])
        yield turn, aim - matrix @ np.array([45.0, 30.0, 0])


def corners_of(turn, place):
    flat = np.zeros((7, 10, 3))
    flat[..., :2] = np.stack(np.meshgrid(np.arange(10) * 10.0, np.arange(7) * 10.0), axis=-1)
    return cv2.projectPoints(flat.reshape(-1, 3), turn, place, MATRIX, COEFFICIENTS)[0].reshape(7, 10, 2)


@cache
def straight_rays():
    """Directions of the pixels' middles, undistorted by OpenCV."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    until = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 30, 1e-9)
    points = np.stack([cols, rows], axis=-1).reshape(-1, 1, 2)
    straight = cv2.undistortImagePoints(points, MATRIX, COEFFICIENTS, arg1=until).reshape(-1, 2)
    return np.hstack([(straight - TRUE.centre_px) / TRUE.focal_px, np.ones((len(straight), 1))])


def photograph(turn, place, seed=0):
    """Grey 16-bit picture of the board; an edge rises over the width that a pixel has on the board."""
    matrix = cv2.Rodrigues(turn)[0]
    rays = straight_rays()
    # the plane of the board: its third coordinate is zero
    along = (matrix[:, 2] @ place) / (rays @ matrix[:, 2])
    x, y, _ = ((rays * along[:, None] - place) @ matrix).T
    pixel_mm = along / TRUE.focal_px

    def sides(across):
        line = np.rint(across / 10)
        return np.where(line % 2, -1, 1) * np.clip(2 * (across - 10 * line) / pixel_mm, -1, 1)

    on_board = (x >= -10) & (x < 100) & (y >= -10) & (y < 70)
    total = np.where(on_board, 0.425 + 0.375 * sides(x) * sides(y), 0.7).reshape(SHAPE)
    noise = np.random.default_rng(seed).normal(0, 0.004, SHAPE)
    return np.clip((total + noise) * 60000, 0, 65535).astype(np.uint16)


def correction_error_px(lens, grid=GRID):
    """Largest difference from the true correction over the picture, but for what mere moving or scaling does."""
    found, true = lens.seen_px(grid) @ [1, 1j], TRUE.seen_px(grid) @ [1, 1j]
    basis = np.stack([np.ones_like(true), true], axis=1)
    return np.abs(
        found
        - basis @ np.linalg.lstsq(basis, found, rcond=None)[0]
        - (true - basis @ np.linalg.lstsq(basis, true, rcond=None)[0])
    ).max()


def exact_boards(count, **how):
    return {f"b{index}.png": corners_of(*pose) for index, pose in enumerate(poses(count, **how))}


def test_the_model_is_the_one_of_opencv():
    rays = np.hstack([(GRID - TRUE.centre_px) / TRUE.focal_px, np.ones((len(GRID), 1))])
    theirs = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), MATRIX, COEFFICIENTS)[0].reshape(-1, 2)
    assert np.abs(TRUE.seen_px(GRID) - theirs).max() < 1e-9


def test_exact_corners_give_the_lens_back():
    fit = fit_lens(exact_boards(10), BOARD, SHAPE)
    assert fit.rms_px < 0.001
    assert fit.lens.focal_px == pytest.approx(TRUE.focal_px, rel=0.002)
    assert correction_error_px(fit.lens) < 0.02
    assert fit.flattest_pitch_mm == pytest.approx(330 / 1125, rel=0.1)


def test_corners_with_noise_are_covered_by_the_uncertainty():
    draw = np.random.default_rng(5)
    boards = {name: points + draw.normal(0, 0.1, points.shape) for name, points in exact_boards(12).items()}
    fit = fit_lens(boards, BOARD, SHAPE)
    assert fit.rms_px == pytest.approx(0.1 * np.sqrt(2), rel=0.15)
    assert correction_error_px(fit.lens) < 3 * fit.u_correction_px
    assert fit.u_correction_px < 1


def test_boards_that_all_lie_flat_give_the_correction_though_not_the_focal_length():
    fit = fit_lens(exact_boards(8, tilt=1e-4), BOARD, SHAPE)
    assert fit.u_focal_px is None
    assert correction_error_px(fit.lens) < 0.1


@pytest.fixture(scope="module")
def rendered():
    return [(pose, photograph(*pose, seed=index)) for index, pose in enumerate(poses(8))]


def test_a_rendered_series_is_corrected_within_a_tenth_of_a_pixel(rendered):
    corners = {}
    for index, (pose, image) in enumerate(rendered):
        found = board_corners(image.astype(np.float32), BOARD)
        assert found is not None
        # the order may begin at the other end of the board
        truth = corners_of(*pose)
        error = min(np.std(found - truth), np.std(found[::-1, ::-1] - truth))
        assert error < 0.08
        corners[f"b{index}.png"] = found
    fit = fit_lens(corners, BOARD, SHAPE)
    assert fit.rms_px < 0.1
    reached = np.abs(GRID - (np.array([480, 360]) - 1) / 2).max(axis=1) < 180 * fit.reach
    assert correction_error_px(fit.lens, GRID[reached]) < 0.1
    assert TRUE.largest_px(SHAPE) > 2


def test_too_few_boards_are_refused_with_what_to_do():
    with pytest.raises(FrameError, match=r"found on 2 photographs, and at least 3 are needed; photograph it 8 times"):
        fit_lens(exact_boards(2), BOARD, SHAPE)


def test_a_bent_board_is_refused_and_named():
    boards = exact_boards(6)
    boards["b3.png"] = boards["b3.png"] + 30 * np.sin(boards["b3.png"][..., ::-1] / 60)
    with pytest.raises(FrameError, match=r"b3\.png: the checkerboards do not fit one lens"):
        fit_lens(boards, BOARD, SHAPE)


def camera(**facts):
    return Camera("orthographic", 0.29, "linear", 0.0, 65535.0, **facts)


def test_settings_and_photographs_must_belong_together():
    with pytest.raises(SessionError, match=r"has no checkerboard, and frames\.csv has its photographs"):
        find_distortion(camera(), {"b.png": None}, SHAPE)
    with pytest.raises(SessionError, match=r"frames\.csv has no photograph of role checkerboard"):
        find_distortion(camera(checkerboard=BOARD), {}, SHAPE)
    with pytest.raises(SessionError, match="fold the picture over itself"):
        find_distortion(camera(lens=TRUE._replace(k1=-20.0)), {}, SHAPE)
    assert find_distortion(camera(), {}, SHAPE) == (None, [])


def test_doubts_are_said_with_what_to_do():
    boards = dict(exact_boards(4)) | {"cut.png": None}
    facts, warnings = find_distortion(camera(checkerboard=BOARD), boards, SHAPE)
    assert facts["boards"] == 4
    said = "; ".join(warnings)
    assert "not found on cut.png" in said
    assert "rests on 4 checkerboards; 8 or more" in said
    pitch = facts["flattest_board"]["pixel_pitch_mm"]
    wrong = Camera("orthographic", pitch * 1.02, "linear", 0.0, 65535.0, checkerboard=BOARD)
    assert "(-2.0 %); if it lay in the plate's plane, correct pixel_pitch_mm; it was not changed" in "; ".join(
        find_distortion(wrong, boards, SHAPE)[1]
    )


def test_check_session_writes_the_lens(folder, rendered):
    base = np.random.default_rng(1).integers(2000, 40000, SHAPE)
    folder.frames = [row for row in folder.frames if "TP-017" in row]
    for index in range(5):
        noise = np.random.default_rng(index).normal(0, 300, SHAPE)
        folder.picture(f"frames/L{index + 1}.png", np.clip(base * 0.8 + noise, 0, 65000).astype(np.uint16))
    for index, (_, image) in enumerate(rendered):
        folder.picture(f"frames/board-{index}.png", image)
        folder.frames.append(f"frames/board-{index}.png,,,,checkerboard,")
    folder.settings = folder.settings.replace(
        "  white_level: 65535\n", "  white_level: 65535\n  checkerboard: {squares: [11, 8], square_mm: 10}\n"
    )
    out = folder.path.parent / "out"
    check_session(
        folder.write(), "TP-017", "front", "A", out / "quality.json", out / "lamps.png", out / "check.html", threads=2
    )
    quality = json.loads((out / "quality.json").read_text())
    assert quality["distortion"]["source"] == "checkerboard"
    assert quality["distortion"]["rms_px"] < 0.1
    assert correction_error_px(Lens.of(quality["distortion"]), GRID) < 0.5
    assert quality["verdict"] == "usable with warnings"
    assert any("mm a pixel where session.yaml says 0.05000" in text for text in quality["warnings"])
