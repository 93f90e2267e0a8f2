"""Plates of known height rendered by mitsuba, a path tracer written elsewhere: normals, and which way relief goes."""

import mitsuba as mi
import numpy as np
import pytest
from lobes import coordinates, near_dome, noise_of, noisy

from lightdome.raster import Grid
from lightdome.surface.region import FLAG_NONE
from lightdome.surface.steps import integrate_height, solve_normals

PITCH_MM, SUB, SAMPLES = 0.05, 4, 16
NOISE = noise_of(0.0005, shot=0.003)
METAL = {
    "type": "roughconductor",
    "distribution": "ggx",
    "alpha": 0.25,
    "material": "none",
    "specular_reflectance": {"type": "rgb", "value": 0.6},
}
MATTE = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.5}}


@pytest.fixture(scope="module", autouse=True)
def renderer():
    mi.set_variant("scalar_rgb")


def corners_mm(shape):
    """x, y of the corners of the facets."""
    rows, cols = shape
    step = PITCH_MM / SUB
    x = (np.arange(cols * SUB + 1) - cols * SUB / 2) * step
    y = (rows * SUB / 2 - np.arange(rows * SUB + 1)) * step
    return np.meshgrid(x, y)


def hill(x, y, x0, y0, width_mm):
    return np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * width_mm**2))


def bump_and_dent(x, y):
    """Height, um: a bump right and up of the middle, a dent left and down."""
    return 60 * (hill(x, y, 0.5, 0.4, 0.2) - hill(x, y, -0.45, -0.5, 0.2))


def marks(x, y):
    """Height, um: two grooves that cross, a bitten area and a burr, on land that waves a little."""
    across, along = 0.8 * x + 0.6 * y, 0.8 * y - 0.6 * x
    grooves = -40 * np.exp(-((across + 0.2) ** 2) / (2 * 0.05**2)) - 25 * np.exp(-((along - 0.3) ** 2) / (2 * 0.03**2))
    area = -30 / (1 + np.exp(-(x - 0.5) / 0.015)) / (1 + np.exp((y + 0.3) / 0.015))
    return grooves + area + 9 * hill(x, y, -0.7, 0.7, 0.1) + 2 * np.sin(3 * x) * np.cos(2 * y)


