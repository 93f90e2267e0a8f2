"""From light to numbers: shot and read noise, dark offset, clipping, quantisation."""

from dataclasses import dataclass

import numpy as np

from lightdome.errors import FrameError


@dataclass(frozen=True)
class Sensor:
    """A linear sensor behind a 16-bit (or 8-bit) file."""

    full_well_e: float = 60000.0
    """Electrons at light 1."""
    read_noise_e: float = 4.0
    bits: int = 12
    """Of the converter; the file holds them in the upper bits of 16 (8 bits: in 8)."""
    offset: int = 16
    """Dark level in the converter's steps."""
    noise: bool = True

    def __post_init__(self) -> None:
        if not 8 <= self.bits <= 16 or not 0 <= self.offset < 2**self.bits - 1:
            raise FrameError(f"a sensor has 8 to 16 bits and an offset below its white, got {self.bits}, {self.offset}")

    @property
    def step(self) -> int:
        """File numbers a step of the converter."""
        return 1 if self.bits == 8 else 2 ** (16 - self.bits)

    @property
    def black_level(self) -> int:
        """In file numbers."""
        return self.offset * self.step

    @property
    def white_level(self) -> int:
        """In file numbers."""
        return (2**self.bits - 1) * self.step

    @property
    def dtype(self) -> type:
        """Of the file's numbers."""
        return np.uint8 if self.bits == 8 else np.uint16


def expose(light: np.ndarray, sensor: Sensor, rng: np.random.Generator) -> np.ndarray:
    """File numbers of the shape of `light`; light 1 is the white level.

    One normal deviate a sample, drawn in the order of the array, stands for shot noise (variance = electrons) and read
    noise together, so that blocks of rows give what the whole frame gives.
    """
    steps = 2**sensor.bits - 1
    if sensor.noise:
        deviation = np.sqrt(np.clip(light, 0, None) * sensor.full_well_e + sensor.read_noise_e**2) / sensor.full_well_e
        light = light + deviation * rng.standard_normal(light.shape, dtype=np.float32)
    counts = np.rint(sensor.offset + light * (steps - sensor.offset))
    return (np.clip(counts, 0, steps) * sensor.step).astype(sensor.dtype)
