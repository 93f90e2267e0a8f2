"""Photographs of a plate by mitsuba, a path tracer written elsewhere: facets, near lamps, cast shadows, rough metal.

Light is scaled as in the project: pi times radiance, where a lamp of unit power gives a facing point at the origin an
irradiance of 1. So a white matte plate there gives 1.
"""

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
from plates import Plate
from scipy.ndimage import gaussian_filter

try:
    mi.set_variant("llvm_ad_mono")
except ImportError:  # no LLVM on this machine: slower, the same pictures but for the noise of sampling
    mi.set_variant("scalar_rgb")

MATTE_REFLECTANCE = 0.5
METAL_REFLECTANCE = 0.6
TARNISH_REFLECTANCE = 0.3
FLOOR_ROUGHER = 1.4
BRUSH_ROUGHNESS = (0.15, 0.30)
"""GGX alpha along the brush strokes and across them."""
BRUSH_DEG = 30.0
"""Direction of the strokes, counter-clockwise from the plate's x."""
MATERIALS = (
    "matte",
    *(f"{shape}-{alpha}" for shape in ("ggx", "beckmann") for alpha in (0.12, 0.2, 0.3, 0.4)),
    "brushed",
    "tarnish",
)


@dataclass(frozen=True)
class Finish:
    """What the metal of one plate is made of, at the cells of its height map."""

    bsdf: dict[str, Any]
    """Scene description; textures are attributes of the facets."""
    alpha: np.ndarray
    """(rows sub, columns sub): roughness (matte: NaN; brushed: that along the strokes)."""
    matte_share: np.ndarray
    """(rows sub, columns sub): 0 metal, 1 matte."""


def dome_lamps(count: int, distance_mm: float) -> np.ndarray:
    """Positions (count, 3), mm, of lamps about the origin: elevations spread evenly from 15 to 75 degrees.

    Each lamp stands a golden angle on from the lamp below it, so that every band of elevations has all directions.
    """
    elevation = np.radians(np.linspace(15, 75, count))
    azimuth = np.pi * (3 - np.sqrt(5)) * np.arange(count)
    flat = np.cos(elevation)
    return distance_mm * np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)], axis=1)


def finish_of(plate: Plate, material: str, seed: int) -> Finish:
    """The finish of a name in `MATERIALS`; bitten floors are rougher, and the patches of tarnish are drawn by seed."""
    rougher = np.where(plate.etched, FLOOR_ROUGHER, 1.0)
    metal_share = np.zeros_like(rougher)
    if material == "matte":
        return Finish(diffuse(MATTE_REFLECTANCE), np.full_like(rougher, np.nan), metal_share + 1)
    if material == "brushed":
        bsdf = metal("ggx", alpha_u=attribute("face_alpha"), alpha_v=attribute("face_across"))
        return Finish(bsdf, BRUSH_ROUGHNESS[0] * rougher, metal_share)
    if material == "tarnish":
        patches = gaussian_filter(np.random.default_rng(seed + 1000).standard_normal(rougher.shape), 9 * plate.sub)
        matte = np.digitize(patches, np.quantile(patches, [0.4, 0.7])) / 2
        bsdf = {
            "type": "blendbsdf",
            "weight": attribute("face_matte"),
            "metal": metal("ggx", alpha=attribute("face_alpha")),
            "matte": diffuse(TARNISH_REFLECTANCE),
        }
        return Finish(bsdf, 0.25 * rougher, matte)
    distribution, alpha = material.split("-")
    return Finish(metal(distribution, alpha=attribute("face_alpha")), float(alpha) * rougher, metal_share)


def attribute(name: str) -> dict[str, Any]:
    return {"type": "mesh_attribute", "name": name}


def diffuse(reflectance: float) -> dict[str, Any]:
    return {"type": "diffuse", "reflectance": {"type": "spectrum", "value": reflectance}}


def metal(distribution: str, **roughness: dict[str, Any]) -> dict[str, Any]:
    """A conductor whose Fresnel factor is a constant."""
    reflectance = {"type": "spectrum", "value": METAL_REFLECTANCE}
    facets = {"type": "roughconductor", "distribution": distribution, "material": "none"}
    return facets | {"specular_reflectance": reflectance} | roughness


