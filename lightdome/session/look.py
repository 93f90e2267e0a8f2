"""What is seen in each photograph of a field. Arrays in, facts out; nothing is opened here."""

import hashlib
import threading
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from lightdome.raster import Window
from lightdome.session.checks import clipped_pixels, grey, sharpness
from lightdome.session.motion import edge_spectra, kept_waves, patch_windows
from lightdome.session.photograph import BITS, other_size
from lightdome.session.raw import RawLevels
from lightdome.session.records import Camera, Frame

BAND_ROWS = 256
MASK_ROLES = ("mask", "sphere-mask")
OWN_SIZE_ROLES = ("sphere", "sphere-mask")
"""Spheres are photographed in a series of their own."""
LEVELS_APART = 0.001
"""Relative difference of the span from black to white above which raw files are not of one setting. No source: cameras
that measure their black anew in each frame differ by 1 in 10 000; another ISO or bit depth by 1 in 50 and more."""


class Look:
    """Facts of the photographs seen so far, by row of frames.csv; photographs may come from several threads."""

    def __init__(self, camera: Camera, inside: np.ndarray, lit_rows: Sequence[int]) -> None:
        self.camera, self.shape = camera, inside.shape
        self.facts: dict[int, dict[str, Any]] = {}
        self.usable = np.zeros(inside.shape, np.uint16)
        """Of how many lit photographs each pixel is below white."""
        rows, cols = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        box = Window(int(rows[0]), int(rows[-1]) + 1, int(cols[0]), int(cols[-1]) + 1)
        self.windows = patch_windows(box)
        self.patch_px = self.windows[0].shape[0]
        kept = len(kept_waves(self.patch_px))
        self.spectra = np.zeros((len(lit_rows), len(self.windows), kept, kept), np.complex64)
        """Edges of each lit photograph, in the order of `lit_rows`; see `session/motion.py`."""
        self._place = {row: index for index, row in enumerate(lit_rows)}
        self._weight = np.stack([inside[window.slices] for window in self.windows]).astype(np.float32)
        self._forms: dict[int, tuple[Frame, tuple[bool, int, int]]] = {}
        """Photograph, and whether it is raw, its bits and channels."""
        self._levels: dict[int, tuple[Frame, RawLevels]] = {}
        self._lock = threading.Lock()

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
            "digest": hashlib.blake2b(np.ascontiguousarray(image).data, digest_size=16).hexdigest(),
            "warnings": [],
        }
        if frame.role not in MASK_ROLES:
            self._forms[frame.row] = (frame, (levels is not None, BITS[image.dtype], 1 if image.ndim == 2 else 3))
            if levels is not None:
                self._levels[frame.row] = (frame, levels)
            entry |= self._numbers(frame, image)
        self.facts[frame.row] = entry

    def _numbers(self, frame: Frame, image: np.ndarray) -> dict[str, float]:
        """Clipping, mean and sharpness; the edges of a lit photograph are kept for the motion."""
        white, black = self.camera.white_level, self.camera.black_level
        clipped, total = 0, 0.0
        for row in range(0, image.shape[0], BAND_ROWS):
            part = image[row : row + BAND_ROWS]
            full = clipped_pixels(part, white)
            clipped += int(full.sum())
            total += int(part.sum(dtype=np.uint64)) / (1 if part.ndim == 2 else 3)
            if frame.role == "lit":
                with self._lock:
                    self.usable[row : row + BAND_ROWS] += ~full
        pixels = image.shape[0] * image.shape[1]
        sharp = 0.0
        if image.shape[:2] == self.shape:
            patches = np.stack([grey(image[window.slices]) for window in self.windows]) - np.float32(black)
            sharp = sharpness(patches)
            if frame.role == "lit":
                self.spectra[self._place[frame.row]] = edge_spectra(patches, self._weight)
        mean = (total / pixels - black) / (white - black)
        return {"clipped_fraction": clipped / pixels, "mean": mean, "sharpness": sharp}

    def odd_forms(self) -> dict[int, str]:
        """What is wrong with the form of single photographs, by row; most of the lit ones say what is usual.

        All photographs of a field are raw or none, have one depth and number of channels, and reach the white level.
        Only those of the role colour may be in colour beside grey ones.
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
