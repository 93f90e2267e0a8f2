"""Friction-ridge prints: where, how far they reach, how far apart the ridges lie. Nothing that tells whose they are.

A print on metal is a thin film or a later stain: it shows in gloss, roughness or colour and hardly in the height (50 nm
of relief is a slope of 0.04 degree). Fine hatching has the same spacing; it is told apart by its relief on the same
lines, by directions that do not turn, and by marks that are known already. No detail of a ridge is looked for, nothing
is compared with anything.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.ndimage import (
    binary_closing,
    binary_dilation,
    binary_fill_holes,
    binary_opening,
    find_objects,
    gaussian_filter,
    label,
)

from lightdome.marks.crossings import dense
from lightdome.marks.outlines import outline_geometry
from lightdome.marks.records import CLASS_CODE, Mark, Trace
from lightdome.marks.ridges import (
    PIXELS_PER_PERIOD,
    RIDGE_MM,
    WINDOW_MM,
    Waves,
    Windows,
    mean_pixels,
    pattern,
    shared_wave,
    strongest_waves,
)
from lightdome.raster import Grid

COARSEST_MM = 0.1
"""Pixels above this hold fewer than four to five a ridge of the usual spacing."""
SHARE = 0.5
"""Of the power around: noise, streaks and tarnish stay below (tests/marks/test_prints.py)."""
AGREE = 0.7
"""Length of the mean of the doubled directions about a window: 1 where all run alike, and 0.7 where they fan out over
80 degrees."""
ALIKE_PERIOD = 0.2
GROW_SHARE, GROW_OVER = 0.5, 2.0
"""About cores and deltas, where a window holds many directions, a patch grows over windows whose power lies at the
periods of ridges all the same."""
RIM_PX = 1
"""Left out around known marks, where their walls begin."""
RIM = 0.2
"""Of the patch's median power: a window that the patch fills by half has a quarter."""
LEAST_QUALITY, CLEAR_WEIGHT = 0.3, 4
SURE = 0.5
"""Confidence of the faintest patch; what is fainter is not claimed."""
RELIEF_UM, RELIEF_COHERENCE = 0.15, 0.2
"""Amplitude of the relief on the same lines, and its squared coherence with them, from which they are cut lines."""
MARKED_COHERENCE = 0.3
"""The same with the known marks: what repeats with them is their rims."""
OVERLAP = 0.3
"""Share of the smaller of two patches that makes them one, seen in two maps."""
SHINES, MOSTLY = 0.5, 0.5
LONGEST_RIDGE_MM = 2.0
"""Ridges end, fork and turn: a straight line of light through a print that is longer is a scratch."""
PRIVACY = (
    "It may be the trace of a living person: no detail of the ridges is analysed or compared, nothing is said of whose"
    " it is, and pictures that leave the house should have the patch blurred (setting blur_prints)."
)


@dataclass(frozen=True)
class Scale:
    """How closely a field is looked at."""

    window_mm: float
    over_usual: float
    """Power of a wave over the usual power of its frequency."""
    agree_mm: float
    """Standard deviation of the weights about a window whose directions are held against each other."""
    grow_mm: float
    least_mm2: float
    least_across_mm: float
    turn_deg: float
    """A patch whose directions turn by less may be hatching."""


SCALES = (
    # directions of hatching keep to a degree or two; those of ridges turn by ten and more within a few millimetres
    Scale(WINDOW_MM, over_usual=5.0, agree_mm=1.2, grow_mm=6.0, least_mm2=6.0, least_across_mm=2.0, turn_deg=4.0),
    # three to four ridges, a core or a delta: hatching and arcs of one wipe turn by less (tests/marks/test_prints.py)
    Scale(1.6, over_usual=50.0, agree_mm=0.4, grow_mm=1.2, least_mm2=3.0, least_across_mm=1.6, turn_deg=45.0),
)


