"""Fit of the light of every pixel by one lobe and a diffuse part: slopes, strengths, roughness.

Where the pixel above is known, its answer is the start and two Gauss-Newton steps are tried; where they explain the
light, that is all. Elsewhere the start is, of two closed forms, the one with the smaller robust misfit: the mean half
vector weighted by brightness (a metal) and least squares on n.l (a matte surface). Then damped Gauss-Newton steps
(Levenberg 1944, Marquardt 1963, from memory) on slopes, diffuse and specular strength and, where it is free, the
logarithm of the roughness, with the weights 1 / (variance (1 + t)^2), t = residual^2 / (variance CUT^2) of Geman and
McClure (1987, from memory). Strengths stay at zero or above; that of a lobe is held at zero by `Lobe.lobe_pull`, with
the same weights. The variance of a sample is that of the noise: read, shot and gain.
"""

from dataclasses import dataclass

import numpy as np

from lightdome.surface.block import Law, Seen
from lightdome.surface.lobe import Lobe
from lightdome.surface.passes import START_BOTH, START_MATTE, START_METAL, VALUES, fit_pixels

__all__ = ["START_BOTH", "START_MATTE", "START_METAL", "LobeFit", "fit_lobes"]


@dataclass(frozen=True)
class LobeFit:
    """What the fit of P pixels leaves behind; arrays (P,) float32 if not said otherwise; NaN: no answer."""

    slopes: np.ndarray
    """(2, P): of the peak of the lobe; normal = (-slope_x, -slope_y, 1) / norm."""
    diffuse: np.ndarray
    specular: np.ndarray
    """Reflectance at normal incidence."""
    roughness: np.ndarray
    shiny: np.ndarray
    """Share of the lobe in the light of the model, 0 to 1."""
    misfit: np.ndarray
    """Root of the mean squared residual over its standard deviation, every sample counted the same."""
    cost: np.ndarray
    """Mean robust cost of a sample, 0 to 1."""
    unexplained: np.ndarray
    """Root of the mean squared residual over the pixel's largest light (at the same irradiance)."""
    covariance: np.ndarray
    """(3, P): xx, xy, yy of the slopes' covariance from the noise alone."""
    usable: np.ndarray
    """Number of usable samples."""
    within: np.ndarray
    """Number of usable samples within the lobe (angle to the normal below twice the roughness)."""
    model: np.ndarray
    """(L, P): light of the model, zero where a sample is not usable; (0, P) if not asked for."""


def fit_lobes(
    seen: Seen,
    lobe: Lobe,
    roughness: np.ndarray,
    free_roughness: bool,
    iterations: int,
    starts: int = START_BOTH,
    with_model: bool = True,
    above: np.ndarray | None = None,
) -> LobeFit:
    """Fit the pixels.

    roughness : (P,), fixed, or the start where `free_roughness`.

    starts : START_METAL, START_MATTE or START_BOTH: which closed forms are tried.
    with_model : False leaves the light of the model out of the answer, which saves time.
    above : (5, columns), float32: the P pixels are rows of so many columns, and this is what is known of the row above
        them, NaN where nothing; written, for the rows below. None: the pixels are no rows, and none follows another.

    No answer where fewer than 4 samples are usable or where all are dark.
    """
    count, pixels = seen.light.shape
    values = np.empty((VALUES, pixels), np.float32)
    model = np.empty((count if with_model else 0, pixels), np.float32)
    law = Law.of(lobe)
    start = np.ascontiguousarray(roughness, np.float32)
    known = np.empty((5, 0), np.float32) if above is None else above
    fit_pixels(seen, law, start, np.float32(free_roughness), iterations, starts, known, values, model)
    roughness = values[4]
    return LobeFit(
        slopes=values[:2],
        diffuse=values[2] * (1 + law.curvature),
        specular=values[3] * 4 * roughness**2 * np.float32(lobe.integral),
        roughness=roughness,
        shiny=values[11],
        misfit=values[5],
        cost=values[12],
        unexplained=values[13],
        covariance=values[6:9],
        usable=values[9],
        within=values[10],
        model=model,
    )
