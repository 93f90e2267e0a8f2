"""How sharp each photograph is against the others, how sharp the set is, and how noisy. Arrays in, numbers out.

Patches of one photograph are predicted as the best mixture of the same patches of all others; that mixture holds
what is on the plate under this light, and is as sharp as the others are. How the photograph's waves follow those of the
mixture, frequency by frequency, is its transfer against the others: blur lets it fall, noise and the lamp's
direction do not.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import fft, ndimage

from lightdome.session.mixture import mixtures

BANDS = np.array([0.02, 0.05, 0.08, 0.12, 0.16, 0.2, 0.25, 0.3, 0.36])
"""Edges of the frequency bands, cycles a pixel."""
NOISE_BAND = 0.42
"""Frequencies above it, in both directions alike, hold noise and little else: no lens passes them well."""
MOST_PATCHES = 4
LEAST_COHERENT = 0.15
"""Share of a band's energy that must be predicted before the band counts."""
BY_CHANCE = 4.0
"""Times what a mixture of L photographs predicts of so many waves of mere noise, L over waves."""
LEAST_BANDS = 3
CLEAR = 2.0
"""Energy that the others predict in the strongest band, over the noise's, below which a photograph is too faint to be
called blurred: at most 0.8 on bare computed plates under the highest lamps, 3.9 and more where blur was planted."""
MIXING = 0.003
"""Ridge on the mixture, over the mean energy of a patch: it keeps noise from being mixed in to fit noise."""
LEAST_SIGNAL, LEAST_FALL_BANDS = 0.5, 5
"""Power over the noise's that a band needs, and how many bands, before the blur of the picture is read from its
fall."""


@dataclass(frozen=True)
class Sharpness:
    """Blur and noise of a series."""

    blur_px: np.ndarray
    """(L,): standard deviation of the blur against the others, along rows or columns, whichever is worse; 0 where none,
    NaN where it could not be told."""
    contrast: np.ndarray
    """(L,): light of the finest band that tells, over what the others would give, the worse way; 1 is as sharp."""
    fall_px: np.ndarray
    """(L,): standard deviation of the blur that the picture looks like, lens and plate together; the lens is no
    worse."""
    noise: np.ndarray
    """(L,): standard deviation of a pixel's noise, in the patches' unit."""


def compare_sharpness(patches: np.ndarray, shift_px: np.ndarray, span: float = 1.0) -> Sharpness:
    """Blur of each photograph against all others.

    patches : (L, n, P, P) of the same places, in numbers of which `span` are the whole range.  shift_px : (L, 2) how
    far each picture moved, rows and columns.
    """
    count, _, side, _ = patches.shape
    down, right = np.abs(fft.fftfreq(side))[:, None], fft.rfftfreq(side)[None]
    corner = np.flatnonzero((down > NOISE_BAND) & (right > NOISE_BAND))
    # motion blurs along one direction: waves that run along rows and along columns are told apart
    steep, band = (down > right).astype(int), np.digitize(np.hypot(down, right), BANDS) - 1
    bands = len(BANDS) - 1
    groups = [np.flatnonzero((steep == way) & (band == b)) for way in range(2) for b in range(bands)]
    inside, ends = np.concatenate(groups), np.cumsum([0, *(len(group) for group in groups)])
    along = np.zeros((2, count, bands))
    mixed, seen, grain = np.zeros_like(along), np.zeros_like(along), np.zeros_like(along)
    noise, waves = np.zeros((count, 0)), np.ones((2, bands))
    window = np.hanning(side + 2)[1:-1].astype(np.float32)
    window = window[:, None] * window
    rms = float(np.sqrt((window**2).mean()))
    window /= side * rms
    back = _moved_back(shift_px, side).reshape(count, -1) if np.any(shift_px) else None
    for place in _liveliest(patches):
        flat = patches[:, place].astype(np.float32)
        flat -= flat.mean(axis=(1, 2), keepdims=True)
        flat *= window
        spectra = fft.rfft2(flat).reshape(count, -1)
        if back is not None:
            spectra *= back
        kept, fine = _parts(spectra[:, inside]), _parts(spectra[:, corner])
        # sums in double precision: their rounding is what limits how well weak blurs are told
        exact = kept.astype(float)
        weights, _ = mixtures(exact @ exact.T, MIXING)
        mixture = weights @ kept
        # what the mixture cannot say, less what noise it brings along
        energy = 2 * ((fine - weights @ fine) ** 2).mean(axis=1) / (1 + (weights**2).sum(axis=1))
        noise = np.append(noise, energy[:, None], axis=1)
        for group, (start, end) in enumerate(pairwise(ends)):
            way, b = divmod(group, bands)
            one, said = kept[:, 2 * start : 2 * end], mixture[:, 2 * start : 2 * end]
            along[way, :, b] += (one * said).sum(axis=1)
            mixed[way, :, b] += (said**2).sum(axis=1)
            seen[way, :, b] += (one**2).sum(axis=1)
            grain[way, :, b] += energy * (end - start)
            waves[way, b] += end - start
    blur_px, contrast = zip(
        *(_blur(along[way], mixed[way], seen[way], grain[way], waves[way]) for way in range(2)), strict=True
    )
    with np.errstate(invalid="ignore"):
        worse = np.where(np.nan_to_num(contrast[1], nan=np.inf) < np.nan_to_num(contrast[0], nan=np.inf), 1, 0)
    take = np.arange(count)
    total = waves.sum(axis=0)
    return Sharpness(
        np.array(blur_px)[worse, take],
        np.array(contrast)[worse, take],
        _fall_px(seen.sum(axis=0) / total, grain.sum(axis=0) / total),
        np.sqrt(np.median(noise, axis=1)) / span,
    )


