"""How each frame's picture moved against the others, although each lamp shades the plate anew.

The edges of each frame (`edges.py`) are correlated with the sum of all others', patch by patch; shift, rotation and
scale are those of the highest sum over the patches, found by Newton's method on the Fourier sums (kin to the upsampled
transform of Guizar-Sicairos, Thurman, Fienup 2008, doi 10.1364/OL.33.000156), and the spread between patches says how
sure the answer is.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from lightdome.session.correlation import (
    Peak,
    climb,
    highest,
    kept_waves,
    phases,
    surfaces,
    turned_start,
)
from lightdome.session.shading import feigned, lamp_terms

T = TypeVar("T")
WIDEST_SPREAD_PX = 0.5
"""Patches that agree no better have found nothing in common."""
ROUNDS = 8
STILL_PX = 0.01
SEARCHES, NEARLY_STILL_PX = 3, 0.5
"""After so many rounds, a frame that moved less since the last one is not looked for anew in the whole surface."""
LEAST_SHIFT_PX = 0.2
"""Movements below it are not told by edges alone; `alignment.py` tells smaller ones."""
FEW_PATCHES, LEAST_SHIFT_OF_FEW_PX = 4, 1.0
"""Two or three patches of a small picture cannot tell motion from shading that moves both alike: whole pixels count,
and neither rotation nor scale is looked for."""
SHADING_PX = (0.05, 0.12)
"""Least and most standard deviation of the shift that shading alone feigns (matt, mirror-like); in between, the scatter
of the frames themselves tells it. tests/session/test_motion.py holds it on matt and on glossy grooves."""
SURE_AT = 4.0
"""A movement counts when it is this many times its standard uncertainty."""
LEAST_PEAK = 13.0
"""Height of the correlation peak over the scatter of the surface beside it; noise alone reaches 11.5 (swept in
tests/session/test_motion.py), small patches with little on them 14, others 36 and more."""
TURNED_WORTH = 0.8
"""Of a peak found by rotation too: among so many ways to turn, noise reaches 13.5."""
TOGETHER_PX, FEWEST_TOGETHER = 0.5, 0.25
"""Where most frames stand, none of them that far from the first; a smaller share of all is no such place."""


@dataclass(frozen=True)
class Motion:
    """Movements of a series of frames: a point p (rows, columns, from the middle) goes to shift + p + turn p."""

    shift_px: np.ndarray
    """(frames, 2): rows, columns, of the picture's middle; zero where none was found for sure."""
    measured_px: np.ndarray
    """(frames, 2): before the decision; NaN where nothing was found."""
    u_px: np.ndarray
    """(frames,): standard uncertainty from the spread between patches; NaN where nothing was found."""
    turn: np.ndarray
    """(frames, 2): scale x cos - 1 and scale x sin of the rotation; zero where none was found for sure."""
    u_turn: np.ndarray
    """(frames,): standard uncertainty of both; NaN where they could not be measured."""
    reliable: np.ndarray
    """(frames,): False where no clear peak was found."""
    reference: int
    """The frame that stands nearest to the middle of all."""

    @property
    def scale(self) -> np.ndarray:
        """(frames,): size of the picture over that of the others."""
        return np.hypot(1 + self.turn[:, 0], self.turn[:, 1])

    @property
    def rotation_deg(self) -> np.ndarray:
        """(frames,): counter-clockwise as seen in the picture."""
        return np.degrees(np.arctan2(self.turn[:, 1], 1 + self.turn[:, 0]))

    def displacement_px(self, places_px: np.ndarray) -> np.ndarray:
        """Movement (frames, places, 2) of places (places, 2: rows, columns) counted from the picture's middle."""
        return moved_by(np.hstack([self.shift_px, self.turn]), places_px)


def rules_at(places_px: np.ndarray) -> np.ndarray:
    """How places (places, 2) move with each of the four parameters (shift down, shift right, turn): (places, 2, 4)."""
    rows, cols = places_px.T
    one, zero = np.ones_like(rows), np.zeros_like(rows)
    return np.stack([np.stack([one, zero, rows, -cols], -1), np.stack([zero, one, cols, rows], -1)], axis=1)


def moved_by(parameters: np.ndarray, places_px: np.ndarray) -> np.ndarray:
    """Movement (frames, places, 2) by parameters (frames, 4)."""
    return np.einsum("pin,fn->fpi", rules_at(places_px), parameters)


