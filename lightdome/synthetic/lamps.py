"""Lamps over the plate: where they stand and what they send to each facet."""

from dataclasses import dataclass

import numpy as np

from lightdome.errors import LampError
from lightdome.units import UM_PER_MM


@dataclass(frozen=True)
class Rig:
    """All lamps of a capture."""

    names: tuple[str, ...]
    vectors: np.ndarray
    """(L, 3): positions, mm (near), or unit vectors toward the lamp (distant)."""
    near: bool
    power_rgb: np.ndarray
    """(L, 3)."""
    beam_exponent: float = 0.0

    def __post_init__(self) -> None:
        count = len(self.names)
        if self.vectors.shape != (count, 3) or self.power_rgb.shape != (count, 3):
            raise LampError(f"{count} lamps need vectors and powers of shape ({count}, 3)")
        if not (np.isfinite(self.vectors).all() and (self.vectors[:, 2] > 0).all() and (self.power_rgb > 0).all()):
            raise LampError("every lamp needs a finite place above the plate and powers above zero")

    @property
    def grey_power(self) -> np.ndarray:
        """(L,): mean over the channels, what a grey sensor sees."""
        return self.power_rgb.mean(axis=1)


def dome(
    count: int,
    *,
    near: bool = True,
    radius_mm: float = 60.0,
    elevations_deg: tuple[float, ...] = (15.0, 40.0, 65.0),
    beam_exponent: float = 0.0,
    power_spread: float = 0.0,
    rgb: bool = False,
    seed: int = 0,
) -> Rig:
    """Lamps on rings of a dome, each ring turned against the one below; places rounded as tables give them.

    power_spread : standard deviation of the lamps' relative powers; rgb : a power of its own for each channel.
    """
    if count < 1:
        raise LampError(f"a dome needs at least one lamp, got {count}")
    per_ring = [len(part) for part in np.array_split(np.arange(count), len(elevations_deg))]
    azimuth, elevation = [], []
    for ring, (lamps, up) in enumerate(zip(per_ring, elevations_deg, strict=True)):
        azimuth += [360 * (index + ring / len(elevations_deg)) / lamps for index in range(lamps)]
        elevation += [up] * lamps
    az, el = np.radians(np.round(azimuth, 4)), np.radians(np.round(elevation, 4))
    units = np.stack([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)], axis=1)
    spread = 1 + power_spread * np.random.default_rng(seed).standard_normal((count, 3 if rgb else 1))
    power = np.broadcast_to(np.round(np.clip(spread, 0.5, 1.5), 4), (count, 3)).copy()
    names = tuple(f"L{number:02d}" for number in range(1, count + 1))
    vectors = np.round(radius_mm * units, 3) if near else units
    return Rig(names, vectors, near, power, beam_exponent if near else 0.0)


def illuminate(
    rig: Rig, index: int, x_mm: np.ndarray, y_mm: np.ndarray, height_um: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray, np.ndarray], np.ndarray]:
    """Unit vector to one lamp and its irradiance without power at each facet, float32.

    x_mm : (columns,). y_mm : (rows,). height_um : (rows, columns). Near: (r0 / d)^2 cos^m about the axis aimed at the
    origin, so that a facing point at the origin gets 1 (inverse-square law, cos^m lamp model). Distant: 1.
    """
    lamp = rig.vectors[index]
    if not rig.near:
        one = np.ones_like(height_um)
        return (one * np.float32(lamp[0]), one * np.float32(lamp[1]), one * np.float32(lamp[2])), one
    r0 = float(np.linalg.norm(lamp))
    dx = (lamp[0] - x_mm).astype(np.float32)[None, :]
    dy = (lamp[1] - y_mm).astype(np.float32)[:, None]
    dz = np.float32(lamp[2]) - height_um / np.float32(UM_PER_MM)
    inverse = 1 / np.sqrt(dx * dx + dy * dy + dz * dz)
    direction = (dx * inverse, dy * inverse, dz * inverse)
    irradiance = (r0 * inverse) ** 2
    if rig.beam_exponent:
        axis = lamp / r0
        along = sum(part * np.float32(component) for part, component in zip(direction, axis, strict=True))
        irradiance = irradiance * np.clip(along, 0, None) ** np.float32(rig.beam_exponent)
    return direction, irradiance
