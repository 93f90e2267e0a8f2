"""Noise of the photographs, from what the fit leaves of a sample of pixels."""

import numpy as np
from scipy.optimize import nnls

from lightdome.surface.lobe import Lobe
from lightdome.surface.microfacet import LobeFit
from lightdome.surface.response import Response, is_held, variance_of
from lightdome.surface.sample import Sample

FIRST_NOISE = (0.002**2, 0.0, 0.03**2, 0.0)
LEAST_READ, LEAST_GAIN = 2e-4, 0.001
"""Standard deviations that no sample is believed to be better than, of white and of its own light: floors that keep a
noiseless render from infinite weights (common practice, no source)."""
ENOUGH_PIXELS, FEWEST_RESIDUALS = 1200, 200
LARGEST_LEVERAGE = 0.8
"""Samples that the fit bends itself to more than this tell nothing of the noise."""
ALIKE = 2.0
"""Pixels whose misfit is above the lower quartile's by this factor hold more than noise."""


def noise_of(sample: Sample, fit: LobeFit, lobe: Lobe) -> np.ndarray:
    """Coefficients (4,) of the variance of light - model: robust spread in bins of brightness, then a non-negative fit.

    Bins are by the light over the pixel's largest, and by that largest. A residual is smaller than the noise by the
    root of 1 - its leverage: of a narrow lobe under few lamps, the brightest samples are nearly met whatever they are.
    """
    every = max(1, sample.light.shape[1] // ENOUGH_PIXELS)
    light, model, irradiance = sample.light[:, ::every], fit.model[:, ::every], sample.irradiance[:, ::every]
    leverage = _leverage(sample, fit, lobe, every)
    misfit = fit.misfit[::every]
    alike = misfit < ALIKE * np.nanpercentile(misfit, 25)
    used = alike & np.isfinite(light) & (model > 0) & (leverage < LARGEST_LEVERAGE)
    largest = np.nanmax(light / irradiance, axis=0) * irradiance
    bright, largest = model[used], largest[used]
    residual = np.abs(light[used] - bright) / np.sqrt(1 - leverage[used])
    if bright.size < FEWEST_RESIDUALS:
        return np.array(FIRST_NOISE)
    which = _quantile_bin(bright / largest, 10) * 3 + _quantile_bin(largest, 3)
    rows, variances = [], []
    for part in range(30):
        inside = which == part
        if inside.sum() < 15:
            continue
        level, top = np.median(bright[inside]), np.median(largest[inside])
        variances.append((1.4826 * np.median(residual[inside])) ** 2 + LEAST_READ**2)  # 1.4826: normal distribution
        rows.append([1.0, level, level**2, top**2])
    found, _ = nnls(np.array(rows) / np.array(variances)[:, None], np.ones(len(rows)))
    return np.array([max(found[0], LEAST_READ**2), found[1], max(found[2], LEAST_GAIN**2), found[3]])


def _leverage(sample: Sample, fit: LobeFit, lobe: Lobe, every: int) -> np.ndarray:
    """How far the fit follows each sample, 0 to 1, (L, P) of every so many pixels: diagonal of W J (J'WJ)^-1 J'."""
    few = sample.take(ENOUGH_PIXELS)
    found = fit.slopes[:, ::every], fit.diffuse[::every], fit.specular[::every], fit.roughness[::every]
    part = Response.of(few, lobe, *found)
    columns = [part.slope_x, part.slope_y, part.log_roughness, part.specular]
    if lobe.lobe_pull:
        free = ~is_held(sample, fit, lobe)[::every]
        columns[2:] = [column * free for column in columns[2:]]
    if not lobe.matte_pull:
        columns.append(part.diffuse)
    root = np.where(np.isfinite(few.light), 1 / np.sqrt(variance_of(few, lobe)), 0)
    jacobian = np.nan_to_num(np.stack(columns, axis=-1) * root[..., None]).transpose(1, 0, 2)
    # columns to unit length: strengths and slopes differ by orders of magnitude
    jacobian /= np.maximum(np.linalg.norm(jacobian, axis=1, keepdims=True), 1e-12)
    normal = jacobian.transpose(0, 2, 1) @ jacobian + 1e-6 * np.eye(jacobian.shape[2])
    return np.einsum("pli,pil->lp", jacobian, np.linalg.solve(normal, jacobian.transpose(0, 2, 1)))


def _quantile_bin(values: np.ndarray, number: int) -> np.ndarray:
    edges = np.quantile(values, np.linspace(0, 1, number + 1)[1:-1])
    return np.searchsorted(edges, values)
