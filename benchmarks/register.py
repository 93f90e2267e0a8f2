"""How well the movement of a frame is found although each lamp shades the plate anew, on plates of known movement.

    python benchmarks/register.py [--lamps 24] [--seed 3] [--large]

Plates of `lightdome.synthetic` under near lamps. Two thirds of the frames stand still; every third is moved by 0.1 to 4
px in a random direction, half of these turned by up to 0.2 degrees and scaled by up to 0.1 % too. The light of the
facets, several a pixel, is moved by scipy's cubic spline (`affine_transform`) before it is averaged over pixels and
exposed with noise, so the truth is the number put in. `--large` draws the same plate at half the pixel pitch, with four
times the pixels.
"""

import argparse
import sys

import numpy as np
from scipy import ndimage

from lightdome.raster import Grid, Window
from lightdome.session.alignment import aligned
from lightdome.session.edges import edge_spectra, middles_px, patch_windows
from lightdome.session.motion import measure_motion, moved_by
from lightdome.synthetic.camera import View
from lightdome.synthetic.lamps import Rig, dome
from lightdome.synthetic.plates import Surface, make_surface
from lightdome.synthetic.reflectance import MATTE, Material
from lightdome.synthetic.render import facet_light, geometry
from lightdome.synthetic.scenes import tide_table_scene

METALS = {
    "matt": MATTE,
    "dull metal, alpha 0.38": Material(diffuse=0.42, specular=0.32, roughness=0.38),
    "glossy, alpha 0.2": Material(diffuse=0.05, specular=0.6, roughness=0.2),
    "mirror-like, alpha 0.12": Material(diffuse=0.02, specular=0.6, roughness=0.12),
}
FULL_WELL_E, READ_NOISE_E, GAIN = 60_000.0, 4.0, 0.9


def true_movements(count: int, seed: int) -> np.ndarray:
    """Parameters (frames, 4) as in `session/motion.py`: shift down, shift right, scale x cos - 1, scale x sin."""
    draw = np.random.default_rng(seed)
    moved = np.zeros((count, 4))
    for index in range(1, count, 3):
        length, angle = draw.uniform(0.1, 4), draw.uniform(0, 2 * np.pi)
        moved[index, :2] = length * np.cos(angle), length * np.sin(angle)
        if index % 2 == 0:
            turn = (1 + draw.uniform(-1e-3, 1e-3)) * np.exp(1j * np.radians(draw.uniform(-0.2, 0.2)))
            moved[index, 2:] = turn.real - 1, turn.imag
    return moved


def move(light: np.ndarray, movement: np.ndarray, sub: int) -> np.ndarray:
    """Light of facets (rows, columns) moved about the middle; a shift is in pixels of `sub` facets."""
    if not movement.any():
        return light
    matrix = np.array([[1 + movement[2], -movement[3]], [movement[3], 1 + movement[2]]])
    back, middle = np.linalg.inv(matrix), (np.array(light.shape) - 1) / 2
    return ndimage.affine_transform(light, back, middle - back @ (middle + sub * movement[:2]), order=3, mode="nearest")


def photograph(surface: Surface, rig: Rig, index: int, metal: Material, movement: np.ndarray) -> np.ndarray:
    """Light on the sensor (rows, columns) under one lamp, with noise; 1 is white."""
    shading = geometry(surface.facets(0, surface.grid.shape[0]), rig, index, View(), None)
    light = move(GAIN * facet_light(shading, metal, None).astype(np.float32), movement, surface.sub)
    pixels = np.clip(surface.pixel_mean(light), 0, None)
    deviation = np.sqrt(FULL_WELL_E * pixels + READ_NOISE_E**2) / FULL_WELL_E
    noise = np.random.default_rng([index, 5]).standard_normal(pixels.shape) * deviation
    return np.clip(pixels + noise, 0, 1).astype(np.float32)


def rows_of(metal: str, shape: tuple[int, int], pitch_mm: float, sub: int, lamps: int, seed: int) -> list[str]:
    """Rows of the table for one metal: with the lamps known, and without."""
    surface = make_surface(tide_table_scene(seed).drawing, Grid(shape, pitch_mm), sub, seed)
    rig = dome(lamps, radius_mm=60.0, beam_exponent=1.0, power_spread=0.06, seed=seed)
    truth = true_movements(lamps, seed)
    windows = patch_windows(Window(0, shape[0], 0, shape[1]))
    weight = np.ones((len(windows), *windows[0].shape), np.float32)
    spectra, patches = [], []
    for index in range(lamps):
        picture = photograph(surface, rig, index, METALS[metal], truth[index])
        patches.append(np.stack([picture[window.slices] for window in windows]))
        spectra.append(edge_spectra(patches[-1], weight))
    light = np.stack(patches)
    middles = middles_px(windows, shape)
    corners = np.array([(r, c) for r in (-0.5, 0.5) for c in (-0.5, 0.5)]) * shape
    toward = rig.vectors / np.linalg.norm(rig.vectors, axis=1, keepdims=True)
    turned = truth[:, 2:].any(axis=1)
    mere = truth.any(axis=1) & ~turned
    moved, still = truth.any(axis=1), ~truth.any(axis=1)
    rotation_deg = np.degrees(np.arctan2(truth[:, 3], 1 + truth[:, 2]))
    rows = []
    for known, directions in (("yes", toward), ("no", None)):
        edges = measure_motion(np.stack(spectra), windows[0].shape[0], middles, directions, threads=2)
        found = aligned(edges, lambda place: light[:, place], weight, middles, 2)
        error = found.shift_px - truth[:, :2]
        by_edges = edges.shift_px - truth[:, :2]
        at_corners = found.displacement_px(corners) - moved_by(truth, corners)
        covered = np.hypot(*(found.measured_px - truth[:, :2])[moved].T) < 2.45 * found.u_px[moved]
        parts = [
            f"{np.sqrt(np.mean(by_edges[mere] ** 2)):.3f}",
            f"{np.sqrt(np.mean(error[mere] ** 2)):.3f} ({np.abs(error[mere]).max():.2f})",
            f"{np.abs(error.mean(axis=0)).max():.3f}",
            f"{(found.shift_px[still] != 0).any(axis=1).sum()} of {still.sum()}",
            f"{(found.turn[turned] != 0).any(axis=1).sum()} of {turned.sum()}",
            f"{np.sqrt(np.mean(error[turned] ** 2)):.3f}",
            f"{np.sqrt(np.mean(at_corners[turned] ** 2)):.3f}",
            f"{np.sqrt(np.mean((found.rotation_deg - rotation_deg)[turned] ** 2)):.4f}",
            f"{covered.sum()} of {moved.sum()}",
        ]
        rows.append(f"| {metal} | {shape[0]} x {shape[1]} | {known} | " + " | ".join(parts) + " |")
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lamps", type=int, default=24)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--large", action="store_true", help="four times the pixels")
    flags = parser.parse_args()
    shape, pitch_mm, sub = ((960, 1280), 0.0125, 2) if flags.large else ((480, 640), 0.025, 3)
    print(
        "Errors in px along each axis, root mean square, of what check-session says.\n\n| plate | pixels | lamps known "
        "| moved, by edges alone | moved (worst) | largest mean | still ones said to move | turned ones told "
        "| their middles | their corners | rotation, deg | within 95 % |\n|" + "---|" * 12
    )
    for metal in METALS:
        print("\n".join(rows_of(metal, shape, pitch_mm, sub, flags.lamps, flags.seed)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