def measure_motion(
    spectra: np.ndarray,
    side: int,
    places_px: np.ndarray | None = None,
    toward: np.ndarray | None = None,
    *,
    threads: int = 1,
) -> Motion:
    """Movements of frames (frame, patch, K, K; see `edges.edge_spectra`) against the place where most frames stand.

    side : P, pixels of a patch along each axis.  places_px : (patch, 2), see `edges.middles_px`; without them, or with
    patches too few or too near each other, no rotation or scale is looked for.  toward : (frames, 3), unit vectors
    toward the lamps, where they are known: what their shading feigns is then taken off.
    A shift is positive where the picture moved down or right. Frames without a clear peak get zero and are marked.
    """
    series = _Series(spectra, side, places_px, toward, threads)
    series.settle()
    return series.decided()


class _Series:
    """The frames and what is known of their movement so far."""

    def __init__(
        self,
        spectra: np.ndarray,
        side: int,
        places_px: np.ndarray | None,
        toward: np.ndarray | None,
        threads: int,
    ) -> None:
        patches = spectra.shape[1]
        self.spectra, self.side, self.toward, self.threads = spectra, side, toward, threads
        self.waves = 2 * np.pi * kept_waves(side)
        far = places_px is not None and patches >= FEW_PATCHES and (np.ptp(places_px, axis=0) >= side / 2).all()
        self.places = places_px if far else None
        self.rules = rules_at(places_px) if far else np.repeat(np.eye(2)[None], patches, axis=0)  # type: ignore[arg-type]
        self.moved = np.zeros((len(spectra), self.rules.shape[2]))
        self.reliable = np.ones(len(spectra), bool)
        self.step_px = np.full(len(spectra), np.inf)
        """How far each frame moved in the last round."""

    def total(self) -> np.ndarray:
        total = np.zeros_like(self.spectra[0])
        for sure_one in np.flatnonzero(self.reliable):
            total += self.spectra[sure_one] * phases(self.waves, -self.rules @ self.moved[sure_one])
        return total

    def cross(self, index: int, total: np.ndarray) -> np.ndarray:
        # a frame is never compared with itself; and one that was not sure joins the sum only after it was found in
        # a sum without it, or noise would align with noise
        spectrum = self.spectra[index]
        if self.reliable[index]:
            total = total - spectrum * phases(self.waves, -self.rules @ self.moved[index])
        return spectrum * np.conj(total)

    def _apart_px(self, moved: np.ndarray) -> np.ndarray:
        """Largest movement (frames,) of any patch by parameters (frames, n)."""
        return np.abs(np.einsum("pin,fn->fpi", self.rules, moved)).max(axis=(1, 2))

    def settle(self) -> None:
        """Move every frame to the sum of all others until none moves any more."""
        for turn in range(ROUNDS):
            total = self.total()

            def look(index: int, total: np.ndarray = total, found: bool = turn >= SEARCHES) -> tuple[np.ndarray, bool]:
                cross = self.cross(index, total)
                if found and self.reliable[index] and self.step_px[index] < NEARLY_STILL_PX:
                    return climb(cross, self.rules, self.moved[index], self.waves).moved, True
                place, height = self._searched(cross)
                return place, height >= LEAST_PEAK

            found = self._map(look)
            known = np.array([sure for _, sure in found])
            moved = np.where(known[:, None], [place for place, _ in found], 0)
            self.step_px = self._apart_px(moved - self.moved)
            still = self.step_px.max() < STILL_PX and (known == self.reliable).all()
            self.moved, self.reliable = moved, known
            if still or not known.any():
                break

    def _map(self, work: Callable[[int], T]) -> list[T]:
        with ThreadPoolExecutor(self.threads) as pool:
            return list(pool.map(work, range(len(self.spectra))))

    def _searched(self, cross: np.ndarray) -> tuple[np.ndarray, float]:
        """Parameters at the highest place of the whole surface, and how far it stands out."""
        surface = surfaces(cross, self.side)
        shift, height = highest(surface.sum(axis=0))
        start = np.zeros(self.rules.shape[2])
        start[:2] = shift
        if self.places is not None:
            turned = turned_start(surface, self.places, shift)
            brought_back = cross * phases(self.waves, -self.rules @ turned)
            turned_height = TURNED_WORTH * highest(surfaces(brought_back.sum(axis=0)[None], self.side)[0])[1]
            if turned_height > height:
                start, height = turned, turned_height
        return climb(cross, self.rules, start, self.waves).moved, height

    def decided(self) -> Motion:
        """The movements that are sure, against the place where most frames stand."""
        count = len(self.spectra)
        total = self.total()
        shift_rules = self.rules[:, :, :2]

        def measure(index: int) -> tuple[Peak, Peak]:
            cross = self.cross(index, total)
            mere_shift = climb(cross, shift_rules, self.moved[index, :2], self.waves)
            return mere_shift, climb(cross, self.rules, self.moved[index], self.waves)

        peaks = self._map(measure)
        spread = np.array([[np.sqrt(np.trace(peak.covariance[:2, :2])) for peak in pair] for pair in peaks])
        reliable = self.reliable & (spread.min(axis=1) <= WIDEST_SPREAD_PX)
        if not reliable.any():
            none = np.full(count, np.nan)
            zero = np.zeros((count, 2))
            return Motion(zero, zero + np.nan, none, zero, none, reliable, 0)
        shift, full = (np.array([pair[kind].moved for pair in peaks]) for kind in (0, 1))
        if self.toward is not None:
            terms = lamp_terms(self.toward)
            shift = shift - feigned(shift, terms, reliable, np.ones(2))
            full = full - feigned(full, terms, reliable, np.hypot(*self.rules.transpose(1, 0, 2)).max(axis=0))
        together = stand_together(np.einsum("pin,fn->fpi", self.rules, full), reliable)
        shift, full = shift - np.median(shift[together], axis=0), full - np.median(full[together], axis=0)
        shading_px = np.clip(1.4826 * np.median(np.abs(shift[reliable])), *SHADING_PX)
        turn, u_turn = np.zeros((count, 2)), np.full(count, np.nan)
        turned = np.zeros(count, bool)
        if self.places is not None:
            turn = full[:, 2:]
            radius_px = np.hypot(*(self.places - self.places.mean(axis=0)).T)
            shaded = max(1.4826 * np.median(np.abs(turn[reliable])), SHADING_PX[0] / np.sqrt((radius_px**2).sum()))
            u_turn = np.hypot([np.sqrt(np.trace(pair[1].covariance[2:, 2:]) / 2) for pair in peaks], shaded)
            size = np.hypot(*turn.T)
            turned = reliable & (size >= SURE_AT * u_turn) & (size * radius_px.max() >= LEAST_SHIFT_PX)
        measured = np.where(turned[:, None], full[:, :2], shift)
        u_px = np.hypot(np.where(turned, spread[:, 1], spread[:, 0]), shading_px)
        length = np.hypot(*measured.T)
        least_px = LEAST_SHIFT_PX if len(self.rules) >= FEW_PATCHES else LEAST_SHIFT_OF_FEW_PX
        sure = turned | (reliable & (length >= least_px) & (length >= SURE_AT * u_px))
        return Motion(
            shift_px=np.where(sure[:, None], measured, 0.0),
            measured_px=np.where(reliable[:, None], measured, np.nan),
            u_px=np.where(reliable, u_px, np.nan),
            turn=np.where(turned[:, None], turn, 0.0),
            u_turn=np.where(reliable, u_turn, np.nan),
            reliable=reliable,
            reference=int(np.argmin(np.where(reliable & ~turned, length, np.inf))),
        )


def stand_together(moved_px: np.ndarray, reliable: np.ndarray) -> np.ndarray:
    """True (frames,) for those that tell where most frames stand, from the movement of each patch (frames, patch, 2).

    The largest group within `TOGETHER_PX` of one frame, the one nearest to the median of all if there are several;
    all reliable frames where no group holds a fair share of them, as in a drift.
    """
    apart = np.hypot(*np.moveaxis(moved_px[:, None] - moved_px, -1, 0)).max(axis=-1)
    near = (apart <= TOGETHER_PX) & reliable & reliable[:, None]
    size = near.sum(axis=1)
    if size.max() < max(3, FEWEST_TOGETHER * reliable.sum()):
        return reliable
    from_median = np.hypot(*np.moveaxis(moved_px - np.median(moved_px[reliable], axis=0), -1, 0)).max(axis=-1)
    largest = np.where(size == size.max(), np.rint(from_median / TOGETHER_PX), np.inf)
    return near[int(np.argmin(largest))]
