"""Lamps located from mirror spheres, against photographs of them by an independent path tracer.

    python benchmarks/spheres.py [--seed N ...] [--lamps N] [--cache FOLDER] [--plate-seed N ...] [--plate-only]

Spheres of 20 mm stand on a matt floor, 100 pixels in radius; lamps are glowing balls at 500 mm. Every photograph is
blurred as a lens does (a normal distribution, without a real lens's tails), exposed for the floor, so that the
highlights are clipped some thousand times over, or 25 times shorter, as a series of its own would be; noisy and cut to
16 bits. The rims are found in the photographs.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from metal import Case, angle_deg, cached_case
from metal import photographed as plate_photographed
from render import dome_lamps, use_threads
from scipy.ndimage import gaussian_filter

from lightdome.lights.field import lamp_field
from lightdome.lights.highlight import find_spots, without_static
from lightdome.lights.lamps import LampSet
from lightdome.lights.power import of_plate
from lightdome.lights.rim import Rim
from lightdome.lights.sphere_find import DARK, REACH, refine, search
from lightdome.lights.sphere_rays import above_plate, balls
from lightdome.lights.triangulate import Sight, crossings, refine_together
from lightdome.lights.view import View
from lightdome.raster import Window
from lightdome.surface.learning import learn_lobe
from lightdome.surface.sample import sample_of
from lightdome.surface.solve import solve_region
from lightdome.surface.steps import SAMPLE_PX

RADIUS_MM, RADIUS_PX, LAMP_MM, LAMP_RADIUS_MM, APART_MM = 10.0, 100.0, 500.0, 6.0, 200.0
PITCH_MM = RADIUS_MM / RADIUS_PX
MIRROR, FLOOR = 0.6, 0.3
BLUR_PX = 0.7
CROP_PX, SIDE_PX = 288, 2600
FINE, TABLE_SAMPLES, GLOW_SAMPLES = 4, 1, 9
"""Cells of a pixel each way, and samples of each cell."""
CAMERA_MM = 900.0
READ_NOISE, SHOT_NOISE = 0.0005, 0.004
PLATE_MATERIAL, PLATE_LAMPS, PLATE_PART = "ggx-0.2", 24, (64, 192)
"""Of the rendered metal plate that is solved: its rows and columns from and to."""
EXPOSURES = {"for the floor": 0.5, "25 x shorter": 0.02}
"""Median light over white."""


def places_of(count: int, seed: int) -> np.ndarray:
    """Sphere centres (count, 3), mm, resting on the floor, on a square of the given side, off the pixels' raster."""
    half = APART_MM / 2
    corners = {2: [(-half, 0), (half, 0)], 4: [(-half, -half), (half, -half), (-half, half), (half, half)]}
    shift = np.random.default_rng(seed).uniform(-1, 1, (count, 2))
    return np.column_stack([np.array(corners[count]) + shift, np.full(count, RADIUS_MM)])


