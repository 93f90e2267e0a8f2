"""Where each lamp stands and how strong it is: the record behind `lights/lamps.json`."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.errors import LampError


@dataclass(frozen=True)
class LampSet:
    """All lamps of one field, in the order of the stack's first axis."""

    names: tuple[str, ...]
    model: str
    """near (positions) or distant (directions)."""
    vectors: np.ndarray
    """(L, 3): positions in mm in the plate frame (near), or unit vectors toward the lamp (distant)."""
    power: np.ndarray
    """(L,): relative; light divided by it is what a unit lamp would give."""
    u_vectors: np.ndarray
    """(L,): standard uncertainty of each coordinate, mm (near), or of the direction, degrees (distant); NaN unknown."""
    beam_exponent: float
    """m of a cos^m pattern about the axis aimed at the origin; 0 is isotropic."""
    flat_divided: bool
    """True where the stack was divided by a flat board: power, falloff and pattern are gone, its cosine is in."""
    camera_distance_mm: float | None
    """Entrance pupil above the origin; None is orthographic."""
    how_known: str
    """table, spheres, or table refined by spheres."""
    covariance: np.ndarray | None = None
    """(L, 3, 3), mm^2, of each position (near); (L, 2, 2), degrees^2 of arc, along azimuth and elevation (distant).

    None where no more is known than `u_vectors`."""
    u_power: np.ndarray | None = None
    """(L,): relative standard uncertainty of each power; NaN or None unknown."""

    def __post_init__(self) -> None:
        count = len(self.names)
        if self.vectors.shape != (count, 3) or self.power.shape != (count,) or self.u_vectors.shape != (count,):
            raise LampError(f"{count} lamps need vectors of shape ({count}, 3) and as many powers and uncertainties")
        size = 3 if self.model == "near" else 2
        if self.covariance is not None and self.covariance.shape != (count, size, size):
            raise LampError(f"{count} {self.model} lamps need as many covariances, {size} x {size}")
        if not np.isfinite(self.vectors).all():
            raise LampError("every lamp needs a finite position or direction")
        if not (np.isfinite(self.power).all() and (self.power > 0).all()):
            raise LampError("every lamp needs a power above zero")

    @property
    def unit_vectors(self) -> np.ndarray:
        """(L, 3): directions from the origin toward the lamps."""
        return self.vectors / np.linalg.norm(self.vectors, axis=1, keepdims=True)

    @property
    def u_directions_rad(self) -> np.ndarray:
        """(L,): standard uncertainty of each direction about every axis across it, from the origin; NaN unknown."""
        if self.model == "near":
            away = np.linalg.norm(self.vectors, axis=1)
            if self.covariance is None:
                return self.u_vectors / away
            # what lies along the ray does not turn it
            axes = across(self.unit_vectors)
            variance = np.einsum("lai,lij,laj->l", axes, self.covariance, axes) / 2
            return np.asarray(np.sqrt(variance) / away)
        return np.radians(self.u_vectors)

    def as_dict(self) -> dict[str, Any]:
        """JSON form: one entry a lamp, lengths in mm, angles in degrees."""
        units = self.unit_vectors
        lamps = []
        for index, name in enumerate(self.names):
            entry: dict[str, Any] = {"lamp": name, "power": float(self.power[index])}
            if self.model == "near":
                entry |= dict(zip(("x_mm", "y_mm", "z_mm"), map(float, self.vectors[index]), strict=True))
            entry["azimuth_deg"] = float(np.degrees(np.arctan2(units[index, 1], units[index, 0])) % 360)
            entry["elevation_deg"] = float(np.degrees(np.arcsin(np.clip(units[index, 2], -1, 1))))
            known = np.isfinite(self.u_vectors[index])
            entry["u_position_mm" if self.model == "near" else "u_direction_deg"] = (
                float(self.u_vectors[index]) if known else None
            )
            if self.covariance is not None:
                key = "covariance_mm2" if self.model == "near" else "covariance_deg2"
                entry[key] = [[float(value) for value in row] for row in self.covariance[index]]
            if self.u_power is not None:
                u_power = float(self.u_power[index])
                entry["u_power_rel"] = u_power if np.isfinite(u_power) else None
            entry["how_known"] = self.how_known
            lamps.append(entry)
        return {
            "model": self.model,
            "beam_exponent": self.beam_exponent,
            "flat_divided": self.flat_divided,
            "camera_distance_mm": self.camera_distance_mm,
            "how_known": self.how_known,
            "lamps": lamps,
        }

    @classmethod
    def from_dict(cls, facts: dict[str, Any]) -> "LampSet":
        """Read the JSON form back; LampError where it is not one."""
        try:
            lamps = facts["lamps"]
            near = facts["model"] == "near"
            u_key = "u_position_mm" if near else "u_direction_deg"
            c_key = "covariance_mm2" if near else "covariance_deg2"

            def column(key: str) -> np.ndarray:
                return np.array([np.nan if lamp[key] is None else lamp[key] for lamp in lamps], dtype=float)

            if near:
                vectors = np.stack([column("x_mm"), column("y_mm"), column("z_mm")], axis=1)
            else:
                vectors = directions(column("azimuth_deg"), column("elevation_deg"))
            return cls(
                names=tuple(lamp["lamp"] for lamp in lamps),
                model=facts["model"],
                vectors=vectors,
                power=column("power"),
                u_vectors=column(u_key),
                beam_exponent=float(facts["beam_exponent"]),
                flat_divided=bool(facts["flat_divided"]),
                camera_distance_mm=facts["camera_distance_mm"],
                how_known=facts["how_known"],
                covariance=np.array([lamp[c_key] for lamp in lamps], float) if c_key in lamps[0] else None,
                u_power=column("u_power_rel") if "u_power_rel" in lamps[0] else None,
            )
        except (KeyError, IndexError, TypeError, ValueError) as error:
            raise LampError(f"lamps.json is not what locate-lamps writes ({error}); run locate-lamps again") from error


def directions(azimuth_deg: np.ndarray, elevation_deg: np.ndarray) -> np.ndarray:
    """Unit vectors (L, 3) toward lamps; azimuth counter-clockwise from +x, elevation above the plate plane."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.stack(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)], axis=-1
    )


def across(units: np.ndarray) -> np.ndarray:
    """Unit vectors (L, 2, 3) across directions (L, 3): along growing azimuth, and along growing elevation.

    Straight up, azimuth is counted from +x, so the first is +y.
    """
    flat = np.hypot(units[:, 0], units[:, 1])
    steep = flat < 1e-9
    safe = np.where(steep, 1.0, flat)
    cosine, sine = np.where(steep, 1.0, units[:, 0] / safe), np.where(steep, 0.0, units[:, 1] / safe)
    level = np.stack([-sine, cosine, np.zeros_like(sine)], axis=1)
    rising = np.stack([-units[:, 2] * cosine, -units[:, 2] * sine, flat], axis=1)
    return np.stack([level, rising], axis=1)
