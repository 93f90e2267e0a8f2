"""Light that reaches the sensor: every facet shaded once, then averaged over its pixel. Direct light only."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import shift

from lightdome.synthetic.camera import View
from lightdome.synthetic.drawing import ETCHED
from lightdome.synthetic.lamps import Rig, illuminate
from lightdome.synthetic.plates import Facets, Surface
from lightdome.synthetic.reflectance import Material, conductor_fresnel, cover_of, response
from lightdome.synthetic.shadows import lamp_bit


@dataclass(frozen=True)
class Shading:
    """One lamp's light on facets, before their reflectance; arrays (facet rows, facet columns)."""

    facets: Facets
    irradiance: np.ndarray
    """Without lamp power, cosine or shadow."""
    cos_l: np.ndarray
    cos_v: np.ndarray
    cos_h: np.ndarray
    cos_lh: np.ndarray
    seen: np.ndarray | None


def geometry(facets: Facets, rig: Rig, index: int, view: View, seen: np.ndarray | None) -> Shading:
    """Angles between facet, lamp and camera."""
    (lx, ly, lz), irradiance = illuminate(rig, index, facets.x_mm, facets.y_mm, facets.height_um)
    vx, vy, vz = view.toward(facets.x_mm, facets.y_mm)
    nz = 1 / np.sqrt(1 + facets.slope_x**2 + facets.slope_y**2)
    cos_l = (lz - facets.slope_x * lx - facets.slope_y * ly) * nz
    cos_v = (vz - facets.slope_x * vx - facets.slope_y * vy) * nz
    cos_lv = lx * vx + ly * vy + lz * vz
    norm = np.sqrt(np.maximum(2 + 2 * cos_lv, 1e-12))
    return Shading(facets, irradiance, cos_l, cos_v, (cos_l + cos_v) / norm, (1 + cos_lv) / norm, seen)


def facet_light(shading: Shading, material: Material, channel: int | None) -> np.ndarray:
    """Light of each facet under a lamp of unit power."""
    bitten = shading.facets.class_code == ETCHED
    cover = cover_of(material, shading.facets.ink, shading.facets.film, channel, bitten)
    light = cover.diffuse * np.clip(shading.cos_l, 0, None)
    if material.specular or material.ink_specular:
        lobe = response(shading.cos_l, shading.cos_v, shading.cos_h, shading.cos_lh, cover.roughness)
        light = light + cover.specular * conductor_fresnel(shading.cos_lh, material.index) * lobe
    light = light * shading.irradiance
    return light if shading.seen is None else light * shading.seen


def pixel_light(
    surface: Surface,
    rows: tuple[int, int],
    rig: Rig,
    index: int,
    view: View,
    material: Material,
    channels: tuple[int | None, ...] = (None,),
    seen: np.ndarray | None = None,
    shift_px: tuple[float, float] = (0.0, 0.0),
) -> np.ndarray:
    """Light (rows, columns, channels) of some pixel rows under one lamp, its power included.

    seen : packed visibility of the whole surface, or None without cast shadows. shift_px : how far the picture moved,
    (rows, columns); pixels then integrate the moved facets by area, and rows beyond the block repeat its edge.
    """
    facets = surface.facets(*rows)
    area = view.apparent_area(facets.x_mm, facets.y_mm, facets.slope_x, facets.slope_y)
    bits = None if seen is None else lamp_bit(seen[:, rows[0] * surface.sub : rows[1] * surface.sub], index)
    shading = geometry(facets, rig, index, view, bits)
    weight = np.broadcast_to(area, facets.height_um.shape)
    planes = []
    for channel in channels:
        power = rig.grey_power[index] if channel is None else rig.power_rgb[index, channel]
        light = np.float32(power) * facet_light(shading, material, channel) * weight
        planes.append(_over_pixels(surface, light, shift_px) / _over_pixels(surface, weight, shift_px))
    return np.stack(planes, axis=-1)


def _over_pixels(surface: Surface, values: np.ndarray, shift_px: tuple[float, float]) -> np.ndarray:
    if shift_px != (0.0, 0.0):
        # linear interpolation between facets is the exact area share of a pixel that covers parts of facets
        moved = (shift_px[0] * surface.sub, shift_px[1] * surface.sub)
        values = shift(values, moved, order=1, mode="nearest")
    return surface.pixel_mean(values)


def room_light(surface: Surface, rows: tuple[int, int], material: Material, channel: int | None) -> np.ndarray:
    """Light (rows, columns) of some pixel rows under an even sky of unit irradiance; a slope sees (1 + nz)/2."""
    facets = surface.facets(*rows)
    cover = cover_of(material, facets.ink, facets.film, channel)
    nz = 1 / np.sqrt(1 + facets.slope_x**2 + facets.slope_y**2)
    return surface.pixel_mean((cover.diffuse + cover.specular) * (1 + nz) / 2)
