"""Where do the patches of one frame correlate best with those of another? Fourier sums, their slopes and their bends.

A patch's correlation is known everywhere, not only at whole pixels: it is a sum of waves. All patches of a frame are
moved by one rule with few parameters, and the sum of their correlations is climbed by Newton's method.
"""

from dataclasses import dataclass

import numba
import numpy as np
from scipy import fft

FINEST_WAVE = 0.4
"""Highest frequency kept, cycles a pixel; finer waves are mostly noise and cost memory."""
NEWTON_STEPS = 8
FARTHEST_PX = 1.5
"""How far Newton's method may take a patch from where it started."""
CLOSE_PX = 1e-3
SEARCHED = 3
"""Peaks are looked for within one over this of a patch's side, either way."""
LARGEST_TURN = 0.02
"""Largest rotation, rad, and change of scale looked for."""


@dataclass(frozen=True)
class Peak:
    """Where the correlation of a frame's patches is highest."""

    moved: np.ndarray
    """(n,): parameters; a patch moves by its rule (2, n) times them, rows and columns, pixels."""
    covariance: np.ndarray
    """(n, n): infinite where the peak is no peak."""


def kept_waves(side: int) -> np.ndarray:
    """Frequencies, cycles a pixel, that the spectra of patches of `side` pixels keep along each axis."""
    waves = fft.fftfreq(side)
    return waves[np.abs(waves) < FINEST_WAVE]


def phases(waves: np.ndarray, shifts_px: np.ndarray) -> np.ndarray:
    """Factors (patch, K, K), complex64, that move each patch by its shift (patch, 2: rows, columns) in its spectrum.

    waves : (K,), radians a pixel.
    """
    turns = np.exp(-1j * waves * shifts_px[..., None]).astype(np.complex64)
    return turns[:, 0, :, None] * turns[:, 1, None, :]