@dataclass(frozen=True)
class PrintPatch:
    """One patch of ridges."""

    inside: np.ndarray
    """(rows, columns) bool: a crop of the field, not empty."""
    row0: int
    col0: int
    extent_mm: tuple[float, float]
    """Long and short axis of the ellipse of equal second moments."""
    spacing_mm: float
    """Mean over the patch, crest to crest."""
    u_spacing_mm: float
    """Standard uncertainty of that mean: the scatter of the windows, of which those a window apart are independent."""
    turn_deg: float
    """Range of the ridges' directions that holds four fifths of the patch."""
    quality: float
    """0 to 1: mean share of the local power at the periods of ridges; 0 where half of it lies elsewhere."""
    channels: tuple[str, ...]
    """Maps that show it, the clearest first."""
    relief_um: float
    """Amplitude of the height on the same lines."""
    relief_coherence: float
    """Squared coherence of the height with the lines, 0 to 1."""

    @property
    def facts(self) -> dict[str, Any]:
        """For the mark's properties."""
        return {
            "spacing_mm": round(self.spacing_mm, 4),
            "u_spacing_mm": round(self.u_spacing_mm, 4),
            "extent_mm": [round(side, 2) for side in self.extent_mm],
            "quality": round(self.quality, 3),
            "turn_deg": round(self.turn_deg, 1),
            "relief_um": round(self.relief_um, 3),
            "seen_in": list(self.channels),
        }

    @property
    def evidence(self) -> tuple[str, ...]:
        """Sentences with the numbers that decided."""
        long_mm, short_mm = self.extent_mm
        return (
            f"Ridges {self.spacing_mm:.2f} mm apart (u = {self.u_spacing_mm:.2f} mm) over {long_mm:.0f} x"
            f" {short_mm:.0f} mm, seen in the {' and the '.join(self.channels)}; friction ridges lie {RIDGE_MM[0]} to"
            f" {RIDGE_MM[1]} mm apart.",
            f"Their direction turns by {self.turn_deg:.0f} degrees over the patch: hatching keeps its own to a degree"
            " or two.",
            self._relief_sentence,
            PRIVACY,
        )

    @property
    def _relief_sentence(self) -> str:
        shown = f"The height shows {self.relief_um:.2f} µm of relief on the same lines"
        if self.relief_um <= RELIEF_UM:
            return f"{shown}, under the {RELIEF_UM} µm that would make them cut or bitten lines."
        return (
            f"{shown}, which does not keep step with them (squared coherence {self.relief_coherence:.2f}; cut or bitten"
            f" lines have more than {RELIEF_COHERENCE})."
        )


def unseen(pitch_mm: float) -> str | None:
    """Why a field cannot show ridges at all; None where it can."""
    if pitch_mm <= COARSEST_MM:
        return None
    return (
        f"Friction-ridge prints were not looked for: pixels of {pitch_mm:g} mm hold fewer than {PIXELS_PER_PERIOD} to a"
        f" ridge; photograph at {COARSEST_MM} mm or finer."
    )


def find_prints(
    maps: Iterable[tuple[str, np.ndarray]], height_um: np.ndarray, marked: np.ndarray, pitch_mm: float
) -> list[PrintPatch]:
    """Patches of friction ridges of a field, the clearest first; none where pixels are too coarse.

    maps : with the names that the evidence calls them, (rows, columns), NaN where unknown: gloss, roughness, diffuse,
    colour, whatever the field has. height_um : the same, um. marked : bool, known marks; they hide what is under them.
    """
    import cv2

    if unseen(pitch_mm) is not None or min(height_um.shape) < 2:
        return []
    rim = np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8)
    free = cv2.dilate(marked.astype(np.uint8), rim) == 0
    mean, share = mean_pixels(height_um, np.isfinite(height_um), pitch_mm)
    shrink = share.shape[1] / height_um.shape[1]
    work_mm = pitch_mm / shrink
    relief = pattern(mean, share, work_mm, relative=False)
    found: list[PrintPatch] = []
    for name, values in maps:
        mean, share = mean_pixels(values, np.isfinite(values) & free, pitch_mm)
        shown = pattern(mean, share, work_mm, relative=True)
        hidden = pattern(share, np.ones_like(share), work_mm, relative=False)
        for scale in SCALES:
            windows = Windows.of(share.shape, work_mm, scale.window_mm)
            look = _Look(name, scale, windows, shown, relief, hidden, windows.known(share))
            found += [patch for patch in look.patches(work_mm, shrink, height_um.shape) if patch is not None]
    return _joined(found)


def print_marks(patches: Sequence[PrintPatch], classes: np.ndarray, grid: Grid, before: int) -> list[Mark]:
    """Patches as marks, numbered on from `before` others; land inside them is painted in `classes` (rows, columns)."""
    marks = []
    for number, patch in enumerate(patches, before + 1):
        rows, cols = patch.inside.shape
        under = classes[patch.row0 : patch.row0 + rows, patch.col0 : patch.col0 + cols]
        under[patch.inside & (under == 0)] = CLASS_CODE["friction-ridge print"]
        marks.append(
            Mark(
                id=f"m{number:04d}",
                class_name="friction-ridge print",
                confidence=round(SURE + (1 - SURE) * patch.quality, 3),
                geometry=outline_geometry(patch.inside, patch.row0, patch.col0, grid),
                length_mm=round(patch.extent_mm[0], 2),
                evidence=patch.evidence,
                ridges=patch.facts,
            )
        )
    return marks


