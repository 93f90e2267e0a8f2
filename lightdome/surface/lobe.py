"""The lobe: how the facets of a metal spread its light, as a table learned from the plate and shared by all its pixels.

Light of a pixel of slopes (p, q) under a lamp of irradiance E (that of a surface facing it), after the microfacet model
(Cook and Torrance 1982; shadowing after Smith 1967; both from memory):

    light = E [ diffuse (c_l + b c_l^2) / (1 + b)  +  specular D(u) G / (4 a^2 I c_h^4 c_v) ]

c_l, c_v, c_h : cosines between the normal and the lamp, the camera and the half vector between them.
u : squared tangent of the angle between normal and half vector, over the squared roughness a; along and across a
brushed direction the roughness is a / sqrt(r) and a sqrt(r), r the anisotropy.
D(u) = (1 - w)^2 T(w), w = u / (1 + u), with the table T at even steps of w. T = 1 is the Trowbridge-Reitz distribution,
T = (1 + u)^2 exp(-k u) is Beckmann's; no family is taken for granted. I is the integral of D over u, so that `specular`
is the reflectance at normal incidence. b, the curvature of the diffuse part, is learned too; b = 0 is Lambert's law.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.errors import SurfaceError

KNOTS = 65
METAL = 0.5
"""Share of the lobe in the light above which a pixel, a neighbourhood or a plate counts as metal."""
_HALF = np.sqrt(2) - 1
"""u where the Trowbridge-Reitz distribution has fallen to one half; every table is scaled to fall to one half there."""


@dataclass(frozen=True)
class Lobe:
    """Shape of the light that one plate throws back."""

    table: np.ndarray
    """(KNOTS,): T at w = 0 ... 1."""
    diffuse_curvature: float
    """b of the diffuse part."""
    stretched: np.ndarray
    """(3,): xx, xy, yy of the matrix of `stretch`; (1, 0, 1) is isotropic."""
    roughness: float
    """Of most of the plate."""
    noise: np.ndarray
    """(4,): variance of the light I (1 = sensor white) about the model = noise[0] + noise[1] I + noise[2] I^2 +
    noise[3] P^2, P the pixel's largest light (at the same irradiance): read and shot noise, the gain that lamps leave,
    and what the model leaves, such as light from other parts of the surface."""
    shadowing: float = 1.0
    """Roughness that facets shadow each other with, over that of the lobe: 1 for Trowbridge-Reitz, less for shorter
    tails."""
    metal: float = 0.0
    """Share of the plate's pixels that are metal: more than half of their light is the lobe's."""
    matte_pull: float = 0.0
    """Inverse variance of the diffuse strength about zero, in units of a pixel's largest light: above zero on a bare
    metal, where a broad lobe and a diffuse part would take each other's light."""
    lobe_pull: float = 0.0
    """Inverse variance of the lobe's strength (the light of its peak) about zero, in the same units: above zero on a
    plate that is mostly matte, where a strength that cannot be negative would make lobes of the noise. A pixel whose
    light tells of a lobe is let go: the pull fades beyond some standard deviations, as that of a residual does."""

    def __post_init__(self) -> None:
        if self.table.shape != (KNOTS,) or not np.isfinite(self.table).all() or (self.table < 0).any():
            raise SurfaceError(f"a lobe needs {KNOTS} finite numbers not below zero; run solve-normals again")
        if not -0.5 < self.diffuse_curvature < 2:
            raise SurfaceError("the curvature of the diffuse part is out of range; run solve-normals again")
        pulls = (self.matte_pull, self.lobe_pull)
        numbers = np.array([*self.stretched, *self.noise, self.roughness, self.shadowing, self.metal, *pulls])
        if not np.isfinite(numbers).all() or (numbers[3:] < 0).any():
            raise SurfaceError("a number of the lobe is not finite or below zero; run solve-normals again")
        if self.stretched.shape != (3,) or self.noise.shape != (4,) or not self.noise[0] > 0 or not self.roughness > 0:
            raise SurfaceError(
                "a lobe needs three entries of its stretch, four of its noise and a roughness above zero"
            )

    @property
    def integral(self) -> float:
        """Integral of D over u from zero to infinity; du = dw / (1 - w)^2, so that it is the mean of the table."""
        return float(np.trapezoid(self.table, dx=1 / (KNOTS - 1)))

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        anisotropy, direction_rad = unstretch(*self.stretched)
        return {
            "table": [float(value) for value in self.table],
            "diffuse_curvature": self.diffuse_curvature,
            "anisotropy": float(anisotropy),
            "direction_deg": float(np.degrees(direction_rad)),
            "roughness": self.roughness,
            "noise": [float(value) for value in self.noise],
            "shadowing": self.shadowing,
            "metal": self.metal,
            "matte_pull": self.matte_pull,
            "lobe_pull": self.lobe_pull,
        }

    @classmethod
    def from_dict(cls, facts: dict[str, Any]) -> "Lobe":
        """Read the JSON form back; SurfaceError where it is not one."""
        try:
            anisotropy = float(facts["anisotropy"])
            if not anisotropy >= 1:
                raise ValueError(f"anisotropy must be 1 or more, got {anisotropy}")
            stretched = stretch(np.array(anisotropy), np.radians(float(facts["direction_deg"])))
            return cls(
                table=np.array(facts["table"], float),
                diffuse_curvature=float(facts["diffuse_curvature"]),
                stretched=np.array(stretched),
                roughness=float(facts["roughness"]),
                noise=np.array(facts["noise"], float),
                shadowing=float(facts["shadowing"]),
                metal=float(facts["metal"]),
                matte_pull=float(facts["matte_pull"]),
                lobe_pull=float(facts["lobe_pull"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise SurfaceError(
                f"the lobe is not what solve-normals writes ({error}); run solve-normals again"
            ) from error


def family_table(tail: float) -> np.ndarray:
    """Table of D(u) = (1 + k u)^-tail, k such that D falls to one half where Trowbridge-Reitz does.

    tail : 2 is Trowbridge-Reitz, infinity is Beckmann, below 2 the tails are longer (Student's t distribution of
    slopes; Ribardiere, Bringier, Meneveaux and Simonot 2017, from memory).
    """
    w = np.linspace(0, 1, KNOTS)[:-1]
    u = w / (1 - w)
    if np.isinf(tail):
        values = (1 + u) ** 2 * np.exp(-np.log(2) / _HALF * u)
    else:
        values = (1 + u) ** 2 * (1 + (2 ** (1 / tail) - 1) / _HALF * u) ** -tail
    return np.append(values, values[-1])


def stretch(anisotropy: np.ndarray, direction_rad: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Entries xx, xy, yy of the matrix S of determinant 1 in u = d' S d / a^2; `direction_rad` is that of the strokes.

    The roughness is smaller along the strokes: S = r along them and 1 / r across.
    """
    c, s = np.cos(direction_rad), np.sin(direction_rad)
    return (
        anisotropy * c * c + s * s / anisotropy,
        (anisotropy - 1 / anisotropy) * c * s,
        (anisotropy * s * s + c * c / anisotropy),
    )


def unstretch(xx: np.ndarray, xy: np.ndarray, yy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Anisotropy (1 or more) and direction of the strokes (radians, 0 to pi) of a matrix of determinant 1."""
    half_trace = (xx + yy) / 2
    return half_trace + np.sqrt(np.maximum(half_trace**2 - 1, 0)), 0.5 * np.arctan2(2 * xy, xx - yy) % np.pi


def reflect(
    lobe: Lobe,
    toward: np.ndarray,
    view: np.ndarray,
    slope_x: np.ndarray,
    slope_y: np.ndarray,
    reflectance: np.ndarray,
) -> np.ndarray:
    """Light of pixels under lamps of unit irradiance, as the module says; zero in attached shadow.

    toward : (L, 3, ...), unit vectors to the lamps.  view : (3, ...), unit vectors to the camera.
    slope_x, slope_y : (...).  reflectance : (5, ...): diffuse, specular, roughness, anisotropy (1 where isotropic),
    direction of the strokes in degrees.
    """
    diffuse, specular, roughness, anisotropy, direction_deg = reflectance
    scale = 1 / np.sqrt(1 + slope_x**2 + slope_y**2)
    lit = (toward[:, 2] - slope_x * toward[:, 0] - slope_y * toward[:, 1]) * scale
    seen = (view[2] - slope_x * view[0] - slope_y * view[1]) * scale
    half = toward + view
    half_x, half_y = -half[:, 0] / half[:, 2], -half[:, 1] / half[:, 2]
    along = 1 + slope_x * half_x + slope_y * half_y
    xx, xy, yy = stretch(anisotropy, np.radians(np.nan_to_num(direction_deg)))
    d_x, d_y, cross = half_x - slope_x, half_y - slope_y, slope_x * half_y - slope_y * half_x
    u = (xx * d_x**2 + 2 * xy * d_x * d_y + yy * d_y**2 + cross**2) / (along * roughness) ** 2
    w = u / (1 + u)
    table = np.interp(w, np.linspace(0, 1, KNOTS), lobe.table)
    cosine4 = (along**2 * scale**2 / (1 + half_x**2 + half_y**2)) ** 2
    lit = np.maximum(lit, 0)
    shadowing = roughness * lobe.shadowing
    spread = (1 - w) ** 2 * table * _unshadowed(lit, shadowing) * _unshadowed(seen, shadowing) / (cosine4 * seen)
    b = lobe.diffuse_curvature
    matte = diffuse * (lit + b * lit**2) / (1 + b)
    return np.where(lit > 0, matte + specular * spread / (4 * roughness**2 * lobe.integral), 0)


def _unshadowed(cosine: np.ndarray, roughness: np.ndarray) -> np.ndarray:
    """Smith's share of facets that are not hidden, for the Trowbridge-Reitz distribution."""
    cosine = np.maximum(cosine, 1e-6)
    return 2 * cosine / (cosine + np.sqrt(cosine**2 + roughness**2 * (1 - cosine**2)))
