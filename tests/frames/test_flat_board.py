"""A flat matte plate is flat when a board was photographed, though the table's powers are wrong by one percent."""

import csv
from dataclasses import replace

import numpy as np
from scipy import ndimage

from lightdome.frames.steps import stack_frames
from lightdome.lights.steps import locate_lamps
from lightdome.session.steps import check_session
from lightdome.store import read_raster
from lightdome.surface.steps import integrate_height, solve_normals
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.drawing import Drawing
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.reflectance import MATTE
from lightdome.synthetic.sensor import Sensor
from lightdome.synthetic.steps import write_capture

SPEC = CaptureSpec(
    drawing=Drawing(grain_um=0.0),
    shape=(100, 150),
    pitch_mm=1.5,
    sub=1,
    material=MATTE,
    shadows=False,
    flat=True,
    rig=dome(24, radius_mm=400.0, beam_exponent=1.0, power_spread=0.06),
    # noise as of many pixels of a fine camera together
    sensor=Sensor(full_well_e=3e6, read_noise_e=20, bits=16),
)


def bow_um(folder, spec, gain_error):
    """Highest less lowest point of the levelled height, smoothed over a tenth of the plate."""
    folder.mkdir()
    session = folder / "capture"
    write_capture(session, spec)
    draw = np.random.default_rng(2)
    with (session / "lamps.csv").open() as file:
        rows = list(csv.DictReader(file))
    with (session / "lamps.csv").open("w") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(row | {"power": float(row["power"]) * (1 + draw.normal(0, gain_error))} for row in rows)
    field = (session, "TP-001", "front", "A")
    check_session(*field, folder / "quality.json", folder / "layout.png", folder / "check.html")
    stack_frames(*field, folder / "quality.json", folder / "stack.zarr.zip")
    locate_lamps(*field, folder / "stack.zarr.zip", folder / "lamps.json", folder / "spheres.png")
    solved = [folder / f"{name}.tif" for name in ("normals", "uncertainty", "reflectance", "flags")]
    solve_normals(
        folder / "stack.zarr.zip", folder / "lamps.json", *solved, folder / "lobe.json", method="least-squares"
    )
    integrate_height(solved[0], solved[1], folder / "height.tif", folder / "height_uncertainty.tif")
    height = ndimage.gaussian_filter(read_raster(folder / "height.tif").values[0].astype(float), 7.5)
    rows_cols = np.indices(height.shape).reshape(2, -1)
    plane = np.vstack([np.ones(height.size), rows_cols]).T
    return np.ptp(height.ravel() - plane @ np.linalg.lstsq(plane, height.ravel(), rcond=None)[0])


def test_the_board_takes_nine_tenths_of_the_bow_of_wrong_lamp_powers_away(tmp_path):
    without = bow_um(tmp_path / "without", replace(SPEC, flat=False), 0.01)
    with_board = bow_um(tmp_path / "with", SPEC, 0.01)
    assert without > 20
    assert with_board < without / 10
