"""The lens's distortion from photographs of a checkerboard. Arrays in, numbers and sentences out.

OpenCV finds the corners and fits focal length, centre and coefficients. Boards that all lie flat, as in the plate's
plane, do not tell the focal length; it is then set, which changes the coefficients and not the correction.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.errors import FrameError, SessionError
from lightdome.session.lens import COEFFICIENTS, Lens
from lightdome.session.records import Camera, Checkerboard

FEWEST_BOARDS, MANY_BOARDS = 3, 8
"""Fewer are refused; fewer than many are warned of (common practice asks for ten or more; no single source)."""
LARGEST_RMS_PX, POOR_RMS_PX = 2.0, 0.5
"""Reprojection error that is refused, and that is warned of. No source: a board well in focus gives 0.05 to 0.3 px."""
REFINED_SHARE = 0.3
"""Half width of the surroundings in which a corner is refined, over the distance to the next corner."""
FEWEST_REACH = 0.8
"""Share of the way from the picture's middle to its corner that corners of boards should reach; beyond is a guess."""
POOR_CORRECTION_PX = 0.5
POOR_FOCAL = 0.05
"""Relative standard deviation of the focal length over which the boards do not tell it."""
LEAST_TILT_DEG = 5.0
"""Boards that all lie flatter tell it not at all."""
SET_FOCAL = 4.0
"""Focal length that is then set, in the longer side of the picture: a long lens, as copy work has."""
OTHER_PITCH = 0.005
"""Relative difference of the pixel pitch of the flattest board from the session's that is said."""


@dataclass(frozen=True)
class Fit:
    """What the boards tell."""

    lens: Lens
    u_coefficients: tuple[float, ...]
    """Standard deviations of k1, k2, p1, p2 (OpenCV's, from the scatter of the corners); k3 is left out, zero."""
    u_focal_px: float | None
    """None where the focal length was set."""
    u_centre_px: tuple[float, float] | None
    rms_px: float
    """Root mean square distance between corners found and corners predicted."""
    boards: int
    corners: int
    reach: float
    """Farthest corner from the picture's middle, over the distance of the picture's own corners."""
    u_correction_px: float
    """Standard uncertainty of the correction where it is least sure in the picture, leaving out board after board."""
    flattest_pitch_mm: float
    """Millimetres a pixel on the board that lies flattest."""
    flattest_tilt_deg: float


def board_corners(grey: np.ndarray, board: Checkerboard) -> np.ndarray | None:
    """Inner corners (down - 1, across - 1, 2: column, row), or None where the whole board is not seen.

    grey : (rows, columns), any unsigned depth.  Corners by sectors (Duda and Frese 2018), refined where all
    gradients around point to (Foerstner 1987, from memory); whole pixels are middles.
    """
    import cv2

    inner = (board.squares[0] - 1, board.squares[1] - 1)
    top = float(np.percentile(grey[::4, ::4], 99.5)) or 1.0
    picture = np.clip(grey * (255 / top), 0, 255).astype(np.uint8)
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY
    found, corners = cv2.findChessboardCornersSB(picture, inner, flags)
    if not found:
        return None
    corners = corners.reshape(inner[1], inner[0], 2)
    apart = min(np.hypot(*np.moveaxis(np.diff(corners, axis=axis), -1, 0)).min() for axis in (0, 1))
    half = max(2, int(apart * REFINED_SHARE))
    until = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-4)
    refined = cv2.cornerSubPix(picture, corners.reshape(-1, 1, 2), (half, half), (-1, -1), until)
    return refined.reshape(inner[1], inner[0], 2).astype(float)


