"""Move a frame's picture back to where the others stand, and take the lens's distortion out, in one interpolation."""

from typing import NamedTuple

import numba
import numpy as np

from lightdome.session.lens import Lens

LOBES = 4
"""Of the Lanczos window, so eight samples each way (Duchon 1979, Lanczos filtering in one and two dimensions)."""
WHOLE_PX = 1e-3
"""Parts of a pixel below it are not interpolated."""
PHASES = 4096
"""Steps of a pixel for which the general map has weights: the place is off by an eighth of a thousandth at most."""
PROBE_PX = 32
"""Steps along a band at which it is looked up which rows it needs."""


class Place(NamedTuple):
    """Where a pixel of the registered picture is found in the photograph.

    A point p (rows, columns, from the picture's middle) is seen at shift + p + turn p, and the lens puts what belongs
    there elsewhere.
    """

    shift_px: tuple[float, float] = (0.0, 0.0)
    """Rows, columns."""
    turn: tuple[float, float] = (0.0, 0.0)
    """Scale x cos - 1 and scale x sin of the rotation (`session/motion.py`)."""
    lens: Lens | None = None
    """None: without distortion."""

    @property
    def same(self) -> bool:
        """True where the picture stays as it is."""
        return not (any(self.shift_px) or any(self.turn) or self.lens)

    @property
    def mere_shift(self) -> bool:
        """True where rows and columns may be moved one after the other."""
        return not (any(self.turn) or self.lens)

    def numbers(self, shape: tuple[int, int]) -> np.ndarray:
        """All that the compiled map wants, (14,): the picture has `shape` rows and columns."""
        lens = self.lens or Lens(1.0, (0.0, 0.0), 0.0, 0.0, 0.0, 0.0, 0.0)
        centre = ((shape[0] - 1) / 2, (shape[1] - 1) / 2)
        coefficients = (lens.k1, lens.k2, lens.p1, lens.p2, lens.k3)
        return np.array(
            [*centre, *self.shift_px, *self.turn, lens.focal_px, lens.centre_px[1], lens.centre_px[0], *coefficients]
        )


def needed_rows(place: Place, shape: tuple[int, int], first: int, count: int) -> slice:
    """Rows of the photograph that rows first ... first + count of the registered picture look at."""
    if place.same:
        return slice(first, first + count)
    rows = np.unique(np.append(np.arange(first, first + count, PROBE_PX), first + count - 1))
    cols = np.unique(np.append(np.arange(0, shape[1], PROBE_PX), shape[1] - 1))
    numbers = place.numbers(shape)
    seen = [_found(numbers, float(row), float(col))[0] for row in rows for col in cols]
    low, high = int(np.floor(min(seen))) - LOBES - 1, int(np.ceil(max(seen))) + LOBES + 2
    start = int(np.clip(low, 0, shape[0] - 1))
    return slice(start, int(np.clip(high, start + 1, shape[0])))


def registered(
    band: np.ndarray, place: Place, shape: tuple[int, int], band_row0: int, first: int, count: int
) -> np.ndarray:
    """Rows first ... first + count, float32, of the registered picture of `shape` rows and columns.

    band : rows of the photograph from band_row0 on, those of `needed_rows` at least.
    Beyond the photograph's edge is NaN; whole pixels are copied, parts of a pixel interpolated by a windowed sinc of
    eight samples each way, in which one unknown sample makes the result unknown.
    """
    if place.same:
        return band[first - band_row0 : first - band_row0 + count]
    if place.mere_shift:
        return moved_back(band, place.shift_px, first - band_row0, count)
    result = np.empty((count, shape[1]), np.float32)
    _resample(np.ascontiguousarray(band, np.float32), place.numbers(shape), band_row0, first, WEIGHTS, result)
    return result


def straightened(picture: np.ndarray, lens: Lens) -> np.ndarray:
    """A whole picture (rows, columns), float32, without the lens's distortion; it was not moved."""
    rows, cols = picture.shape
    return registered(picture, Place(lens=lens), (rows, cols), 0, 0, len(picture))


def moved_back(band: np.ndarray, shift_px: tuple[float, float], first: int, count: int) -> np.ndarray:
    """Picture (rows, columns) moved back by `shift_px` (dr, dc): its value at (r, c) is the band's at (r + dr, c + dc).

    band : rows around those wanted.  first, count : which rows of it are wanted.
    """
    rows = np.arange(first, first + count)
    return _along(_along(band, shift_px[0], rows).T, shift_px[1], np.arange(band.shape[1])).T


