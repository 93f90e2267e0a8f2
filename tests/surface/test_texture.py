import json

import numpy as np
import pytest

from lightdome.errors import SurfaceError
from lightdome.surface.scale_limited import fit_plane, limit_scale, nesting_index, nesting_indices
from lightdome.surface.texture import UNITS


def test_plane_through_a_plate_with_holes_is_that_of_lstsq():
    # numpy.linalg.lstsq on the known pixels
    row, col = np.mgrid[0:40, 0:60]
    height = (3 + 0.2 * row - 0.1 * col + np.random.default_rng(13).normal(0, 1, row.shape)).astype(np.float32)
    height[5:15, 20:40] = np.nan
    known = np.isfinite(height)
    design = np.stack([np.ones(known.sum()), row[known], col[known]], axis=1)
    np.testing.assert_allclose(fit_plane(height), np.linalg.lstsq(design, height[known], rcond=None)[0], atol=1e-6)


def test_nesting_indices_follow_the_series():
    assert [nesting_index(value) for value in (0.06, 0.08, 0.081, 0.15, 0.3, 2.0, 9.0)] == [
        pytest.approx(value) for value in (0.08, 0.08, 0.1, 0.2, 0.5, 2.0, 10.0)
    ]
    assert nesting_indices(0.02, None, None) == (pytest.approx(0.08), 2.0)


@pytest.mark.parametrize(("s_mm", "l_mm"), [(0.01, 2.0), (2.5, 2.0), (float("nan"), 2.0), (0.1, float("nan"))])
def test_filters_that_fit_no_plate_are_refused(s_mm, l_mm):
    with pytest.raises(SurfaceError, match="raise it or leave it out"):
        nesting_indices(0.02, s_mm, l_mm)


def test_texture_says_what_it_rests_on(field):
    from lightdome.surface.steps import measure_texture

    x, y = np.meshgrid(np.arange(300) * 0.02, np.arange(240) * 0.02)
    height = 5 * np.sin(2 * np.pi * x / 0.8) + 30 * x - 20 * y
    path = field.write("height.tif", height[None], ["height"], 0.02)
    doubt = field.write("u.tif", np.full((1, 240, 300), 0.3), ["u_height"], 0.02)
    measure_texture(path, doubt, field.folder / "texture.json")
    facts = json.loads((field.folder / "texture.json").read_text())
    assert facts["statement"] == "relative, not traceable"
    assert facts["nesting_indices"] == {"s_filter_mm": pytest.approx(0.08), "l_filter_mm": 2.0}
    assert [region["region"] for region in facts["regions"]][:2] == ["whole", "row 1 column 1"]
    assert len(facts["regions"]) == 10
    middle = facts["regions"][5]
    assert middle["x_mm"] == [pytest.approx(-1), pytest.approx(1)]
    assert middle["y_mm"] == [pytest.approx(-0.8), pytest.approx(0.8)]
    # the wave passes both Gaussians: 2^-(0.08/0.8)^2 and 1 - 2^-(2/0.8)^2; the tilt is gone
    kept = 2 ** -(0.1**2) * (1 - 2 ** -(2.5**2))
    assert middle["parameters"]["Sq"]["value"] == pytest.approx(5 / np.sqrt(2) * kept, rel=0.05)
    assert middle["parameters"]["Sq"]["unit"] == "um"
    assert middle["parameters"]["Sq"]["u"] == pytest.approx(0.3)
    assert middle["parameters"]["Sz"]["u"] is None
    assert "null" in facts["u_reason"]
    assert "plane" in facts["f_operation"]
    assert middle["parameters"]["Str"]["value"] is None
    assert middle["parameters"]["Str"]["reason"].startswith("not defined: along the lay")
    assert list(middle["parameters"]) == list(UNITS)
    # heights have no uncertainty beyond 2 mm
    measure_texture(path, doubt, field.folder / "texture.json", l_filter_mm=2.5)
    wider = json.loads((field.folder / "texture.json").read_text())["regions"][5]
    assert wider["parameters"]["Sq"]["u"] is None


def test_errors_of_the_heights_move_sa_and_sq_no_further_than_said():
    # repeats of one plate under noise of a known standard deviation, and of a gain that all heights share
    rng = np.random.default_rng(15)
    true = limit_scale(rng.normal(0, 20, (150, 150)).astype(np.float32), 8, 100)
    u_height = np.hypot(0.3, 0.08 * true.std())
    moved = []
    for _ in range(60):
        seen = true * (1 + rng.normal(0, 0.08)) + rng.normal(0, 0.3, true.shape)
        moved.append([np.abs(seen - seen.mean()).mean() - np.abs(true - true.mean()).mean(), seen.std() - true.std()])
    assert (np.sqrt(np.mean(np.square(moved), axis=0)) < 1.15 * u_height).all()


def test_maps_of_different_grids_are_refused(field):
    from lightdome.surface.steps import measure_texture

    height = field.write("height.tif", np.zeros((1, 20, 30)), ["height"], 0.02)
    other = field.write("u.tif", np.zeros((1, 20, 31)), ["u_height"], 0.02)
    with pytest.raises(SurfaceError, match="make both again with integrate-height"):
        measure_texture(height, other, field.folder / "texture.json")
