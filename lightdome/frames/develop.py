"""Turn photographs into planes of light, band by band. Arrays in, arrays out."""

from dataclasses import dataclass

import numpy as np

from lightdome.errors import FrameError
from lightdome.frames.linear import FLAT_FLOOR, Background, lit_light, response_table
from lightdome.frames.planes import Planes
from lightdome.frames.register import Place, needed_rows, registered
from lightdome.raster import Window
from lightdome.session.photograph import other_size
from lightdome.session.records import Camera, Frame, Lamp

LEVEL_ROWS = 512


@dataclass(frozen=True)
class Shot:
    """One lit photograph and what belongs to it."""

    frame: Frame
    lamp: Lamp
    flats: tuple[Frame, ...]
    place: Place
    """Where its pixels are found."""


class Developer:
    """Turns photographs into planes of light, band by band; holds the mask, the background and the mean colour."""

    def __init__(self, camera: Camera, first: np.ndarray, reference_s: float | None) -> None:
        """Take the sensor numbers of one photograph for their form; set `mask`, `background`, `colour` before use."""
        self.reference_s = reference_s
        self.shape = (first.shape[0], first.shape[1])
        self.channels = 1 if first.ndim == 2 else 3
        self.table = response_table(first.dtype, camera.black_level, camera.white_level, camera.response)
        self.mask: np.ndarray | None = None
        """True on the plate; None: everywhere."""
        self.background = Background([], [])
        self.fixed_colour: np.ndarray | None = None
        """Mean colour (rows, columns, 3) of photographs made for it; None: the mean over the lamps is taken."""
        self._dtype = first.dtype
        self._flat_levels: list[float] = []
        self._colour_sum: np.ndarray | None = None
        self._colour_count = np.zeros((0, 0), np.uint16)

    def develop(self, shot: Shot, images: list[np.ndarray], planes: Planes, index: int, band_rows: int) -> None:
        """Write the light of one lit photograph to its plane."""
        for image, frame in zip(images, (shot.frame, *shot.flats), strict=True):
            self.checked(image, frame)
        level = self._flat_level(shot, images[1:]) if shot.flats else None
        if level is not None:
            self._flat_levels.append(float(level.mean()))
        if self.channels == 3 and self.fixed_colour is None and self._colour_sum is None:
            self._colour_sum = np.zeros((3, *self.shape), np.float32)
            self._colour_count = np.zeros(self.shape, np.uint16)
        for row in range(0, self.shape[0], band_rows):
            count = min(band_rows, self.shape[0] - row)
            wide = needed_rows(shot.place, self.shape, row, count)
            light = self._light(shot, images, wide, level)
            channels = [
                registered(light[..., c], shot.place, self.shape, wide.start, row, count) for c in range(light.shape[2])
            ]
            plane = np.asarray(np.mean(channels, axis=0, dtype=np.float32))
            planes.write_band(index, row, plane)
            if self._colour_sum is not None:
                known = np.isfinite(plane)
                self._colour_count[row : row + count] += known
                for total, channel in zip(self._colour_sum, channels, strict=True):
                    total[row : row + count] += np.where(known, channel, 0)

    def finished(self, light: np.ndarray, window: Window) -> np.ndarray:
        """A block (lamp, rows, columns) at the level of the photographs, NaN outside the mask."""
        if self._flat_levels:
            light *= np.float32(np.mean(self._flat_levels))
        if self.mask is not None:
            light[:, ~self.mask[window.slices]] = np.nan
        return light

    def colour(self, light: np.ndarray, window: Window) -> np.ndarray:
        """Mean linear colour (3, rows, columns) of a block: of the colour photographs, or over the lamps."""
        if self.fixed_colour is not None:
            colour = self.fixed_colour[window.slices].transpose(2, 0, 1).copy()
        elif self._colour_sum is not None:
            count = self._colour_count[window.slices].astype(np.float32)
            colour = self._colour_sum[:, *window.slices] / np.where(count > 0, count, np.nan)
            if self._flat_levels:
                colour *= np.float32(np.mean(self._flat_levels))
        else:
            count = np.isfinite(light).sum(axis=0).astype(np.float32)
            mean = np.nansum(light, axis=0) / np.where(count > 0, count, np.nan)
            colour = np.repeat(mean[None], 3, axis=0)
        if self.mask is not None:
            colour[:, ~self.mask[window.slices]] = np.nan
        return colour

    def _light(self, shot: Shot, images: list[np.ndarray], rows: slice, level: np.ndarray | None) -> np.ndarray:
        """Light (rows, columns, channels) of a band: over the flat board, or over the lamp's colour."""
        divisor = np.array(shot.lamp.power_rgb, np.float32) / np.float32(np.mean(shot.lamp.power_rgb))
        if level is not None:
            flat = self._flat(shot, images[1:], rows)
            divisor = np.where(flat >= FLAT_FLOOR * level, flat, np.nan).astype(np.float32)
        elif self.channels == 1:
            divisor = np.ones(1, np.float32)
        background = self.background.at(shot.frame.exposure_s, rows) * shot.frame.gain
        return lit_light(images[0][rows], self.table, background, self.ratio(shot.frame), divisor)

    def _flat(self, shot: Shot, images: list[np.ndarray], rows: slice) -> np.ndarray:
        """Mean light (rows, columns, channels) of a lamp's flat boards at the reference exposure."""
        total = np.zeros((1, 1, 1), np.float32)
        for frame, image in zip(shot.flats, images, strict=True):
            background = self.background.at(frame.exposure_s, rows) * frame.gain
            one = np.ones(self.channels, np.float32)
            total = total + lit_light(image[rows], self.table, background, self.ratio(frame), one)
        return total / np.float32(len(images))

    def _flat_level(self, shot: Shot, images: list[np.ndarray]) -> np.ndarray:
        """Mean light (channels,) of a lamp's flat boards over the plate."""
        total, count = np.zeros(self.channels), 0
        for row in range(0, self.shape[0], LEVEL_ROWS):
            rows = slice(row, min(row + LEVEL_ROWS, self.shape[0]))
            flat = self._flat(shot, images, rows)
            known = np.isfinite(flat).all(axis=2)
            if self.mask is not None:
                known &= self.mask[rows]
            total += flat[known].sum(axis=0, dtype=np.float64)
            count += int(known.sum())
        level = total / max(count, 1)
        if not (level > 0).all():
            raise FrameError(f"{shot.flats[0].file}: the flat board holds no light; photograph it again")
        return level

    def ratio(self, frame: Frame) -> float:
        """Reference exposure and gain over this one's; 1 where they are not known."""
        times = self.reference_s / frame.exposure_s if self.reference_s and frame.exposure_s else 1.0
        return times / frame.gain

    def light(self, image: np.ndarray, frame: Frame) -> np.ndarray:
        """Light of a whole photograph at the gain of the others."""
        return np.asarray(self.table[self.checked(image, frame)] / np.float32(frame.gain))

    def checked(self, image: np.ndarray, frame: Frame) -> np.ndarray:
        """The photograph, if it is of the form of the first; it may have been changed since check-session.

        One of role colour may have three channels in a grey series.
        """
        if image.shape[:2] != self.shape:
            raise other_size(frame.file, image.shape, self.shape)
        other_channels = (image.ndim == 3) != (self.channels == 3) and frame.role != "colour"
        if image.dtype != self._dtype or other_channels:
            raise FrameError(
                f"{frame.file}: has another depth or another number of channels than the first; run check-session again"
            )
        return image