def crops(centres_mm: np.ndarray, lamps_mm: np.ndarray, view: View, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Light (L, M, CROP_PX, CROP_PX) about each sphere, and the crops' first column and row (M, 2)."""
    rows, columns = view.shape
    half = columns * view.pitch_mm / 2
    aim = mi.ScalarTransform4f().look_at(
        origin=[0, 0, 2000.0 if view.distance_mm is None else view.distance_mm], target=[0, 0, 0], up=[0, 1, 0]
    )
    if view.distance_mm is None:
        lens = {"type": "orthographic", "to_world": aim @ mi.ScalarTransform4f().scale([half, half, 1])}
    else:
        lens = {"type": "perspective", "fov": 2 * np.degrees(np.arctan(half / view.distance_mm)), "to_world": aim}
    corners = np.round(view.seen_at(centres_mm) - CROP_PX / 2).astype(int)
    light = np.empty((len(lamps_mm), len(centres_mm), CROP_PX, CROP_PX), np.float32)
    film = {"type": "hdrfilm", "width": columns * FINE, "height": rows * FINE, "pixel_format": "luminance"}
    film |= {"crop_width": CROP_PX * FINE, "crop_height": CROP_PX * FINE}
    film |= {"rfilter": {"type": "box"}, "component_format": "float32"}
    for sphere, (column, row) in enumerate(corners):
        sensor = lens | {"film": film | {"crop_offset_x": int(column) * FINE, "crop_offset_y": int(row) * FINE}}
        table = mi.load_dict(_spheres(centres_mm, 3) | {"sensor": sensor, "lamp": _point(lamps_mm[0])})
        glow = mi.load_dict(_spheres(centres_mm, 2) | {"sensor": sensor, "lamp": _ball()})
        place, strength, ball = mi.traverse(table), mi.traverse(table), mi.traverse(glow)
        for index, lamp in enumerate(lamps_mm):
            place["lamp.position"] = mi.Point3f(*lamp.tolist())
            strength["lamp.intensity.value"] = mi.Float(float(lamp @ lamp))
            ball["lamp.to_world"] = mi.Transform4f(_at(lamp))
            ball["lamp.emitter.radiance.value"] = mi.Float(float(lamp @ lamp) / (np.pi * LAMP_RADIUS_MM**2))
            for parameters in (place, strength, ball):
                parameters.update()
            fine = np.zeros((CROP_PX * FINE, CROP_PX * FINE), np.float32)
            for scene, samples in ((table, TABLE_SAMPLES), (glow, GLOW_SAMPLES)):
                fine += np.array(mi.render(scene, spp=samples, seed=seed + 1000 * index + sphere))[..., 0]
            # the lens blurs before the pixels gather
            fine = gaussian_filter(fine, BLUR_PX * FINE, truncate=7.0)
            light[index, sphere] = fine.reshape(CROP_PX, FINE, CROP_PX, FINE).mean(axis=(1, 3))
    return light, corners


def cached_crops(
    cache: Path, name: str, centres_mm: np.ndarray, lamps_mm: np.ndarray, view: View, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """The same from the cache, or made and written there."""
    path = cache / f"spheres-{name}.npz"
    if not path.exists():
        light, corners = crops(centres_mm, lamps_mm, view, seed)
        cache.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(path, light=light, corners=corners)
    with np.load(path) as stored:
        return stored["light"], stored["corners"]


def _spheres(centres_mm: np.ndarray, depth: int) -> dict[str, Any]:
    """Spheres, on a matt floor where light goes farther than from a lamp to a sphere to the camera."""
    mirror = {"type": "conductor", "material": "none", "specular_reflectance": {"type": "spectrum", "value": MIRROR}}
    floor = {"type": "diffuse", "reflectance": {"type": "spectrum", "value": FLOOR}}
    scene: dict[str, Any] = {"type": "scene", "integrator": {"type": "path", "max_depth": depth, "rr_depth": 9}}
    for index, (x, y, z) in enumerate(centres_mm.tolist()):
        scene[f"ball{index}"] = {"type": "sphere", "center": [x, y, z], "radius": RADIUS_MM, "bsdf": mirror}
    if depth > 2:
        far = mi.ScalarTransform4f().scale([2000, 2000, 1])
        scene["floor"] = {"type": "rectangle", "to_world": far, "bsdf": floor}
    return scene


def _point(lamp_mm: np.ndarray) -> dict[str, Any]:
    """What lights the floor: a point, so that caustics, which a path tracer gives as sparks, are left out."""
    intensity = {"type": "spectrum", "value": float(lamp_mm @ lamp_mm)}
    return {"type": "point", "position": lamp_mm.tolist(), "intensity": intensity}


def _ball() -> dict[str, Any]:
    """What is seen in the spheres: a glowing ball."""
    emitter = {"type": "area", "radiance": {"type": "spectrum", "value": 1.0}}
    return {"type": "sphere", "to_world": _at(np.array([0.0, 0, LAMP_MM])), "emitter": emitter}


def _at(lamp_mm: np.ndarray) -> Any:
    """Where the unit ball of a lamp lies."""
    return mi.ScalarTransform4f().translate(lamp_mm.tolist()).scale(LAMP_RADIUS_MM)


def photographed(light: np.ndarray, floor_level: float, seed: int) -> np.ndarray:
    """As a 16-bit camera gives it, 1 at and above white."""
    exposed = light * floor_level / np.median(light)
    rng = np.random.default_rng(seed)
    exposed = exposed + rng.standard_normal(light.shape) * np.hypot(
        READ_NOISE, SHOT_NOISE * np.sqrt(np.minimum(exposed, 1))
    )
    return np.round(np.clip(exposed, 0, 1) * 65535).astype(np.float32) / np.float32(65535)


def sight_of(photographs: np.ndarray, corners: np.ndarray, view: View) -> tuple[Sight, list[Rim]]:
    """Rims and highlights as the step measures them, from crops (L, M, rows, columns)."""
    rims, seen, doubt = [], [], []
    for sphere, corner in enumerate(corners):
        patches = photographs[:, sphere]
        middle = view.middle_px - corner
        circle = search(np.log(np.maximum(patches, DARK)).mean(axis=0), [(0.92 * RADIUS_PX, 1.08 * RADIUS_PX)])[0]
        unclipped = np.where(patches < 1, patches, np.nan)
        rim = refine(unclipped, circle, REACH * RADIUS_PX, middle, view.focal_px)
        assert rim is not None
        moving, _ = without_static(patches)
        numbers = rim.numbers + np.array([*corner, 0])
        part = Window(corner[1], corner[1] + CROP_PX, corner[0], corner[0] + CROP_PX)
        sky = above_plate(view, numbers, RADIUS_MM, part)
        pairs = zip(moving, patches, strict=True)
        spots = [find_spots(light, sky, photo >= 1, rim.radius_px) for light, photo in pairs]
        seen.append([spot[0].centre_px + corner if spot else (np.nan, np.nan) for spot in spots])
        doubt.append([spot[0].u_px if spot else np.nan for spot in spots])
        rims.append(Rim(tuple(rim.centre_px + corner), rim.radius_px, rim.u_px, rim.rms_px, rim.seen, rim.how_known))
    count = len(corners)
    sight = Sight(
        view,
        np.array([rim.numbers for rim in rims]),
        np.array([rim.u_px for rim in rims]),
        np.full(count, RADIUS_MM),
        np.array(seen).transpose(1, 0, 2),
        np.array(doubt).T,
    )
    return sight, rims


def cases(seeds: list[int], lamps: int, cache: Path) -> Iterator[tuple]:
    for seed in seeds:
        for camera in (None, CAMERA_MM):
            for count in (2, 4):
                view = View((SIDE_PX, SIDE_PX), PITCH_MM, camera)
                centres, places = places_of(count, seed), dome_lamps(lamps, LAMP_MM)
                light, corners = cached_crops(
                    cache, f"{count}-{lamps}-{seed}-{camera or 'far'}", centres, places, view, seed
                )
                for name, level in EXPOSURES.items():
                    yield seed, camera, count, name, view, centres, places, photographed(light, level, seed), corners


def plate_figures(cache: Path, seeds: list[int]) -> None:
    """Normals of a rendered metal plate with lamps and powers from four spheres, against those with the lamp table."""
    print(
        "\n| seed | exposed | lamps | error median deg | mean | median from the table's normals | power error rms % |"
    )
    print("|---" * 7 + "|")
    for seed in seeds:
        case = cached_case(cache, "plate", PLATE_MATERIAL, PLATE_LAMPS, seed)
        light = plate_photographed(case.light, seed)
        part = (slice(*PLATE_PART), slice(*PLATE_PART))
        x_mm, y_mm = case.grid.x_mm()[part[1]], case.grid.y_mm()[part[0]]
        truth = case.normals[:, *part].astype(float)
        view, centres = View((SIDE_PX, SIDE_PX), PITCH_MM, None), places_of(4, seed)
        rendered, corners = cached_crops(cache, f"plate-{seed}", centres, case.lamps_mm, view, seed)
        normals = {"table": _normals(light, case.lamps, case, part, x_mm, y_mm)}
        for name, level in EXPOSURES.items():
            sight, _ = sight_of(photographed(rendered, level, seed), corners, view)
            found = refine_together(sight, crossings(sight))
            u_vectors = np.sqrt(np.trace(found.covariance_mm2, axis1=1, axis2=2) / 3)
            lamps = replace(case.lamps, vectors=found.lamps_mm, u_vectors=u_vectors, covariance=found.covariance_mm2)
            toward, irradiance = lamp_field(lamps, case.grid.x_mm()[::4], case.grid.y_mm()[::4])
            flat = irradiance.reshape(len(light), -1), toward.reshape(len(light), 3, -1)
            value, _, _ = of_plate(light[:, ::4, ::4].reshape(len(light), -1), *flat)
            normals[f"spheres, {name}"] = _normals(light, replace(lamps, power=value), case, part, x_mm, y_mm)
            normals[f"spheres, {name}, true power"] = _normals(light, lamps, case, part, x_mm, y_mm)
            print(f"| {seed} | {name} | power | | | | {100 * (value - 1).std():.2f} |", flush=True)
        for name, found_normals in normals.items():
            error = angle_deg(found_normals, truth)
            apart = angle_deg(found_normals, normals["table"])
            cells = [
                seed,
                "",
                name,
                f"{np.nanmedian(error):.3f}",
                f"{np.nanmean(error):.3f}",
                f"{np.nanmedian(apart):.3f}",
            ]
            print(f"| {' | '.join(map(str, cells))} | |", flush=True)


def _normals(
    light: np.ndarray, lamps: LampSet, case: Case, part: tuple, x_mm: np.ndarray, y_mm: np.ndarray
) -> np.ndarray:
    """Normals (3, rows, columns) of a part of the plate by the default method."""
    grid = case.grid
    lobe = learn_lobe([sample_of(light, lamps, grid.x_mm(), grid.y_mm(), SAMPLE_PX)])
    return solve_region(light[:, *part], lamps, x_mm, y_mm, "microfacet", lobe).normals.astype(float)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", nargs="+", type=int, default=[1, 2, 3])
    parser.add_argument("--lamps", type=int, default=24)
    parser.add_argument(
        "--cache", type=Path, metavar="FOLDER", help="where rendered spheres are kept (default: nowhere)"
    )
    parser.add_argument("--plate-seed", nargs="*", type=int, default=[1], help="rendered metal plates to solve")
    parser.add_argument("--plate-only", action="store_true", help="only the metal plates")
    flags = parser.parse_args()
    use_threads(2)
    with tempfile.TemporaryDirectory() as scratch:
        cache = flags.cache or Path(scratch)
        if not flags.plate_only:
            show(flags.seed, flags.lamps, cache)
        plate_figures(cache, flags.plate_seed)
    return 0


def show(seeds: list[int], lamp_count: int, cache: Path) -> None:
    """Print the table."""
    heads = ["seed", "camera mm", "spheres", "exposed", "direction median deg", "max", "place median mm", "max"]
    heads += ["u along, across mm", "in 95 %", "radius error px", "centre error px", "rim rms px"]
    print(f"| {' | '.join(heads)} |")
    print("|---" * 13 + "|")
    for seed, camera, count, name, view, centres, lamps, photographs, corners in cases(seeds, lamp_count, cache):
        sight, rims = sight_of(photographs, corners, view)
        points, toward = sight.rays()
        true = lamps[:, None] - points
        true /= np.linalg.norm(true, axis=-1, keepdims=True)
        angle = np.degrees(np.arccos(np.clip((toward * true).sum(axis=-1), -1, 1)))
        _, radii = balls(view, sight.circles_px, sight.heights_mm)
        centre_error = np.abs(sight.circles_px[:, :2] - view.seen_at(centres)).max()
        cells = [seed, camera or "far", count, name, f"{np.nanmedian(angle):.3f}", f"{np.nanmax(angle):.3f}"]
        found = refine_together(sight, crossings(sight))
        miss = found.lamps_mm - lamps
        error = np.linalg.norm(miss, axis=1)
        d2 = np.einsum("li,lij,lj->l", miss, np.linalg.inv(found.covariance_mm2), miss)
        u = np.sqrt(np.linalg.eigvalsh(found.covariance_mm2))
        cells += [
            f"{np.median(error):.2f}",
            f"{error.max():.2f}",
            f"{np.median(u[:, 2]):.2f}, {np.median(u[:, 0]):.2f}",
        ]
        cells += [f"{100 * (d2 < 7.81).mean():.0f}"]
        cells += [
            f"{(radii / PITCH_MM - RADIUS_PX).max():.3f}",
            f"{centre_error:.3f}",
            f"{max(r.rms_px for r in rims):.3f}",
        ]
        print(f"| {' | '.join(map(str, cells))} |", flush=True)


if __name__ == "__main__":
    sys.exit(main())