def render(
    plate: Plate,
    finish: Finish,
    lamps_mm: np.ndarray,
    *,
    bounces: int = 1,
    samples: int = 64,
    distance_mm: float | None = None,
    seed: int = 0,
) -> np.ndarray:
    """Light (L, rows, columns), float32, of a plate under each lamp of unit power at (L, 3), mm.

    bounces : 1 is direct light with cast shadows; more adds light from wall to wall.
    samples : a pixel, a square number; one falls into each cell where it is the square of the plate's sub.
    distance_mm : from the plate to a pinhole camera above its centre; None is orthographic.
    """
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": bounces + 1, "rr_depth": bounces + 2},
            "plate": _mesh(plate, finish),
            "lamp": {"type": "point", "position": [0, 0, 1], "intensity": {"type": "spectrum", "value": 1.0}},
            "sensor": _camera(plate, samples, distance_mm),
        }
    )
    parameters = mi.traverse(scene)
    light = np.empty((len(lamps_mm), *plate.shape), np.float32)
    for index, position in enumerate(lamps_mm):
        parameters["lamp.position"] = mi.Point3f(*map(float, position))
        # radiant intensity r0^2 gives a facing point at the origin an irradiance of 1
        parameters["lamp.intensity.value"] = mi.Float(float((position**2).sum()))
        parameters.update()
        light[index] = np.pi * np.array(mi.render(scene, seed=seed + index))[..., 0]
    return light


def _camera(plate: Plate, samples: int, distance_mm: float | None) -> dict[str, Any]:
    """A square film over the whole plate, row 0 on top, looking down."""
    rows, columns = plate.shape
    half = rows * plate.pitch_mm / 2
    aim = mi.ScalarTransform4f().look_at(
        origin=[0, 0, 10.0 if distance_mm is None else distance_mm], target=[0, 0, 0], up=[0, 1, 0]
    )
    film = {"type": "hdrfilm", "width": columns, "height": rows, "pixel_format": "luminance"}
    common = {
        "film": film | {"component_format": "float32", "rfilter": {"type": "box"}},
        "sampler": {"type": "stratified", "sample_count": samples},
    }
    if distance_mm is None:
        return common | {"type": "orthographic", "to_world": aim @ mi.ScalarTransform4f().scale([half, half, 1])}
    return common | {"type": "perspective", "fov": 2 * np.degrees(np.arctan(half / distance_mm)), "to_world": aim}


def _mesh(plate: Plate, finish: Finish) -> Any:
    """Two flat facets a cell, mm, about the origin; texture coordinates run along and across the brush strokes."""
    points_y, points_x = plate.height_um.shape
    step = plate.pitch_mm / plate.sub
    x = (np.arange(points_x) - (points_x - 1) / 2) * step
    y = ((points_y - 1) / 2 - np.arange(points_y)) * step
    x, y = np.meshgrid(x, y)
    index = np.arange(points_x * points_y, dtype=np.uint32).reshape(points_y, points_x)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]))
    faces = np.stack([np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)], axis=1).reshape(-1, 3)
    properties = mi.Properties()
    properties["face_normals"] = True
    properties["bsdf"] = mi.load_dict(finish.bsdf)
    mesh = mi.Mesh("plate", points_x * points_y, len(faces), has_vertex_texcoords=True, props=properties)
    for name, values in (
        ("face_alpha", np.nan_to_num(finish.alpha)),
        ("face_across", np.nan_to_num(finish.alpha) * BRUSH_ROUGHNESS[1] / BRUSH_ROUGHNESS[0]),
        ("face_matte", finish.matte_share),
    ):
        mesh.add_attribute(name, 1, np.repeat(values.ravel(), 2).astype(np.float32))
    parameters = mi.traverse(mesh)
    brush = np.radians(BRUSH_DEG)
    along, across = x * np.cos(brush) + y * np.sin(brush), y * np.cos(brush) - x * np.sin(brush)
    parameters["vertex_positions"] = _flat(np.stack([x, y, plate.height_um / 1000], axis=-1))
    parameters["vertex_texcoords"] = _flat(np.stack([along, across], axis=-1))
    parameters["faces"] = faces.ravel()
    parameters.update()
    return mesh


def _flat(values: np.ndarray) -> np.ndarray:
    return values.astype(np.float32).ravel()


def use_threads(count: int) -> None:
    """Let the renderer take so many cores."""
    dr.set_thread_count(count)
