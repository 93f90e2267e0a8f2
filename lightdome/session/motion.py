"""How far each frame's picture moved against the others, although each lamp shades the plate anew.

A scratch lit from the left and from the right shows the same edges with opposite signs. So frames are compared by the
squared complex gradient, (gx + i gy)^2 / |g|: it keeps where and how an edge runs and forgets which side is bright.
Each frame is correlated with the sum of all others, the peak is found to a hundredth of a pixel by Newton's method on
the Fourier sum (kin to the upsampled transform of Guizar-Sicairos, Thurman, Fienup 2008, doi 10.1364/OL.33.000156),
and the spread between patches of the plate says how sure the answer is.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from lightdome.raster import Window

PATCH_PX = 256
PATCHES_A_SIDE = 3
SMALLEST_PATCH_PX = 96
"""Smaller ones hold too little detail; a picture without room for two beside one another gets overlapping ones."""
OVERLAPPING = 1.25
FINEST_WAVE = 0.4
"""Highest frequency kept, cycles a pixel; finer waves are mostly noise and cost memory."""
EDGE_SIGMA_PX = 1.0
LOCAL_SIGMA_PX = 12.0
STRONGEST_EDGE = 4.0
"""In units of the local root mean square; brighter glints count no more."""
WIDEST_SPREAD_PX = 0.5
"""Patches that agree no better have found nothing in common."""
ROUNDS = 8
STILL_PX = 0.01
NEWTON_STEPS = 8
LEAST_SHIFT_PX = 0.3
"""Shifts below it are left alone: interpolation would blur more than it mends."""
FEW_PATCHES, LEAST_SHIFT_OF_FEW_PX = 4, 1.0
"""Two or three patches of a small picture cannot tell motion from shading that moves both alike: whole pixels count."""
SHADING_PX = (0.06, 0.12)
"""Least and most standard deviation of the shift that shading alone feigns (matt, mirror-like); in between, the scatter
of the frames themselves tells it. tests/session/test_motion.py holds it on matt and on glossy grooves."""
SURE_AT = 4.0
"""A shift counts when it is this many times its standard uncertainty."""
LEAST_PEAK = 13.0
"""Height of the correlation peak over the scatter of the surface beside it; noise alone reaches 11.5 (swept in
tests/session/test_motion.py), small patches with little on them 14, others 36 and more."""


@dataclass(frozen=True)
class Motion:
    """Shifts of a series of frames."""

    shift_px: np.ndarray
    """(frames, 2): rows, columns; zero where none was found for sure."""
    measured_px: np.ndarray
    """(frames, 2): before the decision; NaN where nothing was found."""
    u_px: np.ndarray
    """(frames,): standard uncertainty from the spread between patches; NaN where nothing was found."""
    reliable: np.ndarray
    """(frames,): False where no clear peak was found."""
    reference: int
    """The frame that stands nearest to the middle of all."""


def patch_windows(inside: Window) -> list[Window]:
    """Square windows spread over the part `inside` of a picture, four to nine where it is wide."""
    shorter = min(inside.shape)
    side = min(PATCH_PX, max(shorter // 2, min(shorter, SMALLEST_PATCH_PX)))
    starts = []
    for first, last in ((inside.row0, inside.row1), (inside.col0, inside.col1)):
        count = min(PATCHES_A_SIDE, max(1, (last - first) // side, 2 if last - first > OVERLAPPING * side else 1))
        starts.append(np.linspace(first, last - side, count).astype(int))
    return [Window(int(row), int(row) + side, int(col), int(col) + side) for row in starts[0] for col in starts[1]]


def kept_waves(side: int) -> np.ndarray:
    """Frequencies, cycles a pixel, that the spectra of patches of `side` pixels keep along each axis."""
    waves = fft.fftfreq(side)
    return waves[np.abs(waves) < FINEST_WAVE]


def edge_spectra(patches: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Fourier transforms (patch, K, K), complex64, of the edges in patches (patch, P, P) of one frame, K `kept_waves`.

    weight : (patch, P, P), 0-1: the plate (1) against what lies beside it (0).
    """
    smooth = ndimage.gaussian_filter(patches.astype(np.float32), (0, EDGE_SIGMA_PX, EDGE_SIGMA_PX))
    gradient = np.gradient(smooth, axis=2) + 1j * np.gradient(smooth, axis=1)
    strength = np.abs(gradient)
    local = np.sqrt(ndimage.gaussian_filter(strength**2, (0, LOCAL_SIGMA_PX, LOCAL_SIGMA_PX)))
    floor = 1e-3 * local.max() + 1e-9
    direction = gradient / (strength + 1e-9)
    edges = direction**2 * np.minimum(strength / (local + floor), STRONGEST_EDGE) * weight
    for part in (edges.real, edges.imag):
        part -= ndimage.gaussian_filter(part, (0, LOCAL_SIGMA_PX, LOCAL_SIGMA_PX))
    side = patches.shape[1]
    window = np.hanning(side + 2)[1:-1].astype(np.float32)
    spectra = fft.fft2((edges * weight * window[:, None] * window).astype(np.complex64))
    kept = np.abs(fft.fftfreq(side)) < FINEST_WAVE
    return spectra[:, kept][:, :, kept]


