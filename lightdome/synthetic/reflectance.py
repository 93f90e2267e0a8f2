"""How the plate reflects: a diffuse part and a Trowbridge-Reitz microfacet lobe.

Light is scaled so that a matte point of reflectance rho, facing a unit lamp, gives light = rho; light is therefore
pi x (BRDF x cosine) x irradiance.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Material:
    """A metal, its residue and its film."""

    diffuse: float = 0.3
    specular: float = 0.5
    """Factor on the Fresnel reflectance; 0 is matte."""
    roughness: float = 0.35
    """alpha of the Trowbridge-Reitz distribution."""
    bitten_rougher: float = 1.0
    """Roughness of bitten metal over that of the land: acid lays the grain of the metal open."""
    index: tuple[float, float] = (1.0, 5.0)
    """Refractive index and extinction, about those of zinc in the middle of the visible (from memory)."""
    tint: tuple[float, float, float] = (0.96, 1.0, 1.03)
    """Red, green, blue."""
    ink_diffuse: float = 0.05
    ink_specular: float = 0.06
    ink_roughness: float = 0.5
    ink_tint: tuple[float, float, float] = (1.25, 1.0, 0.75)


MATTE = Material(diffuse=0.5, specular=0.0, tint=(1.0, 1.0, 1.0))
ZINC = Material()


@dataclass(frozen=True)
class Cover:
    """Reflectance of each facet in one channel; arrays that broadcast to the facets."""

    diffuse: np.ndarray
    specular: np.ndarray
    roughness: np.ndarray


def cover_of(
    material: Material, ink: np.ndarray, film: np.ndarray, channel: int | None, bitten: np.ndarray | float = 0.0
) -> Cover:
    """Reflectance where ink covers a share `ink` and a print's film a share `film`; both 0-1.

    bitten : 1 where acid has been, 0 elsewhere. channel : 0 red, 1 green, 2 blue; None is a grey sensor. A film dulls:
    less lobe, rougher, a little more diffuse.
    """
    tint = 1.0 if channel is None else material.tint[channel]
    ink_tint = 1.0 if channel is None else material.ink_tint[channel]
    dull = film * (1 - ink)
    metal_roughness = material.roughness * (1 + (material.bitten_rougher - 1) * bitten)
    return Cover(
        diffuse=tint * material.diffuse * (1 - ink) * (1 + 0.05 * dull) + ink_tint * material.ink_diffuse * ink,
        specular=tint * material.specular * (1 - ink) * (1 - 0.45 * dull) + ink_tint * material.ink_specular * ink,
        roughness=metal_roughness * (1 - ink) * (1 + 0.25 * dull) + material.ink_roughness * ink,
    )


def distribution(cos_h: np.ndarray, alpha: np.ndarray) -> np.ndarray:
    """Trowbridge-Reitz density of facets, 1/sr; its integral of D cos over the hemisphere is 1 (Walter et al. 2007)."""
    a2 = alpha * alpha
    return a2 / (np.pi * (cos_h * cos_h * (a2 - 1) + 1) ** 2)


def masking(cos_w: np.ndarray, alpha: np.ndarray) -> np.ndarray:
    """Smith masking of one direction for Trowbridge-Reitz facets (Walter et al. 2007, eq. 34)."""
    a2 = alpha * alpha
    return 2 * cos_w / (cos_w + np.sqrt(a2 + (1 - a2) * cos_w * cos_w))


def conductor_fresnel(cos_i: np.ndarray, index: tuple[float, float]) -> np.ndarray:
    """Unpolarised reflectance of a metal of index n + ik in air (physics; Fresnel equations)."""
    n, k = index
    c2 = cos_i * cos_i
    s2 = 1 - c2
    t0 = n * n - k * k - s2
    ab = np.sqrt(t0 * t0 + 4 * n * n * k * k)
    a = np.sqrt(np.maximum(0.5 * (ab + t0), 0))
    rs = (ab + c2 - 2 * cos_i * a) / (ab + c2 + 2 * cos_i * a)
    rp = rs * (c2 * ab + s2 * s2 - 2 * cos_i * a * s2) / (c2 * ab + s2 * s2 + 2 * cos_i * a * s2)
    return 0.5 * (rs + rp)


def response(
    cos_l: np.ndarray, cos_v: np.ndarray, cos_h: np.ndarray, cos_lh: np.ndarray, alpha: np.ndarray
) -> np.ndarray:
    """Light of the lobe alone, without Fresnel, for a unit lamp: pi D G / (4 n.v); zero where the lamp is behind."""
    lit = (cos_l > 0) & (cos_v > 0) & (cos_lh > 0)
    safe_l, safe_v = np.where(lit, cos_l, 1), np.where(lit, cos_v, 1)
    lobe = np.pi * distribution(cos_h, alpha) * masking(safe_l, alpha) * masking(safe_v, alpha) / (4 * safe_v)
    return np.where(lit, lobe, 0)