def mean_of_pixels(corners):
    """Mean of bilinear cells over pixels."""
    cells = (corners[:-1, :-1] + corners[:-1, 1:] + corners[1:, :-1] + corners[1:, 1:]) / 4
    rows, cols = (side // SUB for side in cells.shape)
    return cells.reshape(rows, SUB, cols, SUB).mean(axis=(1, 3))


def true_normals(height_um):
    """Of the mean slope of each pixel, from the heights of the corners."""
    step_um = 1000 * PITCH_MM / SUB
    by_x, by_y = np.diff(height_um, axis=1) / step_um, -np.diff(height_um, axis=0) / step_um
    rows, cols = (side // SUB for side in (by_y.shape[0], by_x.shape[1]))
    slope_x = ((by_x[1:] + by_x[:-1]) / 2).reshape(rows, SUB, cols, SUB).mean(axis=(1, 3))
    slope_y = ((by_y[:, 1:] + by_y[:, :-1]) / 2).reshape(rows, SUB, cols, SUB).mean(axis=(1, 3))
    normals = np.stack([-slope_x, -slope_y, np.ones_like(slope_x)])
    return normals / np.linalg.norm(normals, axis=0)


def render(relief, shape, bsdf, lamps):
    """Heights of the corners, um, and light (L, rows, columns): pi times radiance, an irradiance of 1 at the origin."""
    x, y = corners_mm(shape)
    height_um = relief(x, y)
    index = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]))
    faces = np.stack([np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)], axis=1).reshape(-1, 3)
    properties = mi.Properties()
    properties["face_normals"] = True
    properties["bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh("plate", x.size, len(faces), props=properties)
    parameters = mi.traverse(mesh)
    parameters["vertex_positions"] = np.stack([x, y, height_um / 1000], axis=-1).astype(np.float32).ravel()
    parameters["faces"] = faces.astype(np.uint32).ravel()
    parameters.update()
    half = shape[0] * PITCH_MM / 2
    aim = mi.ScalarTransform4f().look_at(origin=[0, 0, 5], target=[0, 0, 0], up=[0, 1, 0])
    film = {"type": "hdrfilm", "width": shape[1], "height": shape[0], "rfilter": {"type": "box"}}
    scene = {
        "type": "scene",
        "integrator": {"type": "direct"},
        "plate": mesh,
        "sensor": {
            "type": "orthographic",
            "to_world": aim @ mi.ScalarTransform4f().scale([half, half, 1]),
            "film": film,
            "sampler": {"type": "stratified", "sample_count": SAMPLES},
        },
    }
    light = []
    for number, position in enumerate(lamps.vectors):
        power = {"type": "rgb", "value": float((position**2).sum()) * float(lamps.power[number])}
        lamp = {"type": "point", "position": position.tolist(), "intensity": power}
        light.append(np.pi * np.array(mi.render(mi.load_dict(scene | {"lamp": lamp}), seed=number))[..., 1])
    return height_um, np.array(light)


def photographed(light):
    """Exposed so that the brightest hundredth is about at white, with noise; NaN where clipped."""
    seen = noisy(0.9 / np.percentile(light, 99) * light, NOISE)
    return np.where(seen > 1, np.nan, seen).astype(np.float32)


def solve(field, light, lamps, method="microfacet"):
    field.write_stack(light, lamps, PITCH_MM)
    names = ("normals.tif", "uncertainty.tif", "reflectance.tif", "flags.tif", "lobe.json")
    paths = [field.folder / name for name in names]
    solve_normals(field.stack, field.lamps, *paths, method=method)
    return paths


def error_deg(found, truth):
    return np.degrees(np.arccos(np.clip((found * truth).sum(axis=0), -1, 1)))


@pytest.mark.parametrize("bsdf", [METAL, MATTE], ids=["metal", "matte"])
def test_a_bump_goes_up_and_a_dent_goes_down(field, bsdf):
    lamps = near_dome(16, camera_distance_mm=None)
    corners_um, light = render(bump_and_dent, (48, 48), bsdf, lamps)
    normals, uncertainty, *_ = solve(field, photographed(light), lamps)
    integrate_height(normals, uncertainty, field.folder / "height.tif", field.folder / "u.tif")
    height_um, true_um = field.read("height.tif")[0], mean_of_pixels(corners_um)
    x_mm, y_mm = coordinates(true_um.shape, PITCH_MM)
    x, y = np.meshgrid(x_mm, y_mm)
    level = (np.abs(bump_and_dent(x, y)) < 1) & (np.hypot(x, y) < 1.1)
    for x0, y0, sign in ((0.5, 0.4, 1), (-0.45, -0.5, -1)):
        top = np.hypot(x - x0, y - y0) < 0.06
        found, true = (np.median(values[top]) - np.median(values[level]) for values in (height_um, true_um))
        assert sign * true > 50
        assert found == pytest.approx(true, rel=0.15)
    assert Grid(true_um.shape, PITCH_MM).x_mm()[0] < 0 < Grid(true_um.shape, PITCH_MM).y_mm()[0]


@pytest.mark.parametrize(("bsdf", "share"), [(METAL, 0.25), (MATTE, 1.05)], ids=["metal", "matte"])
def test_error_of_the_normals_against_least_squares(field, bsdf, share):
    lamps = near_dome(32, camera_distance_mm=None)
    corners_um, light = render(marks, (56, 56), bsdf, lamps)
    truth = true_normals(corners_um)
    light = photographed(light)
    errors = {}
    for method in ("microfacet", "least-squares"):
        normals = solve(field, light, lamps, method)[0]
        errors[method] = error_deg(field.read(normals.name), truth)
        assert (field.read("flags.tif") != FLAG_NONE).all()
    assert errors["microfacet"].mean() < share * errors["least-squares"].mean()
