"""What is seen in each photograph of a field. Arrays in, facts out; nothing is opened here."""

import hashlib
import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lightdome.raster import Window
from lightdome.session.checks import grey, sharpness
from lightdome.session.correlation import kept_waves
from lightdome.session.edges import edge_spectra, middles_px, patch_windows
from lightdome.session.photograph import BITS, other_size
from lightdome.session.raw import RawLevels
from lightdome.session.records import Camera, Frame
from lightdome.session.response import linear_light
from lightdome.session.small import SMALL_PIXELS, at_white, factor_of, light_of, one_pass

NUMBERS = 1 << 16
"""Of 16 bits."""
MASK_ROLES = ("mask", "sphere-mask")
SMALL_ROLES = ("lit", "flat", "dark", "ambient")
"""Of which small pictures are kept."""
OWN_SIZE_ROLES = ("sphere", "sphere-mask")
"""Spheres are photographed in a series of their own."""
LEVELS_APART = 0.001
"""Relative difference of the span from black to white above which raw files are not of one setting. No source: cameras
that measure their black anew in each frame differ by 1 in 10 000; another ISO or bit depth by 1 in 50 and more."""


class Look:
    """Facts of the photographs seen so far, by row of frames.csv; photographs may come from several threads."""

    def __init__(
        self,
        camera: Camera,
        inside: np.ndarray,
        lit_rows: Sequence[int],
        channel_weights: Mapping[str, np.ndarray] | None = None,
    ) -> None:
        """Take the mask (rows, columns), and for each lamp what the channels of a colour photograph count (3,)."""
        self.camera, self.shape = camera, inside.shape
        self.small: dict[int, np.ndarray] = {}
        """Small pictures (rows, columns) of light."""
        self.factor = factor_of(self.shape, SMALL_PIXELS)
        self._channel_weights = channel_weights or {}
        self.facts: dict[int, dict[str, Any]] = {}
        self._white = np.zeros(inside.shape, np.uint16)
        """In how many lit photographs each pixel is at white."""
        rows, cols = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        box = Window(int(rows[0]), int(rows[-1]) + 1, int(cols[0]), int(cols[-1]) + 1)
        self.windows = patch_windows(box)
        self.patch_px = self.windows[0].shape[0]
        self.patch_middles_px = middles_px(self.windows, inside.shape)
        corners = [(row, col) for row in (box.row0, box.row1) for col in (box.col0, box.col1)]
        self.corners_px = np.array(corners) - np.array(inside.shape) / 2
        """Of the plate, (4, 2: rows, columns), from the middle of the picture."""
        kept = len(kept_waves(self.patch_px))
        self.spectra = np.zeros((len(lit_rows), len(self.windows), kept, kept), np.complex64)
        """Edges of each lit photograph, in the order of `lit_rows`; see `session/edges.py`."""
        self.patches = np.zeros((len(lit_rows), len(self.windows), self.patch_px, self.patch_px), np.uint16)
        """The same places of each lit photograph, on the scale of 16 bits."""
        self._place = {row: index for index, row in enumerate(lit_rows)}
        self.weight = np.stack([inside[window.slices] for window in self.windows]).astype(np.float32)
        """(window, rows, columns): 1 on the plate, 0 beside it."""
        self._forms: dict[int, tuple[Frame, tuple[bool, int, int]]] = {}
        """Photograph, and whether it is raw, its bits and channels."""
        self._levels: dict[int, tuple[Frame, RawLevels]] = {}
        self._lock = threading.Lock()

    def short_of(self, least: int, inside: np.ndarray) -> float:
        """Share of the pixels `inside` that fewer than `least` lit photographs show below white."""
        short = (self._white > len(self.patches) - least) & inside
        return float(np.count_nonzero(short) / np.count_nonzero(inside))

    def patch_light(self, place: int) -> np.ndarray:
        """Linear light (lit photographs, P, P), float32, of one of the patches; 1 is white."""
        bits = next(form[1] for frame, form in self._forms.values() if frame.role == "lit")
        numbers = np.arange(NUMBERS, dtype=np.float32) * np.float32(2.0 ** (bits - 16))
        table = linear_light(numbers, self.camera.black_level, self.camera.white_level, self.camera.response)
        return table[self.patches[:, place]]

    def keep(self, lit: Sequence[Frame]) -> list[Frame]:
        """Drop the lit photographs that cannot be used; those that are left."""
        places = [self._place[frame.row] for frame in lit]
        if len(places) < len(self.patches):
            self.spectra, self.patches = self.spectra[places], self.patches[places]
        return list(lit)

    def add(self, frame: Frame, name: str, image: np.ndarray, levels: RawLevels | None = None) -> None:
        """Look at one photograph (rows, columns[, 3]); FrameError where it does not fit the others.

        levels : what a raw file states; None where it is not raw.
        """
        if image.shape[:2] != self.shape and frame.role not in OWN_SIZE_ROLES:
            raise other_size(frame.file, image.shape, self.shape)
        entry: dict[str, Any] = {
            "file": name,
            "lamp": frame.lamp or None,
            "role": frame.role,
            "shape": list(image.shape[:2]),
            "channels": 1 if image.ndim == 2 else 3,
            "bit_depth": BITS[image.dtype],
            "raw_levels": {"black": list(levels.black), "white": levels.white} if levels else None,
            "exposure_s": frame.exposure_s,
            "gain": frame.gain,
            "exif": None,
            "clipped_fraction": None,
            "mean": None,
            "sharpness": None,
            "shift_px": [0.0, 0.0],
            "u_shift_px": None,
            "rotation_deg": 0.0,
            "u_rotation_deg": None,
            "scale": 1.0,
            "u_scale": None,
            "moved_px": 0.0,
            "warnings": [],
        }
        if frame.role not in MASK_ROLES:
            if frame.role != "checkerboard":
                self._forms[frame.row] = (frame, (levels is not None, BITS[image.dtype], 1 if image.ndim == 2 else 3))
                if levels is not None:
                    self._levels[frame.row] = (frame, levels)
            entry |= self._numbers(frame, image)
        self.facts[frame.row] = entry

    def _numbers(self, frame: Frame, image: np.ndarray) -> dict[str, Any]:
        """Clipping, mean and sharpness; the edges and patches of a lit photograph are kept for the whole set."""
        white, black = self.camera.white_level, self.camera.black_level
        small, mean, reach_white = one_pass(image, white, self.factor)
        counted = frame.role == "lit" and image.shape[:2] == self.shape
        with self._lock:
            times = self._white if counted else self._white[:0]
            clipped, white_share = at_white(image, white, self.factor, reach_white, times)
        digest = hashlib.sha256(np.array([clipped, mean]).tobytes())  # what processors have instructions for
        sharp = 0.0
        if image.shape[:2] == self.shape:
            if frame.role in SMALL_ROLES:
                weights = self._channel_weights.get(frame.lamp, np.full(3, 1 / 3))
                small = light_of(small, white_share, self.camera, weights)
                self.small[frame.row] = small
                digest.update(small.tobytes())
            numbers = np.stack([grey(image[window.slices]) for window in self.windows])
            patches = numbers - np.float32(black)
            sharp = sharpness(patches)
            if frame.role == "lit":
                self.spectra[self._place[frame.row]] = edge_spectra(patches, self.weight)
                numbers *= 2 ** (16 - BITS[image.dtype])
                self.patches[self._place[frame.row]] = np.rint(numbers, out=numbers)
        return {
            "clipped_fraction": clipped / (image.shape[0] * image.shape[1]),
            "mean": (mean - black) / (white - black),
            "sharpness": sharp,
            "digest": digest.hexdigest(),
        }

    def odd_forms(self) -> dict[int, str]:
        """What is wrong with the form of single photographs, by row; most of the lit ones say what is usual.

        All photographs of a field are raw or none, have one depth and number of channels, and reach the white level.
        Only those of the role colour may be in colour beside grey ones; those of the checkerboard are free.
        """
        lit = Counter(form for frame, form in self._forms.values() if frame.role == "lit")
        raw, bits, channels = usual = lit.most_common(1)[0][0] if lit else (False, 0, 0)
        odd = {}
        for row, (frame, form) in self._forms.items():
            if lit and (form[:2] != (raw, bits) or (form[2] != channels and frame.role != "colour")):
                odd[row] = (
                    f"{frame.file}: is {_words(form)} where others are {_words(usual)}; "
                    f"give all photographs of a field in one form"
                )
            elif form == usual and self.camera.white_level > 2**bits - 1:
                odd[row] = (
                    f"{frame.file}: holds {bits} bits, so it never reaches camera.white_level "
                    f"{self.camera.white_level:g} of session.yaml; correct the white level"
                )
        return self._odd_levels() | odd

    def _odd_levels(self) -> dict[int, str]:
        """Raw photographs whose levels are not those of most lit ones: they were taken with another setting."""
        lit = [levels for frame, levels in self._levels.values() if frame.role == "lit"]
        if not lit:
            return {}
        usual = Counter(lit).most_common(1)[0][0]
        return {
            row: (
                f"{frame.file}: states other raw levels (black {max(levels.black):g}, white {levels.white:g}) than the "
                f"others ({max(usual.black):g}, {usual.white:g}), so it was taken with another ISO or raw form; "
                f"photograph it again with the setting of the others"
            )
            for row, (frame, levels) in self._levels.items()
            if abs(levels.span / usual.span - 1) > LEVELS_APART
        }


def _words(form: tuple[bool, int, int]) -> str:
    raw, bits, channels = form
    return f"{'raw' if raw else f'{bits}-bit'} {'grey' if channels == 1 else 'colour'}"