def lanczos_weights(part: float) -> np.ndarray:
    """Weights (8,) of the samples at -3 ... 4 for a value at `part` (0 to 1); they add up to 1."""
    away = np.arange(1 - LOBES, LOBES + 1) - part
    weights = np.sinc(away) * np.sinc(away / LOBES)
    return weights / weights.sum()


WEIGHTS = np.array([lanczos_weights(part) for part in np.arange(PHASES) / PHASES], np.float32)
"""(PHASES, 8)."""


def _along(values: np.ndarray, shift: float, wanted: np.ndarray) -> np.ndarray:
    """Values at `wanted` + shift along the first axis."""
    whole = int(np.floor(shift))
    part = shift - whole
    if part > 1 - WHOLE_PX:
        whole, part = whole + 1, 0.0
    if part < WHOLE_PX:
        return _taken(values, wanted + whole)
    total = np.zeros((len(wanted), values.shape[1]), np.float32)
    for offset, weight in zip(range(1 - LOBES, LOBES + 1), lanczos_weights(part), strict=True):
        total += _taken(values, wanted + whole + offset) * np.float32(weight)
    return total


def _taken(values: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Rows of `values` at `places`; NaN where there is none."""
    taken = values[np.clip(places, 0, len(values) - 1)]
    taken[(places < 0) | (places >= len(values))] = np.nan
    return taken


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _found(numbers: np.ndarray, row: float, col: float) -> tuple[float, float]:
    """Row and column of the photograph where a pixel of the registered picture is found."""
    r, c = row - numbers[0], col - numbers[1]
    u, v = 1 + numbers[4], numbers[5]
    row, col = numbers[0] + numbers[2] + u * r - v * c, numbers[1] + numbers[3] + v * r + u * c
    k1, k2, p1, p2, k3 = numbers[9], numbers[10], numbers[11], numbers[12], numbers[13]
    if k1 != 0 or k2 != 0 or p1 != 0 or p2 != 0 or k3 != 0:
        x, y = (col - numbers[8]) / numbers[6], (row - numbers[7]) / numbers[6]
        r2 = x * x + y * y
        radial = r2 * (k1 + r2 * (k2 + r2 * k3))
        col += numbers[6] * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x))
        row += numbers[6] * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y)
    return row, col


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def _resample(
    band: np.ndarray, numbers: np.ndarray, band_row0: int, first: int, weights: np.ndarray, result: np.ndarray
) -> None:
    """Rows of the registered picture, written; see `registered`."""
    columns, flat = band.shape[1], band.ravel()
    for i in range(len(result)):
        for j in range(result.shape[1]):
            row, col = _found(numbers, first + i, j)
            row, col = np.floor(row * PHASES + 0.5) / PHASES, np.floor(col * PHASES + 0.5) / PHASES
            whole_row, whole_col = int(np.floor(row)), int(np.floor(col))
            down, right = int((row - whole_row) * PHASES), int((col - whole_col) * PHASES)
            # where a place is a whole pixel, its neighbours have no weight, and unknown ones do not matter
            row0, row1 = (whole_row - 3, whole_row + 5) if down else (whole_row, whole_row + 1)
            col0, col1 = (whole_col - 3, whole_col + 5) if right else (whole_col, whole_col + 1)
            if row0 < band_row0 or row1 > band_row0 + len(band) or col0 < 0 or col1 > columns:
                result[i, j] = np.nan
                continue
            total = np.float32(0)
            if down and right:
                # unsigned places and a fixed number of turns, so that eight samples are one vector
                start = np.uint64((row0 - band_row0) * columns + col0)
                for a in range(8):
                    part = np.float32(0)
                    for b in range(8):
                        part += weights[np.uint64(right), np.uint64(b)] * flat[start + np.uint64(b)]
                    total += weights[np.uint64(down), np.uint64(a)] * part
                    start += np.uint64(columns)
            else:
                for r in range(row0, row1):
                    for c in range(col0, col1):
                        weight = weights[down, r - whole_row + 3] * weights[right, c - whole_col + 3]
                        total += weight * band[r - band_row0, c]
            result[i, j] = total
