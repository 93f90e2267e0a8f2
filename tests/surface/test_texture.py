import json

import numpy as np
import pytest

from lightdome.errors import SurfaceError
from lightdome.surface.scale_limited import fit_plane, nesting_index, nesting_indices


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
    measure_texture(path, field.folder / "texture.json")
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
    assert middle["parameters"]["Sq"]["u"] is None
    assert "null" in facts["u_reason"]
