"""How the light of a sample of pixels answers to small changes of what the fit has found."""

from dataclasses import dataclass, replace

import numpy as np

from lightdome.surface.facet_light import CUT
from lightdome.surface.lobe import Lobe, reflect, unstretch
from lightdome.surface.microfacet import LobeFit
from lightdome.surface.sample import Sample

SMALL_STEP = 1e-3


@dataclass(frozen=True)
class Response:
    """Light of P pixels by `lobe.reflect` and its derivatives, double precision, (L, P) each."""

    model: np.ndarray
    slope_x: np.ndarray
    slope_y: np.ndarray
    log_roughness: np.ndarray
    specular: np.ndarray
    """Light of specular reflectance 1 alone; of diffuse reflectance 1:"""
    diffuse: np.ndarray
    curvature: np.ndarray
    """By the curvature of the diffuse part, the diffuse reflectance held."""

    @classmethod
    def of(
        cls,
        sample: Sample,
        lobe: Lobe,
        slopes: np.ndarray,
        diffuse: np.ndarray,
        specular: np.ndarray,
        rough: np.ndarray,
    ) -> "Response":
        """At slopes (2, P), diffuse and specular reflectance and roughness (P,)."""
        irradiance, toward, view = (part.astype(float) for part in (sample.irradiance, sample.toward, sample.view))
        x, y, diffuse, specular, a = (part.astype(float) for part in (*slopes, diffuse, specular, rough))
        anisotropy, direction_rad = unstretch(*lobe.stretched)
        none, whole = np.zeros(x.size), np.ones(x.size)
        shape = [anisotropy * whole, np.degrees(direction_rad) * whole]

        def lit(law: Lobe, x: np.ndarray, y: np.ndarray, *strengths: np.ndarray) -> np.ndarray:
            return irradiance * reflect(law, toward, view, x, y, np.stack([*strengths, *shape]))

        here, step = lit(lobe, x, y, diffuse, specular, a), SMALL_STEP
        bent = replace(lobe, diffuse_curvature=lobe.diffuse_curvature + step)
        return cls(
            model=here,
            slope_x=(lit(lobe, x + step, y, diffuse, specular, a) - here) / step,
            slope_y=(lit(lobe, x, y + step, diffuse, specular, a) - here) / step,
            log_roughness=(lit(lobe, x, y, diffuse, specular, a * (1 + step)) - here) / step,
            specular=lit(lobe, x, y, none, whole, a),
            diffuse=lit(lobe, x, y, whole, none, a),
            curvature=(lit(bent, x, y, diffuse, specular, a) - here) / step,
        )


def peak_strength(sample: Sample, lobe: Lobe, roughness: np.ndarray) -> np.ndarray:
    """Peak of the lobe of specular reflectance 1 over the largest light, (P,): the units of `Lobe.lobe_pull`."""
    largest = np.maximum(np.nanmax(sample.light / sample.irradiance, axis=0), 1e-9)
    return 1 / (4 * roughness**2 * lobe.integral * largest)


def is_held(sample: Sample, fit: LobeFit, lobe: Lobe) -> np.ndarray:
    """Whether the pull of the lobe's strength holds a pixel, (P,): the others it has let go."""
    strength = fit.specular * peak_strength(sample, lobe, fit.roughness)
    return lobe.lobe_pull * strength**2 < CUT**2


def variance_of(sample: Sample, lobe: Lobe) -> np.ndarray:
    """Variance of the light of every sample, (L, P), as the fit takes it."""
    noise, bright = lobe.noise, np.nan_to_num(np.maximum(sample.light, 0)).astype(float)
    largest = np.nanmax(sample.light / sample.irradiance, axis=0) * sample.irradiance
    return noise[0] + noise[1] * bright + noise[2] * bright**2 + noise[3] * largest**2
