"""From sensor numbers to linear light: 1 is the sensor's white at the reference exposure, NaN is unknown."""

from collections.abc import Sequence

import numpy as np

from lightdome.session.response import linear_light

FLAT_FLOOR = 0.01
"""Share of the board's mean under which it is too dark to divide by; such pixels are unknown. No source: at one
hundredth of the light, noise of 1 % of the board's mean is as large as the board itself."""


def response_table(dtype: np.dtype, black_level: float, white_level: float, response: str) -> np.ndarray:
    """Linear light, float32, of every sensor number of an unsigned type (256 or 65536 entries).

    (number - black) / (white - black), decoded where the response is srgb; NaN at and above white, where the light is
    not known; below black it is negative, so that noise stays even about zero.
    """
    numbers = np.arange(np.iinfo(dtype).max + 1, dtype=float)
    light = linear_light(numbers, black_level, white_level, response)
    light[numbers >= white_level] = np.nan
    return light.astype(np.float32)


def lit_light(
    numbers: np.ndarray, table: np.ndarray, background: np.ndarray | float, exposure_ratio: float, divisor: np.ndarray
) -> np.ndarray:
    """Linear light (rows, columns, channels), float32, of one lit photograph.

    numbers : (rows, columns[, 3]) sensor numbers.  background : what the sensor shows without the lamp, as light.
    exposure_ratio : reference exposure over this one's.  divisor : flat board (rows, columns, channels) in light,
    or the relative power of each channel (channels,).
    A pixel with one clipped channel is NaN in all.
    """
    light = (table[numbers] - background) * np.float32(exposure_ratio)
    if light.ndim == 2:
        light = light[..., None]
    light = light / divisor
    if light.shape[2] > 1:
        light[np.isnan(light).any(axis=2)] = np.nan
    return light


class Background:
    """What the sensor shows without a lamp: dark level, and ambient light over it.

    An ambient photograph holds its own dark level; so the dark level of its exposure is taken from it, the rest grows
    with the exposure time, and the dark level of the lit photograph's exposure is added again. Where no time
    is given, the background is the mean ambient photograph, or else the mean dark one.
    """

    def __init__(
        self, dark: Sequence[tuple[float | None, np.ndarray]], ambient: Sequence[tuple[float | None, np.ndarray]]
    ) -> None:
        """Take pairs of exposure time, s, and mean light (rows, columns[, 3]) of all photographs of that time."""
        self._dark = list(dark)
        self._ambient = [(time, light - self._dark_at(time, slice(None))) for time, light in ambient]

    def at(self, exposure_s: float | None, rows: slice) -> np.ndarray | float:
        """Background light of an exposure, for some rows; 0 where neither kind was photographed."""
        light = self._dark_at(exposure_s, rows)
        for time, extra in self._ambient:
            ratio = exposure_s / time if exposure_s and time else 1.0
            light = light + extra[rows] * np.float32(ratio / len(self._ambient))
        return light

    def _dark_at(self, exposure_s: float | None, rows: slice) -> np.ndarray | float:
        """Dark level: of the nearest exposure time, or the first where times are not given."""
        if not self._dark:
            return 0.0
        timed = [(time, light) for time, light in self._dark if time]
        if exposure_s is None or not timed:
            return self._dark[0][1][rows]
        return min(timed, key=lambda pair: abs(np.log(pair[0] / exposure_s)))[1][rows]