def find_distortion(
    camera: Camera, corners: Mapping[str, np.ndarray | None], shape: tuple[int, int]
) -> tuple[dict[str, Any] | None, list[str]]:
    """What `frames/quality.json` says of the distortion, and its warnings; None where there is nothing to correct.

    corners : of `board_corners`, by photograph of role checkerboard.  Fails with SessionError where settings and
    photographs do not belong together, with FrameError as `fit_lens`.
    """
    if camera.lens:
        if camera.lens.folds(shape):
            raise SessionError(
                "session.yaml, camera.distortion: the coefficients fold the picture over itself; check focal_px and "
                "centre_px, which they belong to"
            )
        unused = ["the checkerboards are not used, since camera.distortion is given"] if corners else []
        return {"source": "given", **camera.lens._asdict(), "largest_px": camera.lens.largest_px(shape)}, unused
    if corners and camera.checkerboard is None:
        raise SessionError(
            "session.yaml, camera: has no checkerboard, and frames.csv has its photographs; add "
            "checkerboard: {squares: [across, down], square_mm}, or delete the rows"
        )
    if camera.checkerboard is None:
        return None, []
    if not corners:
        raise SessionError(
            "session.yaml, camera.checkerboard: frames.csv has no photograph of role checkerboard; add the rows, or "
            "delete the key"
        )
    seen = {name: points for name, points in corners.items() if points is not None}
    fit = fit_lens(seen, camera.checkerboard, shape)
    facts = {
        "source": "checkerboard",
        **fit.lens._asdict(),
        **{f"u_{name}": value for name, value in zip(COEFFICIENTS[:4], fit.u_coefficients, strict=True)},
        "u_focal_px": fit.u_focal_px,
        "u_centre_px": fit.u_centre_px,
        "rms_px": fit.rms_px,
        "largest_px": fit.lens.largest_px(shape),
        "u_largest_px": fit.u_correction_px,
        "boards": fit.boards,
        "corners": fit.corners,
        "reach": fit.reach,
        "flattest_board": {"pixel_pitch_mm": fit.flattest_pitch_mm, "tilt_deg": fit.flattest_tilt_deg},
    }
    return facts, fit_warnings(fit, sorted(set(corners) - set(seen)), camera.pixel_pitch_mm)


def fit_lens(corners: Mapping[str, np.ndarray], board: Checkerboard, shape: tuple[int, int]) -> Fit:
    """Focal length, centre and coefficients from the corners (down - 1, across - 1, 2) of several boards, by file.

    shape : rows and columns of the photographs.  Fails with FrameError where boards are too few or fit badly.
    """
    names = list(corners)
    if len(names) < FEWEST_BOARDS:
        raise FrameError(
            f"camera.checkerboard: the whole board was found on {len(names)} photographs, and at least "
            f"{FEWEST_BOARDS} are needed; photograph it {MANY_BOARDS} times or more, turned and moved over the whole "
            f"picture, and check camera.checkerboard.squares ({board.squares[0]} across, {board.squares[1]} down)"
        )
    seen = [corners[name].reshape(-1, 1, 2).astype(np.float32) for name in names]
    focal_px = None
    solved = _solve(seen, board, shape, None)
    if solved.tilts_deg.max() < LEAST_TILT_DEG or not solved.deviations[0] < POOR_FOCAL * solved.lens.focal_px:
        focal_px = SET_FOCAL * max(shape)
        solved = _solve(seen, board, shape, focal_px)
    if not solved.rms_px <= LARGEST_RMS_PX or solved.lens.folds(shape):
        worst = names[int(np.argmax(solved.board_rms_px))]
        raise FrameError(
            f"{worst}: the checkerboards do not fit one lens (rms {solved.rms_px:.2f} px, this one worst); the board "
            f"may be bent, or zoom or focus was changed between them; photograph them again, or delete this row"
        )
    middle = (np.array([shape[1], shape[0]]) - 1) / 2
    reach = max(float(np.hypot(*(points.reshape(-1, 2) - middle).T).max()) for points in seen)
    flattest = int(np.argmin(solved.tilts_deg))
    return Fit(
        lens=solved.lens,
        u_coefficients=tuple(float(value) for value in solved.deviations[4:8]),
        u_focal_px=None if focal_px else float(solved.deviations[0]),
        u_centre_px=None if focal_px else (float(solved.deviations[2]), float(solved.deviations[3])),
        rms_px=solved.rms_px,
        boards=len(names),
        corners=sum(len(points) for points in seen),
        reach=reach / float(np.hypot(*middle)),
        u_correction_px=_left_out(seen, board, shape, solved.lens, focal_px),
        flattest_pitch_mm=float(solved.distances_mm[flattest] / solved.lens.focal_px),
        flattest_tilt_deg=float(solved.tilts_deg[flattest]),
    )


