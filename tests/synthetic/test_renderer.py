"""The shading against mitsuba, a renderer written elsewhere: same mesh, same lamps, direct light only."""

import mitsuba as mi
import numpy as np
import pytest

from lightdome.raster import Grid
from lightdome.synthetic.camera import View
from lightdome.synthetic.drawing import SCRATCH, Cut, Drawing, EtchedArea, EtchedLine, Pit
from lightdome.synthetic.lamps import Rig, dome
from lightdome.synthetic.plates import make_surface
from lightdome.synthetic.reflectance import Material
from lightdome.synthetic.render import pixel_light
from lightdome.synthetic.shadows import lamp_bit, mesh_of, visible_lamps
from lightdome.units import UM_PER_MM

GRID = Grid((56, 56), 0.02)
SUB = 6
SAMPLES = 256
MATTE = Material(diffuse=0.6, specular=0.0)
METAL = Material(diffuse=0.0, specular=1.0, roughness=0.25, index=(1.0, 5.0))


@pytest.fixture(scope="module")
def surface():
    """A bitten line and area, two scratches that cross them, a pit: 40 um of relief, walls of 40 degrees."""
    drawing = Drawing(
        etched=(
            EtchedLine(((-0.5, -0.3), (0.1, 0.4)), 120.0, 26.0),
            EtchedArea(((0.05, -0.45), (0.45, -0.45), (0.45, 0.0), (0.05, 0.0)), 18.0),
        ),
        pits=(Pit((0.35, 0.35), 150.0, 15.0),),
        cuts=(
            Cut(((-0.5, 0.3), (0.5, -0.2)), 110.0, 14.0, SCRATCH, removed_fraction=0.1),
            Cut(((-0.3, -0.5), (-0.1, 0.5)), 90.0, 9.0, SCRATCH, removed_fraction=0.2),
        ),
    )
    return make_surface(drawing, GRID, SUB, seed=7)


@pytest.fixture(scope="module")
def mesh_file(surface, tmp_path_factory):
    """The facets as a mesh about the origin."""
    mi.set_variant("scalar_rgb")
    vertices, triangles = mesh_of(surface.corner_um / UM_PER_MM, surface.facet_mm)
    half = GRID.shape[0] * GRID.pitch_mm / 2
    mesh = mi.Mesh("plate", len(vertices), len(triangles))
    parameters = mi.traverse(mesh)
    parameters["vertex_positions"] = (vertices + np.array([-half, half, 0])).astype(np.float32).ravel()
    parameters["faces"] = triangles.ravel()
    parameters.update()
    file = tmp_path_factory.mktemp("mesh") / "plate.ply"
    mesh.write_ply(str(file))
    return file


def rendered(mesh_file, bsdf, emitter, distance_mm=None):
    """pi x radiance toward the camera: light as the project scales it."""
    to = mi.ScalarTransform4f
    half = GRID.shape[0] * GRID.pitch_mm / 2
    if distance_mm is None:
        aim = to().look_at(origin=[0, 0, 5], target=[0, 0, 0], up=[0, 1, 0])
        sensor = {"type": "orthographic", "to_world": aim @ to().scale([half, half, 1])}
    else:
        aim = to().look_at(origin=[0, 0, distance_mm], target=[0, 0, 0], up=[0, 1, 0])
        field = 2 * np.degrees(np.arctan(half / distance_mm))
        sensor = {"type": "perspective", "fov": field, "to_world": aim}
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "direct"},
            "plate": {"type": "ply", "filename": str(mesh_file), "face_normals": True, "bsdf": bsdf},
            "lamp": emitter,
            "sensor": sensor
            | {
                "film": {
                    "type": "hdrfilm",
                    "width": GRID.shape[1],
                    "height": GRID.shape[0],
                    "rfilter": {"type": "box"},
                },
                "sampler": {"type": "stratified", "sample_count": SAMPLES},
            },
        }
    )
    return np.pi * np.array(mi.render(scene))[..., 1]


def own(surface, rig, material, view=None, shadows=True):
    seen = visible_lamps(surface, rig) if shadows else None
    light = pixel_light(surface, (0, GRID.shape[0]), rig, 0, view or View(), material, seen=seen)[..., 0]
    # pixels whose facets are partly in shadow hold an edge that 36 facets place more coarsely than 256 samples
    share = surface.pixel_mean(lamp_bit(visible_lamps(surface, rig), 0).astype(float))
    return light, (share == 0) | (share == 1)