def surfaces(cross: np.ndarray, side: int) -> np.ndarray:
    """Correlation (patch, P, P), float32, at whole pixels, of cross spectra (patch, K, K)."""
    # the real part of a sum of waves is that of half of each wave and half of its opposite's conjugate: half the work
    finest = cross.shape[1] // 2
    opposite = -np.arange(cross.shape[1])
    half = cross[:, :, : finest + 1] + cross[:, opposite[:, None], opposite[: finest + 1]].conj()
    half *= np.float32(0.5)
    whole = np.zeros((len(cross), side, side // 2 + 1), np.complex64)
    whole[:, : finest + 1, : finest + 1] = half[:, : finest + 1]
    whole[:, side - finest :, : finest + 1] = half[:, finest + 1 :]
    return fft.irfft2(whole, (side, side), overwrite_x=True)


def highest(surface: np.ndarray) -> tuple[np.ndarray, float]:
    """Whole-pixel shift at the highest place of a surface (P, P), and its height over the scatter of the surface."""
    side = len(surface)
    near = np.minimum(np.arange(side), side - np.arange(side)) <= side // SEARCHED
    allowed = near[:, None] & near
    place = np.unravel_index(np.argmax(np.where(allowed, surface, -np.inf)), surface.shape)
    middle = _median(surface)
    scatter = 1.4826 * _median(np.abs(surface - middle))
    height = (surface[place] - middle) / scatter if scatter > 0 else 0.0
    return np.array([index - side if index > side // 2 else index for index in place], float), float(height)


def _median(values: np.ndarray) -> float:
    """The median, found by one division of the values where numpy's makes three."""
    half = values.size // 2
    parted = np.partition(values, half, axis=None)
    return float(parted[half] if values.size % 2 else (parted[:half].max() + parted[half]) / 2)


def turned_start(surface: np.ndarray, places_px: np.ndarray, shift_px: np.ndarray) -> np.ndarray:
    """Parameters (4,) to begin with: of all pairs of patches, or the mere shift, the ones most patches agree with.

    surface : (patch, P, P).  places_px : (patch, 2), middles of the patches.  Two patches' own peaks fix a similarity;
    its rule is d = t + w z in complex numbers (row + i column).
    """
    side = surface.shape[1]
    own = np.array([highest_place(patch) for patch in surface])
    at, moved = places_px @ [1, 1j], own @ [1, 1j]
    first, second = np.triu_indices(len(at), 1)
    turn = (moved[first] - moved[second]) / (at[first] - at[second])
    shift = moved[first] - turn * at[first]
    likely = np.abs(turn) <= LARGEST_TURN
    turn = np.append(turn[likely], 0)
    shift = np.append(shift[likely], shift_px @ [1, 1j])
    predicted = shift[:, None] + turn[:, None] * at
    near = np.arange(-1, 2)
    rows = (np.rint(predicted.real).astype(int)[..., None, None] + near[:, None]) % side
    cols = (np.rint(predicted.imag).astype(int)[..., None, None] + near) % side
    patch = np.arange(len(at))[:, None, None]
    score = surface[patch, rows, cols].max(axis=(-1, -2)).sum(axis=-1)
    best = int(np.argmax(score))
    return np.array([shift[best].real, shift[best].imag, turn[best].real, turn[best].imag])


def highest_place(surface: np.ndarray) -> np.ndarray:
    """Whole-pixel shift (2,) at the highest place of a surface (P, P) within the range looked at."""
    side = len(surface)
    reach = side // SEARCHED
    rolled = np.roll(surface, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
    return np.array(np.unravel_index(np.argmax(rolled), rolled.shape)) - reach


def climb(cross: np.ndarray, rules: np.ndarray, start: np.ndarray, waves: np.ndarray) -> Peak:
    """The highest sum of the patches' correlations near `start`, and how sure its place is.

    cross : (patch, K, K).  rules : (patch, 2, n), how a patch moves with each parameter.  waves : (K,), radians.

    Patches pull as hard as they know better: the covariance is that of an estimate from independent groups,
    B^-1 (sum s s') B^-1 with s the slopes of the patches and B the bend of their sum (the sandwich of Huber 1967, from
    memory), for the patches that are left when n/2 of them are spent on the parameters. A patch with edges of one
    direction alone, which cannot tell the shift along them, does not pull there. Zero where there are no more patches
    than that.
    """
    count, best = len(cross), np.array(start, float)
    for _ in range(NEWTON_STEPS):
        slopes, bends = slope_and_bend(cross, rules @ best, waves)
        slope, bend = np.einsum("pin,pi->n", rules, slopes), np.einsum("pin,pij,pjm->nm", rules, bends, rules)
        if not _is_peak(bend):
            return Peak(best, np.full((len(best), len(best)), np.inf))
        step = -np.linalg.solve(bend, slope)
        step *= min(1, 0.5 / max(np.abs(rules @ step).max(), 1e-12))
        if np.abs(rules @ (best + step - start)).max() > FARTHEST_PX:
            break
        best = best + step
        if np.abs(rules @ step).max() < CLOSE_PX:
            break
    slopes, bends = slope_and_bend(cross, rules @ best, waves)
    bend = np.einsum("pin,pij,pjm->nm", rules, bends, rules)
    left = count - rules.shape[2] / 2
    if not _is_peak(bend):
        return Peak(best, np.full((len(best), len(best)), np.inf))
    if left <= 0:
        return Peak(best, np.zeros((len(best), len(best))))
    pulls = np.linalg.solve(bend, np.einsum("pin,pi->np", rules, slopes))
    return Peak(best, pulls @ pulls.T * count / left)


def _is_peak(bend: np.ndarray) -> bool:
    """Whether a surface with these second derivatives falls in every direction."""
    values = np.linalg.eigvalsh(bend)
    return bool(values[-1] < 0)


def slope_and_bend(cross: np.ndarray, shifts_px: np.ndarray, waves: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First (patch, 2) and second (patch, 2, 2) derivatives of each patch's correlation at its own shift (patch, 2)."""
    turns = np.exp(1j * waves * shifts_px[..., None]).astype(np.complex64)
    slope, bend = np.empty((len(cross), 2)), np.empty((len(cross), 2, 2))
    _derivatives(cross, turns, waves.astype(np.float32), slope, bend)
    return slope, bend


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})
def _derivatives(cross: np.ndarray, turns: np.ndarray, waves: np.ndarray, slope: np.ndarray, bend: np.ndarray) -> None:
    """Sums over cross (patch, K, K) times the turns (patch, 2, K) of its waves and their powers, written."""
    # products of matrices would do, but each is so small that their library's threads cost more than they give
    for p in range(len(cross)):
        down = down2 = along = along2 = mixed = 0.0
        for i in range(len(waves)):
            s0r = s0i = s1r = s1i = s2r = s2i = np.float32(0)
            for j in range(len(waves)):
                a, b, w = cross[p, i, j], turns[p, 1, j], waves[j]
                real = a.real * b.real - a.imag * b.imag
                imag = a.real * b.imag + a.imag * b.real
                s0r += real
                s0i += imag
                s1r += w * real
                s1i += w * imag
                s2r += w * w * real
                s2i += w * w * imag
            t, w = turns[p, 0, i], waves[i]
            here = s0r * t.real - s0i * t.imag
            down -= w * (s0r * t.imag + s0i * t.real)
            down2 -= w * w * here
            along -= s1r * t.imag + s1i * t.real
            mixed -= w * (s1r * t.real - s1i * t.imag)
            along2 -= s2r * t.real - s2i * t.imag
        slope[p, 0], slope[p, 1] = down, along
        bend[p, 0, 0], bend[p, 1, 1] = down2, along2
        bend[p, 0, 1] = bend[p, 1, 0] = mixed
