"""A tilted matt plate under near lamps, with a board and without: photographs to stack to lamps, then numpy's least
squares gives the tilt back (Lambert, inverse square; numpy.linalg.lstsq is nobody's here)."""

import numpy as np
import pytest
from captures import PLACES

from lightdome import store
from lightdome.frames.steps import stack_frames
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.lights.steps import locate_lamps

SHAPE, PITCH_MM = (64, 80), 0.5
NORMAL = np.array([-0.12, 0.2, 1.0]) / np.linalg.norm([-0.12, 0.2, 1.0])
REFLECTANCE = 0.6


def matt(normal, place):
    """Light of a matt plane at z = 0 with this normal: (r0 / d)^2 n.l, computed in double precision."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x = (cols + 0.5 - SHAPE[1] / 2) * PITCH_MM
    y = (SHAPE[0] / 2 - rows - 0.5) * PITCH_MM
    away = np.stack([place[0] - x, place[1] - y, np.full(SHAPE, float(place[2]))])
    distance = np.sqrt((away**2).sum(axis=0))
    return np.dot(place, place) / distance**2 * np.tensordot(normal, away / distance, 1)


@pytest.mark.parametrize("board", [False, True])
def test_a_tilted_plate_comes_back_with_and_without_a_board(folder, board):
    folder.settings = folder.settings.replace("0.05", str(PITCH_MM))
    quality = {"frames": []}
    for name, place in PLACES.items():
        # a vignette and a dirty lamp, which only the board can know
        stain = 1 - 0.3 * (np.mgrid[: SHAPE[0], : SHAPE[1]][1] / SHAPE[1]) ** 2 if board else 1.0
        light = 30000 * REFLECTANCE * stain * matt(NORMAL, place)
        folder.picture(f"frames/{name}.png", np.round(light).astype(np.uint16))
        quality["frames"].append({"file": f"frames/{name}.png", "shift_px": [0, 0]})
        if board:
            folder.picture(f"frames/b{name}.png", np.round(30000 * stain * matt((0, 0, 1), place)).astype(np.uint16))
            folder.frames.append(f"frames/b{name}.png,,,,flat,{name}")
    out, field = folder.path.parent / "out", (folder.write(), "TP-017", "front", "A")
    store.write_json(out / "quality.json", quality)
    stack_frames(*field, out / "quality.json", out / "stack.zarr.zip")
    locate_lamps(*field, out / "stack.zarr.zip", out / "lamps.json", out / "spheres.png")
    lamps = LampSet.from_dict(store.read_json(out / "lamps.json"))
    with store.open_stack(out / "stack.zarr.zip") as stack:
        light = stack.read()
        toward, irradiance = lamp_field(lamps, stack.grid.x_mm(), stack.grid.y_mm())
    for row, col in ((0, 0), (0, 79), (63, 0), (32, 40)):
        matrix = irradiance[:, row, col, None] * toward[:, :, row, col]
        scaled = np.linalg.lstsq(matrix.astype(float), light[:, row, col].astype(float), rcond=None)[0]
        tilt_error_deg = np.degrees(np.arccos(min(1.0, scaled @ NORMAL / np.linalg.norm(scaled))))
        assert tilt_error_deg < 0.02
