"""Heights where a mark has destroyed what was there, continued from beside along the lines and walls that run in.

Method: diffusion steered by the structure tensor (coherence-enhancing diffusion, Weickert 1999, from memory) to its
steady state, so that a wall goes on as a wall, and flat ground as flat ground. Under a groove the floor still tells of
the surface that the point followed: what is continued is drawn toward the surface that explains it.
"""

import numba
import numpy as np

AROUND_PX = 1.5
"""Standard deviation of the weight within which the direction of the structure is averaged (swept: 1 to 3.5)."""
ACROSS_LEAST = 0.02
"""Diffusion across a wall over that along it."""
FLOOR_PULL_PX2 = 2.3
"""How firmly the floor of a groove counts, over its half width squared, against a sum of the neighbours' weights near 4
(swept at 12.5 and 25 um a pixel: 0.5 to 10)."""
FOLLOWS = 0.7
"""A point of a groove's half width follows the surface smoothed by a Gaussian of this share of it (swept: 0 to 1)."""
TRUNCATE, FARTHEST_STEPS = 2.5, 5
LEAST_ROUGH_UM = 1e-4
ROUNDS = 3
MOST_SWEEPS = 60
DONE_UM = 0.01
RELAX = 1.7
TILE_PX, HALO_PX = 512, 8


def fill(
    height_um: np.ndarray,
    pixels: np.ndarray,
    lift_um: np.ndarray | None = None,
    half_px: np.ndarray | None = None,
    rough_um: float = 0.1,
) -> np.ndarray:
    """Heights of some pixels continued from beside; (pixels,) float32, NaN where nothing known lies beside.

    height_um : (rows, columns), um, NaN where unknown; at the pixels, the height as it is. pixels : flat index,
    ascending. lift_um : (pixels,) what the mark added there; NaN where its section is not known, None for nowhere.
    half_px : (pixels,) half width of the groove. rough_um : rise a pixel that is no structure.
    """
    present = height_um.ravel()[pixels].astype(np.float32)
    lift = np.full(len(pixels), np.nan, np.float32) if lift_um is None else lift_um.astype(np.float32)
    reach = np.zeros(len(pixels), np.float32) if half_px is None else (FOLLOWS * half_px).astype(np.float32)
    known = np.isfinite(height_um)
    filled = height_um.astype(np.float32, copy=True)
    filled.ravel()[pixels] = present - lift
    followed = np.isfinite(lift)
    half = np.maximum(reach / FOLLOWS, 1.0)
    pull = np.where(followed, FLOOR_PULL_PX2 / half**2, 0).astype(np.float32)
    # heights without a guess are first carried in from beside, alike in all directions
    plain = np.ones((len(pixels), 8), np.float32)
    _relax(filled, known, pixels, plain, np.zeros_like(pull), present, ~followed, MOST_SWEEPS)
    every = np.ones(len(pixels), bool)
    for _ in range(ROUNDS):
        weights = _weights(filled, pixels, rough_um)
        now = filled.ravel()[pixels]
        under = _smoothed(filled, pixels, reach)
        explained = np.minimum(now, under + np.nan_to_num(lift))
        target = now + present - explained
        _relax(filled, known, pixels, weights, pull, target, every, MOST_SWEEPS)
    return filled.ravel()[pixels]


def _weights(height_um: np.ndarray, pixels: np.ndarray, rough_um: float) -> np.ndarray:
    """How firmly each pixel holds to its eight neighbours (in reading order), (pixels, 8) float32, none below zero."""
    rows, cols = height_um.shape
    weights = np.zeros((len(pixels), 8), np.float32)
    for start in range(0, rows, TILE_PX):
        first, last = np.searchsorted(pixels, [start * cols, (start + TILE_PX) * cols])
        row, col = np.divmod(pixels[first:last], cols)
        for left in range(0, cols, TILE_PX):
            here = np.flatnonzero((col >= left) & (col < left + TILE_PX))
            if not len(here):
                continue
            # unknown pixels may lie in a corner of the tile only
            low = np.maximum([row[here[0]] - HALO_PX, col[here].min() - HALO_PX], 0)
            high = row[here[-1]] + HALO_PX + 1, col[here].max() + HALO_PX + 1
            tensor = _diffusion(np.ascontiguousarray(height_um[low[0] : high[0], low[1] : high[1]]), rough_um)
            links = np.zeros((len(here), 8), np.float32)
            _links(*tensor, row[here] - low[0], col[here] - low[1], links)
            weights[first + here] = links
    return weights