def _moved_back(shift_px: np.ndarray, side: int) -> np.ndarray:
    """Factors (L, P, P // 2 + 1) that move spectra back by `shift_px`."""
    down = np.exp(2j * np.pi * fft.fftfreq(side) * shift_px[:, :1])
    along = np.exp(2j * np.pi * fft.rfftfreq(side) * shift_px[:, 1:])
    return (down[:, :, None] * along[:, None]).astype(np.complex64)


def _liveliest(patches: np.ndarray) -> np.ndarray:
    """The places with most fine detail against their light."""
    middle = patches[len(patches) // 2].astype(np.float32)
    detail = [ndimage.laplace(ndimage.gaussian_filter(one, 1.0)).std() / max(one.mean(), 1e-9) for one in middle]
    return np.argsort(detail)[::-1][:MOST_PATCHES]


def _parts(spectra: np.ndarray) -> np.ndarray:
    """Real and imaginary parts (L, 2 waves) of spectra (L, waves), side by side: mixtures have real weights."""
    return np.ascontiguousarray(spectra).view(np.float32)


def _blur(
    along: np.ndarray, mixed: np.ndarray, seen: np.ndarray, grain: np.ndarray, waves: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Blur (L,) and contrast (L,) from sums (L, bands) over the waves, so many (bands,).

    A blur of standard deviation s multiplies waves by exp(-2 (pi s f)^2); the slope of the logarithm of the transfer
    against f^2, over that of the usual photograph, gives s. Fine detail that is there and only does not follow the
    others, as glints on bright metal do, is no blur: the waves' own strength, less the noise, must have fallen as well.
    """
    count = len(along)
    coherent = along**2 / np.maximum(mixed * seen, 1e-30)
    tells = np.median(coherent, axis=0) > np.maximum(LEAST_COHERENT, BY_CHANCE * count / waves)
    if tells.sum() < LEAST_BANDS:
        return np.full(count, np.nan), np.full(count, np.nan)
    mixed = np.maximum(mixed, 1e-30)
    strength = np.sqrt(np.clip((seen - grain) / mixed, 1e-6, None))
    log = np.maximum(_against_usual(along / mixed, tells), _against_usual(strength, tells))
    middle = np.sqrt((BANDS[:-1] ** 2 + BANDS[1:] ** 2) / 2)[tells]
    square = middle**2 - np.mean(middle**2)
    slope = (log @ square) / (square @ square)
    slope -= np.median(slope)
    contrast = np.exp(log[:, -1] - log[:, 0])
    contrast /= np.median(contrast)
    blur_px = np.sqrt(np.maximum(0, -slope) / (2 * np.pi**2))
    # where what the others predict is no more than noise, nothing can have been lost
    faint = (mixed / np.maximum(grain, 1e-30))[:, tells].max(axis=1) < CLEAR
    return np.where(faint, np.nan, blur_px), np.where(faint, np.nan, contrast)


def _against_usual(transfer: np.ndarray, tells: np.ndarray) -> np.ndarray:
    """Logarithm (L, telling bands) of a transfer over that of the usual photograph, 0 in the coarsest band."""
    usual = np.maximum(np.median(transfer, axis=0), 1e-6)
    log = np.log(np.clip(transfer[:, tells] / usual[tells], 0.02, 5))
    return log - log[:, :1]


def _fall_px(power: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Blur (L,) that the fall of the power (L, bands), its noise (L, bands) taken off, looks like; NaN where unknown.

    log P = a - b log f - (2 pi s f)^2: a power law, as most pictures have, times a Gaussian blur (its square, for
    power).
    What the plate itself lacks in fine detail counts as blur.
    """
    middle = np.sqrt((BANDS[:-1] ** 2 + BANDS[1:] ** 2) / 2)
    found = np.full(len(power), np.nan)
    for k, (one, grain) in enumerate(zip(power, noise, strict=True)):
        known = one > grain * (1 + LEAST_SIGNAL)
        if known.sum() >= LEAST_FALL_BANDS:
            f = middle[known]
            design = np.stack([np.ones_like(f), -np.log(f), -((2 * np.pi * f) ** 2)], axis=1)
            answer, *_ = np.linalg.lstsq(design, np.log(one[known] - grain[known]), rcond=None)
            found[k] = np.sqrt(max(float(answer[2]), 0.0))
    return found