def distant(azimuth_deg, elevation_deg):
    az, el = np.radians([azimuth_deg, elevation_deg])
    vector = np.array([[np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)]])
    return Rig(("L1",), vector, False, np.ones((1, 3)))


def directional(rig):
    return {"type": "directional", "direction": (-rig.vectors[0]).tolist(), "irradiance": {"type": "rgb", "value": 1.0}}


def point_lamp(rig):
    # radiant intensity r0^2 gives a facing point at the origin an irradiance of 1
    intensity = float((rig.vectors[0] ** 2).sum())
    return {
        "type": "point",
        "position": rig.vectors[0].tolist(),
        "intensity": {"type": "rgb", "value": intensity},
    }


def differences(ours, theirs, used):
    # relative to the pixel, but not to less than a tenth of the picture's middle
    return np.abs(ours - theirs)[used] / np.maximum(theirs, 0.1 * np.median(theirs))[used]


DIFFUSE = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.6}}
CONDUCTOR = {
    "type": "roughconductor",
    "distribution": "ggx",
    "alpha": 0.25,
    "eta": {"type": "rgb", "value": 1.0},
    "k": {"type": "rgb", "value": 5.0},
}
DIRECTIONS = [(20, 15), (130, 40), (250, 65)]


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), DIRECTIONS)
def test_matte_plate_under_a_distant_lamp_agrees_within_2_percent(surface, mesh_file, azimuth_deg, elevation_deg):
    rig = distant(azimuth_deg, elevation_deg)
    ours, used = own(surface, rig, MATTE)
    found = differences(ours, rendered(mesh_file, DIFFUSE, directional(rig)), used)
    assert used.mean() > 0.85
    assert np.median(found) < 0.001
    assert np.percentile(found, 95) < 0.02


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), DIRECTIONS)
def test_rough_conductor_under_a_distant_lamp_agrees_within_5_percent(surface, mesh_file, azimuth_deg, elevation_deg):
    rig = distant(azimuth_deg, elevation_deg)
    ours, used = own(surface, rig, METAL)
    found = differences(ours, rendered(mesh_file, CONDUCTOR, directional(rig)), used)
    assert np.median(found) < 0.002
    assert np.percentile(found, 95) < 0.05


@pytest.mark.parametrize(("material", "bsdf", "limit"), [(MATTE, DIFFUSE, 0.02), (METAL, CONDUCTOR, 0.05)])
def test_plate_under_a_near_lamp_agrees(surface, mesh_file, material, bsdf, limit):
    rig = dome(1, radius_mm=3.0, elevations_deg=(35.0,))
    ours, used = own(surface, rig, material)
    found = differences(ours, rendered(mesh_file, bsdf, point_lamp(rig)), used)
    assert np.percentile(found, 95) < limit


@pytest.mark.parametrize(("material", "bsdf", "limit"), [(MATTE, DIFFUSE, 0.02), (METAL, CONDUCTOR, 0.05)])
def test_perspective_camera_agrees_although_relief_is_not_displaced(surface, mesh_file, material, bsdf, limit):
    # 4 mm above a field of 1.1 mm: the corners are seen under 11 degrees, and 40 um of relief moves by 0.3 pixels
    rig = dome(1, radius_mm=3.0, elevations_deg=(35.0,))
    ours, used = own(surface, rig, material, View(4.0))
    found = differences(ours, rendered(mesh_file, bsdf, point_lamp(rig), 4.0), used)
    assert np.median(found) < 0.002
    assert np.percentile(found, 90) < limit


def test_cast_shadows_lie_where_the_renderer_puts_them(surface, mesh_file):
    rig = distant(20, 15)
    light, _ = own(surface, rig, MATTE)
    theirs = rendered(mesh_file, DIFFUSE, directional(rig))
    without, _ = own(surface, rig, MATTE, shadows=False)
    # all pixels, the edges of shadows among them
    assert np.abs(light - theirs).mean() < 0.005 * theirs.mean()
    assert np.abs(light - theirs).mean() < 0.2 * np.abs(without - theirs).mean()