def _diffusion(height_um: np.ndarray, rough_um: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Diffusion tensor (xx, xy, yy) of heights: 1 along the structure, less across it the plainer it is."""
    import cv2

    right, down = (
        np.nan_to_num(cv2.Sobel(height_um, cv2.CV_32F, *way, ksize=3, scale=1 / 8, borderType=cv2.BORDER_REPLICATE))
        for way in ((1, 0), (0, 1))
    )
    side = HALO_PX - 1  # the averages look as far as the halo goes, less the pixel that the gradient needs
    xx, xy, yy = (
        cv2.GaussianBlur(product, (side, side), AROUND_PX, borderType=cv2.BORDER_REPLICATE)
        for product in (right * right, right * down, down * down)
    )
    half, spread = (xx - yy) / 2, np.hypot((xx - yy) / 2, xy)
    across = np.maximum(1 - 2 * spread / (xx + yy + max(rough_um, LEAST_ROUGH_UM) ** 2), ACROSS_LEAST)
    turn = (1 - across) / 2 / np.maximum(spread, 1e-12)
    mean = (1 + across) / 2
    return mean - turn * half, -turn * xy, mean + turn * half


@numba.njit(cache=True)
def _links(
    xx: np.ndarray, xy: np.ndarray, yy: np.ndarray, row_px: np.ndarray, col_px: np.ndarray, weights: np.ndarray
) -> None:
    """Weights of a diffusion tensor on the nine-point star, cut off below so that no new extreme can arise."""
    rows, cols = xx.shape
    for k in range(len(row_px)):
        row, col = row_px[k], col_px[k]
        link = 0
        for down in range(-1, 2):
            for right in range(-1, 2):
                if down == 0 and right == 0:
                    continue
                r, c = row + down, col + right
                if 0 <= r < rows and 0 <= c < cols:
                    slant = (xy[row, col] + xy[r, c]) / 2
                    if down == 0:
                        weight = max((xx[row, col] + xx[r, c]) / 2 - abs(slant), np.float32(ACROSS_LEAST))
                    elif right == 0:
                        weight = max((yy[row, col] + yy[r, c]) / 2 - abs(slant), np.float32(ACROSS_LEAST))
                    else:
                        weight = max(down * right * slant, np.float32(0))
                    weights[k, link] = weight
                link += 1


@numba.njit(cache=True)
def _relax(
    height: np.ndarray,
    known: np.ndarray,
    pixels: np.ndarray,
    weights: np.ndarray,
    pull: np.ndarray,
    target: np.ndarray,
    moves: np.ndarray,
    most_sweeps: int,
) -> None:
    """Successive over-relaxation, to and fro, until nothing moves by more than `DONE_UM`.

    Each moving pixel comes to the weighted mean of its neighbours and its target. A pixel without a value takes it from
    the neighbours that have one; what is not known in the height itself takes no part.
    """
    rows, cols = height.shape
    for sweep in range(most_sweeps):
        farthest = 0.0
        for m in range(len(pixels)):
            k = m if sweep % 2 == 0 else len(pixels) - 1 - m
            row, col = pixels[k] // cols, pixels[k] % cols
            if not moves[k] or not known[row, col]:
                continue
            weight = float(pull[k])
            total = weight * target[k] if weight > 0 else 0.0
            link = 0
            for down in range(-1, 2):
                for right in range(-1, 2):
                    if down == 0 and right == 0:
                        continue
                    r, c = row + down, col + right
                    if 0 <= r < rows and 0 <= c < cols and weights[k, link] > 0 and np.isfinite(height[r, c]):
                        total += weights[k, link] * height[r, c]
                        weight += weights[k, link]
                    link += 1
            if weight > 0:
                mean = total / weight
                if np.isfinite(height[row, col]):
                    step = RELAX * (mean - height[row, col])
                    height[row, col] += step
                    farthest = max(farthest, abs(step))
                else:
                    height[row, col] = mean
                    farthest = np.inf
        if farthest < DONE_UM:
            return


@numba.njit(cache=True)
def _smoothed(height: np.ndarray, pixels: np.ndarray, sigma_px: np.ndarray) -> np.ndarray:
    """Gaussian mean of the known heights around each pixel, by its own standard deviation; on a lattice where wide."""
    rows, cols = height.shape
    found = np.empty(len(pixels), np.float32)
    share = np.empty(FARTHEST_STEPS + 1)
    for k in range(len(pixels)):
        row, col = pixels[k] // cols, pixels[k] % cols
        step = max(1, int(np.ceil(TRUNCATE * sigma_px[k] / FARTHEST_STEPS)))
        reach = int(TRUNCATE * sigma_px[k] / step)
        for away in range(reach + 1):
            share[away] = np.exp(-0.5 * (away * step / sigma_px[k]) ** 2) if away else 1.0
        total, weight = 0.0, 0.0
        for down in range(-reach, reach + 1):
            for right in range(-reach, reach + 1):
                r, c = row + down * step, col + right * step
                if 0 <= r < rows and 0 <= c < cols and np.isfinite(height[r, c]):
                    counts = share[abs(down)] * share[abs(right)]
                    total += counts * height[r, c]
                    weight += counts
        found[k] = total / weight if weight > 0 else np.nan
    return found
