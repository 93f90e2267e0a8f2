"""What solving a region of a plate leaves behind."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lightdome.surface.turned import bend_and_twist, doubt_about_lamps

FLAG_FEW, FLAG_TAIL, FLAG_INCONSISTENT, FLAG_SEVERAL, FLAG_NONE, FLAG_INTERREFLECTION = 1, 2, 4, 8, 16, 32
FLAGS = {
    FLAG_FEW: "fewer than 6 usable lamps",
    FLAG_TAIL: "no lamp near the peak of the lobe",
    FLAG_INCONSISTENT: "light that the model does not explain",
    FLAG_SEVERAL: "several slopes in the pixel",
    FLAG_NONE: "no answer",
    FLAG_INTERREFLECTION: "light that may have met two walls",
}
FEW_LAMPS = 6
STEEP = 0.7
"""Slopes above this are left out of the question whether the slopes belong to a surface: they alias."""


@dataclass(frozen=True)
class Region:
    """Arrays (..., rows, columns), float32 (flags uint8); NaN where there is no answer."""

    slopes: np.ndarray
    """(2, rows, columns): rise toward +x and +y, of the pixel's mean slope."""
    u_tilt_rad: np.ndarray
    """(rows, columns): root mean square over the two axes across the normal."""
    reflectance: np.ndarray
    """(5, rows, columns): diffuse, specular, roughness, anisotropy, direction in degrees."""
    total: np.ndarray
    """(rows, columns): diffuse and specular of one lobe, also where that lobe stands for several slopes: neither is
    right there, but what the pixel throws back in all is so to some percent (tests/marks/test_residue.py)."""
    flags: np.ndarray
    """(rows, columns): sums of `FLAGS`."""

    @property
    def normals(self) -> np.ndarray:
        """(3, rows, columns), unit vectors, z above zero."""
        scale = 1 / np.sqrt(1 + self.slopes[0] ** 2 + self.slopes[1] ** 2)
        return np.stack([-self.slopes[0] * scale, -self.slopes[1] * scale, scale])

    def doubted(self, u_gain: float) -> "Region":
        """The same with a relative standard uncertainty that all slopes share put into that of the tilt."""
        if not u_gain:
            return self
        slope2 = self.slopes[0] ** 2 + self.slopes[1] ** 2
        shared = u_gain * np.sqrt(slope2) / (1 + slope2)
        return replace(self, u_tilt_rad=np.hypot(self.u_tilt_rad, shared))

    def sums(self) -> "RegionSums":
        """What of it adds up over the field."""
        good = np.isfinite(self.slopes[0]) & (
            self.flags & (FLAG_TAIL | FLAG_INCONSISTENT | FLAG_NONE | FLAG_INTERREFLECTION) == 0
        )
        good &= np.hypot(self.slopes[0], self.slopes[1]) < STEEP
        u_slope = self.u_tilt_rad * (1 + self.slopes[0] ** 2 + self.slopes[1] ** 2)
        counts = np.array([(self.flags & flag > 0).sum() for flag in FLAGS])
        solved = int(np.isfinite(self.slopes[0]).sum())
        return RegionSums(solved, counts, bend_and_twist(self.slopes, u_slope, good))


@dataclass(frozen=True)
class RegionSums:
    """Numbers that add up over the regions of a field."""

    solved: int
    flagged: np.ndarray
    """Pixels by flag, in the order of `FLAGS`."""
    bend_and_twist: np.ndarray

    @classmethod
    def of(cls, parts: Sequence["RegionSums"]) -> "RegionSums":
        """The sum of some."""
        return cls(
            sum(part.solved for part in parts),
            np.sum([part.flagged for part in parts], axis=0),
            np.sum([part.bend_and_twist for part in parts], axis=0),
        )

    def counts(self) -> dict[str, int]:
        """JSON form: pixels with an answer, and by flag."""
        return {"solved": self.solved} | {name: int(n) for name, n in zip(FLAGS.values(), self.flagged, strict=True)}

    def doubt_about_lamps(self) -> str | None:
        """A warning where the slopes belong to no surface."""
        return doubt_about_lamps(self.bend_and_twist)
