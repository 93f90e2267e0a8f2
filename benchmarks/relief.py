"""How near the relief without scratches comes to a plate that was never scratched.

    python benchmarks/relief.py [--seeds 3]

Made plates (`lightdome.synthetic`, the tide table), each once with and once without its scratches; the optics' blur and
noise as correlated as that of solved heights are added to both. The scratches' places are given as drawn, so that the
figures are those of the split alone. The last two columns: the harmonic function through what lies beside (scipy's
sparse solver), and the biharmonic fill of scikit-image.
"""

import argparse
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter, label
from scipy.sparse import coo_array
from scipy.sparse.linalg import spsolve
from skimage.restoration import inpaint_biharmonic

from lightdome.marks.paint import painted
from lightdome.marks.split import ROUGH_RISES, usual_rise
from lightdome.marks.without import CONTINUED, without
from lightdome.raster import Grid
from lightdome.synthetic import truth
from lightdome.synthetic.drawing import SCRATCH, Cut, Drawing
from lightdome.synthetic.plates import make_surface
from lightdome.synthetic.tide_table import tide_table
from lightdome.units import UM_PER_MM

SIZE_MM = (12.0, 16.0)
BLUR_PX, NOISE_PX, NOISE_UM = 0.7, 1.5, 0.15
PITCHES_MM = (0.0125, 0.02, 0.025, 0.05)


def height_um(drawing: Drawing, grid: Grid, seed: int) -> np.ndarray:
    """Mean height of each pixel as a blurred and noisy solver would give it."""
    sharp = truth.height_um(make_surface(drawing, grid, 4, seed), (0, grid.shape[0]))[0]
    noise = gaussian_filter(np.random.default_rng(seed).standard_normal(grid.shape), NOISE_PX)
    return (gaussian_filter(sharp, BLUR_PX) + NOISE_UM * noise / noise.std()).astype(np.float32)


def traces_of(cuts: tuple[Cut, ...], grid: Grid) -> list[tuple[np.ndarray, float]]:
    """Centre line and full reach of each cut, pixels; the reach a blur wider than drawn."""
    found = []
    for cut in cuts:
        x, y = np.array(cut.points_mm).T
        reach_mm = cut.width_um / UM_PER_MM * (1 + 2 * max(cut.ridges_um) / cut.depth_um)
        found.append((np.stack(grid.to_pixel(x, y), axis=1), reach_mm / grid.pitch_mm + 2))
    return found


def harmonic(height: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """Laplace's equation on the five-point star across a mask."""
    number = np.full(np.array(height.shape) + 2, -1)
    number[1:-1, 1:-1][taken] = np.arange(taken.sum())
    around = np.pad(np.where(taken, np.nan, height), 1, constant_values=np.nan)
    row, col = (axis + 1 for axis in np.nonzero(taken))
    diagonal, right, links = np.zeros(len(row)), np.zeros(len(row)), []
    for r, c in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        other, value = number[row + r, col + c], around[row + r, col + c]
        diagonal += (other >= 0) | np.isfinite(value)
        right += np.nan_to_num(value)
        links.append((np.flatnonzero(other >= 0), other[other >= 0]))
    i, j = (np.concatenate(part) for part in zip(*links, strict=True))
    own = np.arange(len(row))
    values = np.concatenate([diagonal, -np.ones(len(i))])
    matrix = coo_array((values, (np.concatenate([own, i]), np.concatenate([own, j]))))
    filled = height.astype(float)
    filled[taken] = spsolve(matrix.tocsc(), right)
    return filled


def rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(error, dtype=float))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=3)
    flags = parser.parse_args()
    columns = "pixel, um|seed|taken, %|all of the field|where taken|ridges|grooves|as it is|harmonic|biharmonic"
    print("| " + columns.replace("|", " | ") + " |\n|" + "---|" * (columns.count("|") + 1))
    for pitch_mm in PITCHES_MM:
        grid = Grid(tuple(round(side / pitch_mm) for side in SIZE_MM), pitch_mm)  # type: ignore[arg-type]
        for seed in range(101, 101 + flags.seeds):
            drawing = tide_table(seed)
            scratches = tuple(cut for cut in drawing.cuts if cut.kind == SCRATCH)
            without_them = replace(drawing, cuts=tuple(cut for cut in drawing.cuts if cut.kind != SCRATCH))
            height, true = height_um(drawing, grid, seed), height_um(without_them, grid, seed)
            lines = traces_of(scratches, grid)
            mask = painted(grid.shape, lines)
            found, how = without(height, mask, [points for points, _ in lines], ROUGH_RISES * usual_rise(height))
            groove = how == CONTINUED
            assert label(mask)[1] > 0
            figures = (
                rms(found - true),
                rms((found - true)[mask]),
                rms((found - true)[mask & ~groove]),
                rms((found - true)[groove]),
                rms((height - true)[mask]),
                rms((harmonic(height, mask) - true)[mask]),
                rms((inpaint_biharmonic(height, mask) - true)[mask]),
            )
            print(
                f"| {pitch_mm * UM_PER_MM:g} | {seed} | {100 * mask.mean():.1f} | "
                + " | ".join(f"{f:.2f}" for f in figures)
                + " |"
            )


if __name__ == "__main__":
    main()
