import os
from dataclasses import replace

import numpy as np
import pytest

from lightdome import store
from lightdome.commands import main
from lightdome.errors import LampError, ProductError, SurfaceError
from lightdome.surface.region import FLAG_NONE
from lightdome.surface.steps import integrate_height, map_curvature, measure_texture, solve_normals

PITCH_MM = 0.05
NORMALS = ["nx", "ny", "nz"]


def wavy_plate(lamps, light_of, rows=150, cols=170):
    """Light of a matte wavy plate with noise, a mask, clipped samples and shadows; and its normals."""
    x_mm, y_mm = (np.arange(cols) + 0.5 - cols / 2) * PITCH_MM, (rows / 2 - np.arange(rows) - 0.5) * PITCH_MM
    x, y = np.meshgrid(x_mm, y_mm)
    slope = 0.2 * np.cos(2 * x) * np.cos(y), -0.1 * np.sin(2 * x) * np.sin(y)
    normal = np.stack([-slope[0], -slope[1], np.ones_like(x)])
    normal /= np.linalg.norm(normal, axis=0)
    rng = np.random.default_rng(20)
    light = light_of(lamps, normal, 0.4, x_mm, y_mm) + rng.normal(0, 0.002, (len(lamps.names), rows, cols))
    light[rng.random(light.shape) < 0.02] = np.nan
    light[:, np.hypot(x - 1, y + 1) < 0.8] = np.nan
    return light.astype(np.float32), normal


def solve(field, prefix="", **settings):
    """Paths of normals, uncertainty, reflectance and flags; the lobe lies beside them."""
    rasters = [field.folder / f"{prefix}{name}.tif" for name in ("normals", "uncertainty", "reflectance", "flags")]
    solve_normals(field.stack, field.lamps, *rasters, field.folder / f"{prefix}lobe.json", **settings)
    return rasters


@pytest.mark.parametrize(
    ("method", "model", "flat_divided"),
    [
        ("microfacet", "near", False),
        ("microfacet", "distant", True),
        ("robust", "near", True),
        ("robust", "distant", False),
    ],
)
def test_matte_plate_goes_through_every_step(field, lamp_dome, light_of, method, model, flat_divided):
    lamps = lamp_dome(24, model, flat_divided=flat_divided)
    light, normal = wavy_plate(lamps, light_of)
    field.write_stack(light, lamps, PITCH_MM, flat_divided)
    normals, uncertainty, reflectance, flags = solve(field, method=method, threads=2)
    height, height_uncertainty = field.folder / "height.tif", field.folder / "height_uncertainty.tif"
    integrate_height(normals, uncertainty, height, height_uncertainty, threads=2)
    map_curvature(normals, field.folder / "curvature.tif", threads=2)
    measure_texture(height, height_uncertainty, field.folder / "texture.json", threads=2)

    found = store.read_raster(normals)
    known = np.isfinite(found.values[2])
    np.testing.assert_array_equal(known, np.isfinite(light).sum(axis=0) >= 4)
    error_deg = np.degrees(np.arccos(np.clip((found.values * normal).sum(axis=0), -1, 1)))
    assert np.nanmean(error_deg) < 0.6
    assert [(band.name, band.unit) for band in found.bands] == [("nx", "1"), ("ny", "1"), ("nz", "1")]
    shine = store.read_raster(reflectance)
    assert [(band.name, band.unit) for band in shine.bands] == [
        ("diffuse", "1"),
        ("specular", "1"),
        ("roughness", "1"),
        ("anisotropy", "1"),
        ("direction", "deg"),
        ("total", "1"),
    ]
    np.testing.assert_allclose(np.nanmedian(shine.values[0]), 0.4, rtol=0.01)
    if method == "robust":
        assert np.isnan(shine.values[1:5]).all()
        np.testing.assert_array_equal(shine.values[5], shine.values[0])
    else:
        np.testing.assert_array_equal(np.isfinite(shine.values[1]), known)
        assert np.nanmedian(shine.values[1]) < 0.01
    flagged = store.read_raster(flags)
    assert [band.name for band in flagged.bands] == ["flags"]
    np.testing.assert_array_equal(flagged.values[0] == FLAG_NONE, ~known)
    counts = store.read_json(field.folder / "lobe.json")["pixels"]
    assert counts["solved"] == known.sum()
    assert counts["no answer"] == (~known).sum()
    for path, bands in {
        uncertainty: [("u_tilt", "deg")],
        height: [("height", "um")],
        height_uncertainty: [("u_height", "um")],
        field.folder / "curvature.tif": [("mean", "1/mm"), ("gaussian", "1/mm^2"), ("k1", "1/mm"), ("k2", "1/mm")],
    }.items():
        raster = store.read_raster(path)
        assert [(band.name, band.unit) for band in raster.bands] == bands
        np.testing.assert_array_equal(np.isfinite(raster.values[0]), known)