def fit_warnings(fit: Fit, unseen: list[str], pixel_pitch_mm: float) -> list[str]:
    """What is doubtful about the distortion, and what to do."""
    found = []
    if unseen:
        found.append(f"the whole checkerboard was not found on {', '.join(unseen)}; these are not used")
    if fit.boards < MANY_BOARDS:
        found.append(f"the distortion rests on {fit.boards} checkerboards; {MANY_BOARDS} or more are better")
    if fit.rms_px > POOR_RMS_PX:
        found.append(
            f"the checkerboards fit the lens to {fit.rms_px:.2f} px (rms) only; is the board flat and in focus?"
        )
    if fit.reach < FEWEST_REACH:
        found.append(
            f"the checkerboards reach {100 * fit.reach:.0f} % of the way to the picture's corners; beyond, the "
            f"correction is continued, not measured; photograph the board in the corners too"
        )
    if fit.u_correction_px > POOR_CORRECTION_PX:
        found.append(
            f"the correction of the distortion is unsure by {fit.u_correction_px:.1f} px in places; photograph more "
            f"boards"
        )
    ratio = fit.flattest_pitch_mm / pixel_pitch_mm
    if abs(ratio - 1) > OTHER_PITCH:
        found.append(
            f"the flattest checkerboard (tilted {fit.flattest_tilt_deg:.1f} degrees) has {fit.flattest_pitch_mm:.5f} "
            f"mm a pixel where session.yaml says {pixel_pitch_mm:.5f} ({100 * (ratio - 1):+.1f} %); if it lay in the "
            f"plate's plane, correct pixel_pitch_mm; it was not changed"
        )
    return found


@dataclass(frozen=True)
class _Solved:
    lens: Lens
    deviations: np.ndarray
    """Of OpenCV's focal lengths, centre and coefficients, in its order."""
    rms_px: float
    board_rms_px: np.ndarray
    tilts_deg: np.ndarray
    distances_mm: np.ndarray
    """Of the boards' middles from the camera, along its axis."""


def _solve(seen: list[np.ndarray], board: Checkerboard, shape: tuple[int, int], focal_px: float | None) -> _Solved:
    import cv2

    inner = (board.squares[0] - 1, board.squares[1] - 1)
    flat = np.zeros((inner[0] * inner[1], 3), np.float32)
    flat[:, :2] = np.mgrid[: inner[0], : inner[1]].T.reshape(-1, 2) * board.square_mm
    # the third radial coefficient runs wild where no board reaches, and long lenses do not need it
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_K3
    camera = np.eye(3)
    camera[0, 0] = camera[1, 1] = focal_px or SET_FOCAL * max(shape)
    camera[:2, 2] = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    if focal_px:
        flags |= cv2.CALIB_FIX_FOCAL_LENGTH | cv2.CALIB_FIX_PRINCIPAL_POINT
    try:
        rms, camera, coefficients, turns, places, deviations, _, per_board = cv2.calibrateCameraExtended(
            [flat] * len(seen), seen, shape[::-1], camera, np.zeros(5), flags=flags
        )
    except cv2.error as error:
        raise FrameError(
            "camera.checkerboard: the boards tell no lens (all alike?); photograph them turned and moved"
        ) from error
    coefficients = coefficients.ravel()[:5]
    lens = Lens(float(camera[0, 0]), (float(camera[0, 2]), float(camera[1, 2])), *(float(k) for k in coefficients))
    matrices = [cv2.Rodrigues(turn)[0] for turn in turns]
    tilts = [np.degrees(np.arccos(min(1.0, abs(matrix[2, 2])))) for matrix in matrices]
    middle = flat.mean(axis=0)
    distances = [float((matrix @ middle + place.ravel())[2]) for matrix, place in zip(matrices, places, strict=True)]
    return _Solved(lens, deviations.ravel(), float(rms), per_board.ravel(), np.array(tilts), np.array(distances))


def _left_out(
    seen: list[np.ndarray], board: Checkerboard, shape: tuple[int, int], lens: Lens, focal_px: float | None
) -> float:
    """Jackknife of the correction, px: the largest standard error over the picture (Efron 1982, from memory).

    What a shift, a rotation or a change of size of the whole picture would do as well is no distortion and is left out.
    """
    grid = np.stack(np.meshgrid(np.linspace(0, shape[1] - 1, 9), np.linspace(0, shape[0] - 1, 9)), -1).reshape(-1, 2)
    usual = lens.seen_px(grid) @ [1, 1j]
    basis = np.stack([np.ones_like(usual), usual], axis=1)
    misses = []
    for index in range(len(seen)):
        other = _solve(seen[:index] + seen[index + 1 :], board, shape, focal_px).lens.seen_px(grid) @ [1, 1j]
        misses.append(other - basis @ np.linalg.lstsq(basis, other, rcond=None)[0])
    spread = np.array(misses) - np.mean(misses, axis=0)
    count = len(seen)
    return float(np.sqrt((count - 1) / count * (np.abs(spread) ** 2).sum(axis=0)).max())