def measure_motion(spectra: np.ndarray, side: int) -> Motion:
    """Shifts of frames (frame, patch, K, K; see `edge_spectra`) against the place where most frames stand.

    side : P, pixels of a patch along each axis.
    A shift is positive where the picture moved down or right. Frames without a clear peak get zero and are marked.
    """
    count = len(spectra)
    waves = 2 * np.pi * kept_waves(side)
    shifts = np.zeros((count, 2))
    spread = np.zeros(count)
    reliable = np.ones(count, bool)
    for _ in range(ROUNDS):
        total = np.zeros_like(spectra[0])
        for sure_one in np.flatnonzero(reliable):
            total += spectra[sure_one] * _phase(waves, -shifts[sure_one])
        found, known = np.zeros_like(shifts), np.zeros(count, bool)
        for index, spectrum in enumerate(spectra):
            # a frame is never compared with itself; and one that was not sure joins the sum only after it was found in
            # a sum without it, or noise would align with noise
            others = total - spectrum * _phase(waves, -shifts[index]) if reliable[index] else total
            cross = spectrum * np.conj(others)
            found[index], height = _peak(cross.sum(axis=0), side)
            spread[index] = _spread(cross, found[index], waves)
            known[index] = height >= LEAST_PEAK
        found[~known] = 0
        still = np.abs(found - shifts).max() < STILL_PX and (known == reliable).all()
        shifts, reliable = found, known
        if still or not reliable.any():
            break
    reliable &= spread <= WIDEST_SPREAD_PX
    if not reliable.any():
        return Motion(np.zeros((count, 2)), np.full((count, 2), np.nan), np.full(count, np.nan), reliable, 0)
    measured = shifts - np.median(shifts[reliable], axis=0)
    shading_px = np.clip(1.4826 * np.median(np.abs(measured[reliable])), *SHADING_PX)
    u_px = np.hypot(spread, shading_px)
    length = np.hypot(*measured.T)
    least_px = LEAST_SHIFT_PX if spectra.shape[1] >= FEW_PATCHES else LEAST_SHIFT_OF_FEW_PX
    sure = reliable & (length >= least_px) & (length >= SURE_AT * u_px)
    return Motion(
        shift_px=np.where(sure[:, None], measured, 0.0),
        measured_px=np.where(reliable[:, None], measured, np.nan),
        u_px=np.where(reliable, u_px, np.nan),
        reliable=reliable,
        reference=int(np.argmin(np.where(reliable, length, np.inf))),
    )


def _phase(waves: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Factors (K, K) that move a picture by `shift` (rows, columns) in its spectrum."""
    return (np.exp(-1j * waves * shift[0])[:, None] * np.exp(-1j * waves * shift[1])).astype(np.complex64)


def _peak(cross: np.ndarray, side: int) -> tuple[np.ndarray, float]:
    """Shift at the highest correlation (rows, columns), and its height over the scatter of the surface."""
    whole_spectrum = np.zeros((side, side), np.complex64)
    kept = np.flatnonzero(np.abs(fft.fftfreq(side)) < FINEST_WAVE)
    whole_spectrum[np.ix_(kept, kept)] = cross
    surface = fft.ifft2(whole_spectrum).real
    near = np.minimum(np.arange(side), side - np.arange(side)) <= side // 3
    allowed = near[:, None] & near
    place = np.unravel_index(np.argmax(np.where(allowed, surface, -np.inf)), surface.shape)
    whole = np.array([index - side if index > side // 2 else index for index in place], float)
    middle = np.median(surface)
    scatter = 1.4826 * np.median(np.abs(surface - middle))
    height = (surface[place] - middle) / scatter if scatter > 0 else 0.0
    return _refined(cross, whole, 2 * np.pi * kept_waves(side)), float(height)


def _refined(cross: np.ndarray, start: np.ndarray, waves: np.ndarray) -> np.ndarray:
    """The highest correlation near `start`, by Newton's method on the Fourier sum itself, at most a pixel away."""
    best = np.array(start, float)
    for _ in range(NEWTON_STEPS):
        slope, bend = _slope_and_bend(cross, best, waves)
        if bend[0, 0] >= 0 or np.linalg.det(bend) <= 0:
            break
        step = np.clip(-np.linalg.solve(bend, slope), -0.5, 0.5)
        best = np.clip(best + step, start - 1, start + 1)
        if np.abs(step).max() < STILL_PX / 10:
            break
    return best


def _slope_and_bend(cross: np.ndarray, shift: np.ndarray, waves: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First (..., 2) and second (..., 2, 2) derivatives of the correlation (..., K, K in its spectrum) at a shift."""
    rising = np.stack([np.ones_like(waves), 1j * waves, -(waves**2)])
    down = (rising * np.exp(1j * waves * shift[0])).astype(np.complex64)
    along = (rising * np.exp(1j * waves * shift[1])).astype(np.complex64)
    sums = (down @ cross @ along.T).real.astype(float)
    slope = np.stack([sums[..., 1, 0], sums[..., 0, 1]], axis=-1)
    mixed = sums[..., 1, 1]
    bend = np.stack([sums[..., 2, 0], mixed, mixed, sums[..., 0, 2]], axis=-1).reshape(*slope.shape, 2)
    return slope, bend


def _spread(cross: np.ndarray, shift: np.ndarray, waves: np.ndarray) -> float:
    """Standard uncertainty of a shift from how far the patches (patch, K, K) pull apart there.

    Patches pull as hard as they know better: the covariance is that of an estimate from independent groups,
    B^-1 (sum s s') B^-1 with s the slopes of the patches and B the bend of their sum (the sandwich of Huber 1967, from
    memory). A patch with edges of one direction alone, which cannot tell the shift along them, does not pull there.
    0 where there is one patch only; infinite where the peak is no peak.
    """
    count = len(cross)
    if count < 2:
        return 0.0
    slopes, bends = _slope_and_bend(cross, shift, waves)
    bend = bends.sum(axis=0)
    if bend[0, 0] >= 0 or np.linalg.det(bend) <= 0:
        return float("inf")
    steps = np.linalg.solve(bend, slopes.T)
    return float(np.sqrt((steps**2).sum() * count / (count - 1)))