def test_tile_size_and_threads_change_no_bit(field, lamp_dome, light_of):
    lamps = lamp_dome(20, "near", 0.5)
    light, _ = wavy_plate(lamps, light_of)
    field.write_stack(light, lamps, PITCH_MM)
    answers = []
    for tile_px, threads in ((37, 2), (64, 1), (1000, 1)):
        how = {"tile_px": tile_px, "threads": threads}
        made = solve(field, f"{tile_px}-", threads=threads)
        made += [field.folder / f"{tile_px}-{name}.tif" for name in ("height", "u_height", "curvature")]
        integrate_height(made[0], made[1], made[4], made[5], **how)
        map_curvature(made[0], made[6], scale_mm=0.4, **how)
        measure_texture(made[4], made[5], field.folder / "texture.json", **how)
        texture = store.read_json(field.folder / "texture.json")["regions"]
        answers.append(([store.read_raster(path).values for path in made], texture))
    for rasters, texture in answers[1:]:
        for found, expected in zip(rasters, answers[0][0], strict=True):
            np.testing.assert_array_equal(found, expected)
        assert texture == answers[0][1]


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (1, 40)])
def test_tiny_plates_go_through_every_step(field, lamp_dome, shape):
    lamps = lamp_dome(14)
    light = 0.3 * lamps.power[:, None, None] * lamps.unit_vectors[:, 2, None, None] * np.ones(shape)
    field.write_stack(light.astype(np.float32), lamps, PITCH_MM)
    normals, uncertainty, *_ = solve(field)
    np.testing.assert_allclose(store.read_raster(normals).values[2], 1, atol=1e-6)
    height = field.folder / "height.tif"
    integrate_height(normals, uncertainty, height, field.folder / "u.tif")
    np.testing.assert_allclose(store.read_raster(height).values, 0, atol=0.01)
    measure_texture(height, field.folder / "u.tif", field.folder / "texture.json")
    assert store.read_json(field.folder / "texture.json")["regions"][0]["region"] == "whole"


def test_scale_of_curvature_is_in_the_tags(field):
    import rasterio

    flat = np.zeros((3, 20, 20))
    flat[2] = 1
    normals = field.write("n.tif", flat, NORMALS, PITCH_MM)
    map_curvature(normals, field.folder / "c.tif", scale_mm=0.1)
    with rasterio.open(field.folder / "c.tif") as dataset:
        tag = dataset.tags()[store.PROVENANCE_TAG]
    assert '"scale_mm": 0.1' in tag
    assert '"used_scale_mm": 0.2' in tag  # four pixels


def refused(step, *arguments, **settings):
    """The one sentence of a refusal."""
    with pytest.raises((SurfaceError, ProductError, LampError)) as caught:
        step(*arguments, **settings)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert len(sentence) > 30
    return sentence


def leaves_nothing(field, *kept):
    assert sorted(os.listdir(field.folder)) == sorted(kept)


def test_no_pixel_inside_the_mask_is_refused(field, lamp_dome):
    lamps = lamp_dome(8)
    field.write_stack(np.full((8, 30, 40), np.nan, np.float32), lamps)
    assert "no pixel is seen well" in refused(solve, field)
    leaves_nothing(field, "stack.zarr.zip", "lamps.json")


