"""Ridge patterns in a map: local spectra in windows that overlap, and what stands out of the field's own.

Windows of `WINDOW_MM` with a Hann taper (short-time Fourier analysis of fingerprint images: Chikkerur, Cartwright and
Govindaraju 2007, from memory). The power of each frequency is divided by a low percentile of its power over the field,
so that streaks of rolled metal, grids and noise of any colour count as one: what is the same everywhere is no print.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

WORK_MM = 0.07
"""Maps of finer pixels are averaged to this: four and more to a ridge."""
WINDOW_MM = 2.4
"""Five ridges of the usual 0.47 mm."""
HOPS = 4
"""The windows' centres lie a quarter apart."""
RIDGE_MM = (0.3, 0.7)
"""Periods searched: ridge and valley together are about 0.5 mm (0.40 to 0.47 mm quoted)."""
AROUND_MM = (0.2, 1.2)
"""Periods that the power at the peak is compared with: narrow lines have overtones, streaks and tarnish undertones."""
PIXELS_PER_PERIOD = 4
TREND_MM = 0.6
"""Standard deviation of the Gaussian whose mean is taken off: trends of light and tarnish are slower than a ridge."""
CLIP = 4.0
"""Robust standard deviations at which a pixel is clipped: glints and the rims of marks."""
LEAST_KNOWN = 0.25
"""Share of a window's weight that must be known."""
USUAL_PERCENTILE = 20
"""Of the power of a frequency over the windows: a print of three quarters of the field does not raise it."""
LEAST_USUAL = 1e-3
"""Of the mean power of all windows and frequencies: less is rounding."""
MOST_SAMPLED = 6000
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True)
class Windows:
    """Where the windows lie on the map they are cut from, and which frequencies are looked at."""

    side_px: int
    hop_px: int
    hop_mm: float
    """As asked for, before it is rounded to pixels."""
    rows: np.ndarray
    """(m,) first row of each row of windows."""
    cols: np.ndarray
    """(n,) first column."""
    frequency: np.ndarray
    """(bins, 2): along rows (down) and columns, 1/mm."""
    at: tuple[np.ndarray, ...]
    """Places (bins,) of the frequencies in a half-plane transform."""
    ridge: np.ndarray
    """(bins,) bool: within the periods searched."""

    @classmethod
    def of(cls, shape: tuple[int, int], pitch_mm: float, window_mm: float = WINDOW_MM) -> "Windows":
        """Windows over a map (rows, columns); the last ones may reach beyond its edge."""
        side = max(8, round(window_mm / pitch_mm))
        hop_mm = window_mm / HOPS
        hop = max(1, round(hop_mm / pitch_mm))
        starts = [np.arange(-side // 2, length - side // 2 + hop, hop) for length in shape]
        down, along = np.fft.fftfreq(side, pitch_mm), np.fft.rfftfreq(side, pitch_mm)
        period = 1 / np.maximum(np.hypot(down[:, None], along[None, :]), 1e-9)
        used = (period >= max(AROUND_MM[0], 2 * pitch_mm)) & (period <= AROUND_MM[1])
        used[down < 0, 0] = False  # the same as those above zero
        at = tuple(np.argwhere(used).T)
        shortest = max(RIDGE_MM[0], PIXELS_PER_PERIOD * pitch_mm)
        ridge = (period[at] >= shortest) & (period[at] <= RIDGE_MM[1])
        return cls(side, hop, hop_mm, starts[0], starts[1], np.stack([down[at[0]], along[at[1]]], axis=1), at, ridge)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of windows."""
        return len(self.rows), len(self.cols)

    def spectra(self, row: int, values: np.ndarray) -> np.ndarray:
        """Transforms (columns of windows, bins) complex64 of a row of windows on a map without NaN."""
        side = self.side_px
        taper = np.sin(np.pi * (np.arange(side, dtype=np.float32) + 0.5) / side) ** 2
        strip = np.zeros((side, self.cols[-1] - self.cols[0] + side), np.float32)
        top, left = self.rows[row], -self.cols[0]
        low, high = max(top, 0), min(top + side, len(values))
        part = values[low:high, : strip.shape[1] - left]
        strip[low - top : high - top, left : left + part.shape[1]] = part
        cut = np.lib.stride_tricks.sliding_window_view(strip, side, axis=1)[:, self.cols - self.cols[0]]
        return np.asarray(fft.rfft2(cut.transpose(1, 0, 2) * (taper[:, None] * taper))[:, *self.at])

    def known(self, weight: np.ndarray) -> np.ndarray:
        """Share (rows, columns of windows) of the squared taper that lies on known pixels of the map."""
        side = self.side_px
        taper = np.sin(np.pi * (np.arange(side) + 0.5) / side) ** 4
        edges = [np.clip(start[:, None] + np.arange(side), 0, length - 1) for start, length in self._spans(weight)]
        inside = [
            (start[:, None] + np.arange(side) >= 0) & (start[:, None] + np.arange(side) < length)
            for start, length in self._spans(weight)
        ]
        down = np.einsum("mrc,r->mc", weight[edges[0]] * inside[0][..., None], taper, optimize=True)
        both = np.einsum("mns,s->mn", down[:, edges[1]] * inside[1], taper, optimize=True)
        return both / taper.sum() ** 2

    def _spans(self, weight: np.ndarray) -> tuple[tuple[np.ndarray, int], tuple[np.ndarray, int]]:
        return (self.rows, weight.shape[0]), (self.cols, weight.shape[1])


@dataclass(frozen=True)
class Waves:
    """The strongest wave in each window; arrays (rows, columns of windows), NaN where too little is known."""

    share: np.ndarray
    """Of the power around that exceeds the usual, each frequency over its own, what one wave holds: 0 to 1."""
    over_usual: np.ndarray
    """Power of the wave over the usual power of its frequency."""
    ridge_share: np.ndarray
    """As `share`, what all waves of the periods searched hold together, whatever their directions."""
    ridge_over: np.ndarray
    """As `over_usual`, of the same."""
    frequency: np.ndarray
    """(2, rows, columns): down and along the columns, 1/mm; in the half-plane of positive columns."""

    @property
    def period_mm(self) -> np.ndarray:
        """Crest to crest."""
        return 1 / np.hypot(*self.frequency)

    @property
    def double_angle(self) -> np.ndarray:
        """Unit complex number of twice the direction of the crests; the same for both senses."""
        down, along = self.frequency
        return np.exp(2j * np.arctan2(along, down))  # crests run across the frequency; rows run down


def mean_pixels(values: np.ndarray, known: np.ndarray, pitch_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Means of known values over the working pixels, and the share of known ones in each; (rows, columns) float32.

    values, known : (rows, columns) of `pitch_mm`; known : bool. The working pixels cover the whole field.
    """
    import cv2

    shrink = min(1.0, pitch_mm / WORK_MM)
    rows, cols = (max(1, round(side * shrink)) for side in values.shape)
    share = cv2.resize(known.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    total = np.where(known, values, np.float32(0)).astype(np.float32, copy=False)
    total = cv2.resize(total, (cols, rows), interpolation=cv2.INTER_AREA)
    return np.divide(total, share, out=np.zeros_like(total), where=share > 0), share


def pattern(values: np.ndarray, share: np.ndarray, pitch_mm: float, *, relative: bool) -> np.ndarray:
    """What a map shows beside its trend, zero where unknown; over the trend where `relative`."""
    import cv2

    def smooth(part: np.ndarray) -> np.ndarray:
        return np.asarray(cv2.GaussianBlur(part, (0, 0), TREND_MM / pitch_mm, borderType=cv2.BORDER_CONSTANT))

    known = (share >= 0.5).astype(np.float32)
    trend = smooth(values * known) / np.maximum(smooth(known), np.float32(1e-3))
    rest = np.where(known > 0, values - trend, 0)
    if relative:
        rest = rest / np.where(trend > 0, trend, np.inf)
    some = rest[known > 0]
    spread = MAD_TO_SIGMA * float(np.median(np.abs(some))) if some.size else 0.0
    return np.clip(rest, -CLIP * spread, CLIP * spread).astype(np.float32)


def strongest_waves(windows: Windows, values: np.ndarray, known: np.ndarray) -> Waves:
    """The strongest wave of each window of a pattern; known : share of each window that is known."""
    bins = len(windows.frequency)
    power = np.empty((*windows.shape, bins), np.float32)
    for row in range(windows.shape[0]):
        power[row] = np.abs(windows.spectra(row, values)) ** 2 / np.maximum(known[row, :, None], 1e-3)
    enough = known >= LEAST_KNOWN
    shape = windows.shape
    share, over, ridge_share, ridge_over = np.full((4, *shape), np.nan, np.float32)
    frequency = np.full((2, *shape), np.nan, np.float32)
    if not enough.any() or not windows.ridge.any():
        return Waves(share, over, ridge_share, ridge_over, frequency)
    places = np.flatnonzero(enough)
    some = power.reshape(-1, bins)[places[:: -(-len(places) // MOST_SAMPLED)]]
    usual = np.percentile(some, USUAL_PERCENTILE, axis=0)
    # the power of noise is distributed exponentially about its mean
    usual = np.maximum(usual / -np.log(1 - USUAL_PERCENTILE / 100), LEAST_USUAL * float(some.mean()) + 1e-30)
    usual = usual.astype(np.float32)
    near = _near(windows)
    for row in range(shape[0]):
        scaled = power[row] / usual
        around = scaled @ near.T
        peak = np.argmax(around, axis=1)
        wave = around[np.arange(len(peak)), peak]
        size = near[peak].sum(axis=1)
        ridge = scaled[:, windows.ridge].sum(axis=1)
        excess = np.maximum(scaled.sum(axis=1) - bins, 1e-6)
        known_here = enough[row]
        good = known_here & windows.ridge[peak]
        share[row] = np.where(known_here, np.where(good, np.clip((wave - size) / excess, 0, 1), 0), np.nan)
        over[row] = np.where(known_here, wave / size, np.nan)
        ridge_share[row] = np.where(known_here, np.clip((ridge - windows.ridge.sum()) / excess, 0, 1), np.nan)
        ridge_over[row] = np.where(known_here, ridge / windows.ridge.sum(), np.nan)
        frequency[:, row] = np.where(good, _centroid(windows.frequency, peak, near[peak] * scaled), np.nan)
    return Waves(share, over, ridge_share, ridge_over, frequency)


def _near(windows: Windows) -> np.ndarray:
    """(bins, bins): 1 where two frequencies lie within the main lobe of the taper, through the origin as well."""
    one, other = windows.frequency[:, None], windows.frequency[None]
    apart = np.minimum(np.abs(one - other).max(axis=2), np.abs(one + other).max(axis=2))
    step = np.diff(np.unique(np.abs(windows.frequency[:, 1]))).min(initial=np.inf)
    return (apart < 1.5 * step).astype(np.float32)


def _centroid(frequency: np.ndarray, peak: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Mean frequency (2, windows) of the power around each peak; those of the other half-plane turned over."""
    at = frequency[peak]
    turned = np.einsum("wi,bi->wb", at, frequency) < 0
    signed = np.where(turned, -chosen, chosen)
    return (signed @ frequency / np.maximum(chosen.sum(axis=1), 1e-30)[:, None]).T


def shared_wave(
    windows: Windows, one: np.ndarray, other: np.ndarray, waves: Waves, inside: np.ndarray
) -> tuple[float, float]:
    """How far two patterns hold the same wave in some windows (rows, columns, bool): squared coherence, amplitude.

    The coherence, 0 to 1, is that of the cross spectra summed about the waves' frequencies and over the windows; the
    amplitude is that of the part of `other` that goes with `one`, in the unit of `other`.
    """
    near = _near(windows)
    cross, first, second, count = 0j, 0.0, 0.0, 0
    for row in map(int, np.flatnonzero(inside.any(axis=1))):
        here = np.flatnonzero(inside[row])
        a, b = windows.spectra(row, one)[here], windows.spectra(row, other)[here]
        away = np.abs(windows.frequency[None] - waves.frequency[:, row, here].T[:, None]).sum(axis=2)
        chosen = near[np.argmin(away, axis=1)]
        cross += complex((chosen * a * b.conj()).sum())
        first += float((chosen * np.abs(a) ** 2).sum())
        second += float((chosen * np.abs(b) ** 2).sum())
        count += len(here)
    if not (first > 0 and second > 0):
        return 0.0, 0.0
    # a wave of amplitude A puts (A / 2)^2 (sum of the taper)^2 2.25 into the main lobe of a two-dimensional Hann taper
    amplitude = 2 * np.sqrt(first / count / 2.25) / (windows.side_px / 2) ** 2
    return abs(cross) ** 2 / (first * second), float(amplitude * abs(cross) / first)
