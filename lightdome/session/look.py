"""What is seen in each photograph of a field. Arrays in, facts out; nothing is opened here."""

import hashlib
import threading
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from lightdome.raster import Window
from lightdome.session.checks import clipped_pixels, grey, sharpness
from lightdome.session.correlation import kept_waves
from lightdome.session.motion import edge_spectra, middles_px, patch_windows
from lightdome.session.photograph import BITS, other_size
from lightdome.session.records import Camera, Frame

BAND_ROWS = 256
MASK_ROLES = ("mask", "sphere-mask")
OWN_SIZE_ROLES = ("sphere", "sphere-mask")
"""Spheres are photographed in a series of their own."""


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
        self.patch_middles_px = middles_px(self.windows, inside.shape)
        corners = [(row, col) for row in (box.row0, box.row1) for col in (box.col0, box.col1)]
        self.corners_px = np.array(corners) - np.array(inside.shape) / 2
        """Of the plate, (4, 2: rows, columns), from the middle of the picture."""
        kept = len(kept_waves(self.patch_px))
        self.spectra = np.zeros((len(lit_rows), len(self.windows), kept, kept), np.complex64)
        """Edges of each lit photograph, in the order of `lit_rows`; see `session/motion.py`."""
        self._place = {row: index for index, row in enumerate(lit_rows)}
        self._weight = np.stack([inside[window.slices] for window in self.windows]).astype(np.float32)
        self._forms: dict[int, tuple[Frame, tuple[int, int]]] = {}
        """Photograph, and its bits and channels."""
        self._lock = threading.Lock()

    def add(self, frame: Frame, name: str, image: np.ndarray) -> None:
        """Look at one photograph (rows, columns[, 3]); FrameError where it does not fit the others."""
        if image.shape[:2] != self.shape and frame.role not in OWN_SIZE_ROLES:
            raise other_size(frame.file, image.shape, self.shape)
        entry: dict[str, Any] = {
            "file": name,
            "lamp": frame.lamp or None,
            "role": frame.role,
            "shape": list(image.shape[:2]),
            "channels": 1 if image.ndim == 2 else 3,
            "bit_depth": BITS[image.dtype],
            "exposure_s": frame.exposure_s,
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
            "digest": hashlib.blake2b(np.ascontiguousarray(image).data, digest_size=16).hexdigest(),
            "warnings": [],
        }
        if frame.role not in MASK_ROLES:
            self._forms[frame.row] = (frame, (BITS[image.dtype], 1 if image.ndim == 2 else 3))
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

        All photographs of a field have one depth and number of channels, and reach the white level. Only those of the
        role colour may be in colour beside grey ones, and those of the checkerboard are free.
        """
        words = {1: "grey", 3: "colour"}
        lit = Counter(form for frame, form in self._forms.values() if frame.role == "lit")
        bits, channels = usual = lit.most_common(1)[0][0] if lit else (0, 0)
        odd = {}
        for row, (frame, form) in self._forms.items():
            if frame.role == "checkerboard":
                continue
            if lit and (form[0] != bits or (form[1] != channels and frame.role != "colour")):
                odd[row] = (
                    f"{frame.file}: is {form[0]}-bit {words[form[1]]} where others are {bits}-bit {words[channels]}; "
                    f"give all photographs of a field in one form"
                )
            elif form == usual and self.camera.white_level > 2**bits - 1:
                odd[row] = (
                    f"{frame.file}: holds {bits} bits, so it never reaches camera.white_level "
                    f"{self.camera.white_level:g} of session.yaml; correct the white level"
                )
        return odd