def without_ridges(lines: Sequence[Trace], patches: Sequence[PrintPatch], grid: Grid) -> list[Trace]:
    """Lines less those that the ridges of a print are: of light alone, mostly in a patch, a few ridges long."""
    kept = []
    for line in lines:
        light = line.glint_share >= SHINES and line.relief_share < MOSTLY
        short = line.length_px * grid.pitch_mm < LONGEST_RIDGE_MM
        if not light or not short or max((_share_in(line, p) for p in patches), default=0.0) < MOSTLY:
            kept.append(line)
    return kept


def _share_in(line: Trace, patch: PrintPatch) -> float:
    at = np.rint(dense(line.points_px)).astype(int) - [patch.row0, patch.col0]
    inside = ((at >= 0) & (at < patch.inside.shape)).all(axis=1)
    return float(patch.inside[at[inside, 0], at[inside, 1]].sum() / len(at))


def _ridged(waves: Waves, scale: Scale, hop_mm: float) -> np.ndarray:
    """Windows (rows, columns, bool) with one strong wave that runs on as those around it do."""
    period = waves.period_mm
    strong = np.isfinite(period) & (waves.share >= SHARE) & (waves.over_usual >= scale.over_usual)
    sigma = scale.agree_mm / hop_mm
    near = np.maximum(gaussian_filter(strong.astype(np.float32), sigma, mode="constant"), 1e-6)

    def around(values: np.ndarray) -> np.ndarray:
        return np.asarray(gaussian_filter(np.where(strong, values, 0), sigma, mode="constant")) / near

    turned = np.where(strong, np.nan_to_num(waves.double_angle), 0)
    agree = np.hypot(around(turned.real), around(turned.imag))
    alike = np.abs(np.log(np.where(strong, period, 1)) - around(np.log(np.where(strong, period, 1)))) < ALIKE_PERIOD
    good = strong & (agree >= AGREE) & alike
    good = binary_closing(good, np.ones((3, 3)))
    also = (waves.ridge_share >= GROW_SHARE) & (waves.ridge_over >= GROW_OVER)
    seeds = binary_opening(good, np.ones((3, 3)))  # noise runs on for less
    grown = binary_dilation(
        seeds, iterations=round(scale.grow_mm / hop_mm), mask=good | binary_closing(also, np.ones((3, 3)))
    )
    return np.asarray(binary_fill_holes(grown))


def _within_rim(inside: np.ndarray, power: np.ndarray) -> np.ndarray:
    """A patch of windows less those that it fills by less than half."""
    power = np.nan_to_num(power)
    numbers, count = label(binary_fill_holes(inside & (power >= RIM * np.median(power[inside]))))
    return np.asarray(numbers == 1 + np.argmax(np.bincount(numbers.ravel(), minlength=count + 1)[1:])) & (count > 0)


