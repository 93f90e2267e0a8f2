import json

import numpy as np
import pytest
from scipy.special import ellipe
from surfalize import Surface

from lightdome.errors import SurfaceError
from lightdome.surface.texture import fit_plane, limit_scale, measure, nesting_index, nesting_indices

PITCH_UM = 10.0


def plate(rows=400, cols=400):
    return np.meshgrid((np.arange(cols) + 0.5) * PITCH_UM, (np.arange(rows) + 0.5) * PITCH_UM)


def test_sine_has_the_closed_form_parameters():
    # closed forms of a sine of amplitude a: ISO 25178-2 formulas integrated; E by scipy.special
    x, _ = plate()
    amplitude, k = 100.0, 2 * np.pi / 2000
    found = measure((amplitude * np.sin(k * x)).astype(np.float32), PITCH_UM)
    b = k * amplitude
    assert found.Sa == pytest.approx(0.63662 * amplitude, rel=1e-3)
    assert found.Sq == pytest.approx(0.70711 * amplitude, rel=1e-4)
    assert found.Ssk == pytest.approx(0, abs=1e-3)
    assert found.Sku == pytest.approx(1.5, rel=1e-3)
    assert found.Sz == pytest.approx(2 * amplitude, rel=1e-3)
    assert found.Sdq == pytest.approx(b / np.sqrt(2), rel=4e-3)
    area = 2 / np.pi * np.sqrt(1 + b**2) * ellipe(b**2 / (1 + b**2)) - 1
    assert found.Sdr == pytest.approx(100 * area, rel=8e-3)  # the outermost pixels, here the steepest, have no slope


def test_egg_box_has_the_closed_form_parameters():
    # a sin(kx) sin(ky): Sa 0.40528 a, Sq a/2, Sku 2.25, Sz 2a, Sdq k a / sqrt 2
    x, y = plate()
    amplitude, k = 20.0, 2 * np.pi / 800
    found = measure((amplitude * np.sin(k * x) * np.sin(k * y)).astype(np.float32), PITCH_UM)
    assert found.Sa == pytest.approx(0.40528 * amplitude, rel=1e-3)
    assert found.Sq == pytest.approx(0.5 * amplitude, rel=1e-4)
    assert found.Sku == pytest.approx(2.25, rel=1e-3)
    assert found.Sz == pytest.approx(2 * amplitude, rel=2e-3)
    assert found.Sdq == pytest.approx(k * amplitude / np.sqrt(2), rel=3e-3)


@pytest.mark.parametrize(("share", "ssk", "sku"), [(0.1, -2.667, 8.111), (0.02, -6.857, 48.02)])
def test_grooves_have_the_closed_form_parameters(share, ssk, sku):
    # rectangular grooves of depth D on an area share f: Sa 2Df(1-f), Sq D sqrt(f(1-f))
    depth = 30.0
    height = np.zeros((200, 400), np.float32)
    height[:, : round(400 * share)] = -depth
    found = measure(height, PITCH_UM)
    assert found.Sa == pytest.approx(2 * depth * share * (1 - share), rel=1e-4)
    assert found.Sq == pytest.approx(depth * np.sqrt(share * (1 - share)), rel=1e-4)
    assert found.Ssk == pytest.approx(ssk, rel=1e-3)
    assert found.Sku == pytest.approx(sku, rel=1e-3)


def test_v_grooves_have_the_closed_form_parameters():
    # V grooves on a tenth of the area: Sq 0.17559 D, Sa 0.09025 D, Ssk -3.740, Sku 16.28
    depth, width = 40.0, 400
    across = np.abs(np.arange(4000) + 0.5 - 2000) / (width / 2)
    height = np.broadcast_to(-depth * np.clip(1 - across, 0, None), (20, 4000)).astype(np.float32)
    found = measure(height, PITCH_UM)
    assert found.Sq == pytest.approx(0.17559 * depth, rel=1e-3)
    assert found.Sa == pytest.approx(0.09025 * depth, rel=1e-3)
    assert found.Ssk == pytest.approx(-3.740, rel=1e-3)
    assert found.Sku == pytest.approx(16.28, rel=1e-3)


def test_plane_at_45_degrees_has_41_4_percent_more_area():
    x, _ = plate(50, 50)
    found = measure(x.astype(np.float32), PITCH_UM)
    assert found.Sdq == pytest.approx(1, rel=1e-4)
    assert found.Sdr == pytest.approx(41.42, rel=1e-3)


def test_rough_plate_has_the_parameters_of_another_library():
    # surfalize 0.16 and later, on the same heights; its slopes are one-sided, so the plate is smooth over a few pixels
    rng = np.random.default_rng(11)
    height = limit_scale(rng.normal(0, 30, (400, 500)).astype(np.float32), 12, 200)
    found = measure(height, PITCH_UM)
    theirs = Surface(height.astype(float) - height.mean(dtype=float), PITCH_UM, PITCH_UM)
    for name, within in {"Sa": 1e-4, "Sq": 1e-4, "Sp": 1e-4, "Sv": 1e-4, "Sz": 1e-4, "Sku": 1e-3}.items():
        assert getattr(found, name) == pytest.approx(getattr(theirs, name)(), rel=within)
    assert found.Ssk == pytest.approx(theirs.Ssk(), abs=1e-3)
    assert found.Sdq == pytest.approx(theirs.Sdq(), rel=0.04)
    assert found.Sdr == pytest.approx(theirs.Sdr(), rel=0.08)


def test_gaussian_heights_have_sa_of_0_798_sq():
    found = measure(np.random.default_rng(12).normal(0, 5, (600, 600)).astype(np.float32), PITCH_UM)
    assert found.Sa / found.Sq == pytest.approx(0.79788, rel=3e-3)
    assert found.Sku == pytest.approx(3, rel=0.02)
    assert found.height_99_9_percent == pytest.approx(3.0902 * found.Sq, rel=0.03)  # normal quantile


def test_plane_through_a_plate_with_holes_is_that_of_lstsq():
    # numpy.linalg.lstsq on the known pixels
    row, col = np.mgrid[0:40, 0:60]
    height = (3 + 0.2 * row - 0.1 * col + np.random.default_rng(13).normal(0, 1, row.shape)).astype(np.float32)
    height[5:15, 20:40] = np.nan
    known = np.isfinite(height)
    design = np.stack([np.ones(known.sum()), row[known], col[known]], axis=1)
    np.testing.assert_allclose(fit_plane(height), np.linalg.lstsq(design, height[known], rcond=None)[0], atol=1e-6)


def test_fewer_than_nine_known_pixels_have_no_texture():
    height = np.full((10, 10), np.nan, np.float32)
    height[:2, :4] = 1
    assert np.isnan(measure(height, PITCH_UM).Sq)


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