def test_lamps_of_another_stack_are_refused(field, lamp_dome):
    lamps = lamp_dome(8)
    field.write_stack(np.ones((8, 5, 5), np.float32), lamps)
    others = replace(lamps, names=tuple(reversed(lamps.names)))
    store.write_json(field.lamps, others.as_dict())
    assert "run locate-lamps again" in refused(solve, field)
    store.write_json(field.lamps, replace(lamps, flat_divided=True).as_dict())
    assert "flat_divided" in refused(solve, field)
    store.write_json(field.lamps, {"model": "near"})
    assert "not what locate-lamps writes" in refused(solve, field)
    leaves_nothing(field, "stack.zarr.zip", "lamps.json")


def test_three_lamps_are_refused(field, lamp_dome):
    field.write_stack(np.ones((3, 5, 5), np.float32), lamp_dome(3))
    assert "at least 4" in refused(solve, field)


def test_lamps_in_one_plane_are_refused(field, lamp_dome):
    angle = np.radians(np.linspace(20, 160, 8))
    row = np.stack([np.cos(angle), np.zeros(8), np.sin(angle)], axis=1)
    field.write_stack(np.ones((8, 5, 5), np.float32), replace(lamp_dome(8), vectors=row))
    assert "lamp table" in refused(solve, field)


def test_unknown_method_is_refused(field, lamp_dome):
    field.write_stack(np.ones((8, 5, 5), np.float32), lamp_dome(8))
    assert "'guess'" in refused(solve, field, method="guess")


def test_maps_of_unlike_shape_are_refused(field):
    normals = field.write("n.tif", np.ones((3, 20, 20)), NORMALS)
    uncertainty = field.write("u.tif", np.ones((1, 20, 21)), ["u_tilt"])
    assert "(20, 21)" in refused(integrate_height, normals, uncertainty, field.folder / "h.tif", field.folder / "s.tif")
    leaves_nothing(field, "n.tif", "u.tif")


def test_maps_without_a_known_pixel_are_refused(field):
    nothing = field.write("n.tif", np.full((3, 20, 20), np.nan), NORMALS)
    uncertainty = field.write("u.tif", np.full((1, 20, 20), np.nan), ["u_tilt"])
    height = field.write("h.tif", np.full((1, 20, 20), np.nan), ["height"])
    out = field.folder / "out.tif"
    assert "no normal" in refused(integrate_height, nothing, uncertainty, out, field.folder / "s.tif")
    assert "no pixel with known neighbours" in refused(map_curvature, nothing, out)
    assert "no height" in refused(measure_texture, height, height, field.folder / "t.json")
    leaves_nothing(field, "n.tif", "u.tif", "h.tif")


def test_map_of_another_kind_is_refused(field):
    height = field.write("h.tif", np.ones((1, 20, 20)), ["height"])
    assert "has no band 'nx'" in refused(map_curvature, height, field.folder / "c.tif")


@pytest.mark.parametrize("scale_mm", [0.0, -1.0, float("nan")])
def test_scales_that_are_no_lengths_are_refused(field, scale_mm):
    normals = field.write("n.tif", np.ones((3, 20, 20)), NORMALS)
    assert "scale_mm" in refused(map_curvature, normals, field.folder / "c.tif", scale_mm=scale_mm)


def test_commands_say_a_refusal_in_one_line(field, lamp_dome, capsys):
    field.write_stack(np.full((8, 5, 5), np.nan, np.float32), lamp_dome(8))
    names = ("normals", "uncertainty", "reflectance", "flags", "lobe")
    paths = [word for name in names for word in (f"--{name}", str(field.folder / name))]
    assert main(["solve-normals", "--stack", str(field.stack), "--lamps", str(field.lamps), *paths]) == 2
    last = capsys.readouterr().err.strip().splitlines()[-1]
    assert last.startswith("lightdome: error: ")
    leaves_nothing(field, "stack.zarr.zip", "lamps.json")