@dataclass(frozen=True)
class _Look:
    """One map and what it is held against, on the working pixels."""

    name: str
    scale: Scale
    windows: Windows
    shown: np.ndarray
    relief: np.ndarray
    hidden: np.ndarray
    """Pattern of the known marks."""
    known: np.ndarray

    def patches(self, work_mm: float, shrink: float, shape: tuple[int, ...]) -> Iterator[PrintPatch | None]:
        """All patches; None for one that is too small, faint or straight, or made of other lines."""
        waves = strongest_waves(self.windows, self.shown, self.known)
        numbers, count = label(_ridged(waves, self.scale, self.windows.hop_mm))
        for number, window in enumerate(find_objects(numbers, count), 1):
            if (numbers[window] == number).sum() * self.windows.hop_mm**2 >= self.scale.least_mm2:
                inside = _within_rim(numbers == number, waves.ridge_over - 1)
                yield self._patch(waves, inside, work_mm, shrink, shape)

    def _patch(
        self, waves: Waves, inside: np.ndarray, work_mm: float, shrink: float, shape: tuple[int, ...]
    ) -> PrintPatch | None:
        used = inside & np.isfinite(waves.period_mm)
        hop_mm, scale = self.windows.hop_mm, self.scale
        if used.sum() * hop_mm**2 < scale.least_mm2:
            return None
        spread = np.cov(np.argwhere(inside).T.astype(float))
        short_mm, long_mm = 4 * hop_mm * np.sqrt(np.maximum(np.linalg.eigvalsh(spread), 0))
        clear = self.known[used] ** CLEAR_WEIGHT  # marks over a print cut its waves up
        quality = float(np.clip((np.average(waves.ridge_share[used], weights=clear) - SHARE) / (1 - SHARE), 0, 1))
        periods, turn_deg = waves.period_mm[used], _turn_deg(waves.double_angle[used])
        spacing_mm = float(np.median(periods))
        if short_mm < scale.least_across_mm or quality < LEAST_QUALITY or turn_deg < scale.turn_deg:
            return None
        if not RIDGE_MM[0] <= spacing_mm <= RIDGE_MM[1]:
            return None
        coherence, relief_um = shared_wave(self.windows, self.shown, self.relief, waves, used)
        if coherence > RELIEF_COHERENCE and relief_um > RELIEF_UM:
            return None
        if shared_wave(self.windows, self.shown, self.hidden, waves, used)[0] > MARKED_COHERENCE:
            return None
        independent = max(1.0, used.sum() * (hop_mm / (self.windows.side_px * work_mm)) ** 2)
        mask, row0, col0 = _at_pixels(self.windows, inside, shrink, shape)
        return PrintPatch(
            inside=mask,
            row0=row0,
            col0=col0,
            extent_mm=(float(long_mm), float(short_mm)),
            spacing_mm=spacing_mm,
            u_spacing_mm=float(np.std(periods) / np.sqrt(independent)),
            turn_deg=turn_deg,
            quality=quality,
            channels=(self.name,),
            relief_um=relief_um,
            relief_coherence=coherence,
        )


def _turn_deg(double_angle: np.ndarray) -> float:
    """Range of directions, degrees, that holds four fifths of them."""
    middle = np.angle(double_angle.mean())
    away = np.degrees(np.angle(double_angle * np.exp(-1j * middle))) / 2
    return float(np.ptp(np.percentile(away, [10, 90])))


def _at_pixels(
    windows: Windows, inside: np.ndarray, shrink: float, shape: tuple[int, ...]
) -> tuple[np.ndarray, int, int]:
    """A patch of windows on the field's pixels: crop (rows, columns, bool) and its first row and column."""
    import cv2

    rows, cols = (part[0] for part in (np.nonzero(inside.any(axis=1)), np.nonzero(inside.any(axis=0))))
    part = np.pad(inside, 1)[rows[0] : rows[-1] + 3, cols[0] : cols[-1] + 3].astype(np.float32)
    hop = windows.hop_px / shrink
    # the centre of a window stands for the hop around it
    row0, col0 = (
        round((start[first] + windows.side_px / 2 - 1.5 * windows.hop_px) / shrink)
        for start, first in ((windows.rows, rows[0]), (windows.cols, cols[0]))
    )
    size = round(part.shape[1] * hop), round(part.shape[0] * hop)
    large = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR) >= 0.5
    top, left = max(-row0, 0), max(-col0, 0)
    return large[top : max(shape[0] - row0, 0), left : max(shape[1] - col0, 0)], row0 + top, col0 + left


def _joined(patches: list[PrintPatch]) -> list[PrintPatch]:
    """Patches that overlap in two maps as one, with the outline of the clearest."""
    kept: list[PrintPatch] = []
    for patch in sorted(patches, key=lambda patch: -patch.quality * patch.inside.sum()):
        for index, other in enumerate(kept):
            if _common(patch, other) > OVERLAP * min(patch.inside.sum(), other.inside.sum()):
                if patch.channels[0] not in other.channels:
                    kept[index] = replace(other, channels=(*other.channels, *patch.channels))
                break
        else:
            kept.append(patch)
    return kept


def _common(one: PrintPatch, other: PrintPatch) -> int:
    """Pixels of both."""
    top, left = max(one.row0, other.row0), max(one.col0, other.col0)
    parts = [patch.inside[max(top - patch.row0, 0) :, max(left - patch.col0, 0) :] for patch in (one, other)]
    rows, cols = (min(part.shape[axis] for part in parts) for axis in (0, 1))
    return int((parts[0][:rows, :cols] & parts[1][:rows, :cols]).sum())
