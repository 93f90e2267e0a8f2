"""Model of a pixel that keeps its highlight: the plate's lobe, a diffuse part, and what they leave in harmonics.

Light of a pixel under a lamp of irradiance E (that of a surface facing it):

    light = E max(0, min(limit, lobe model) + sum_j H_j c_j)

The lobe model is that of `surface/lobe.py` with the pixel's own slopes, diffuse and specular reflectance and roughness;
H_j are the hemispherical harmonics up to `RESIDUAL_ORDER`, fitted to what the lobe leaves of light / E with the same
weights as where they stand alone: weights that spare the highlight predict worse. The limit is `HEADROOM` times the
brightest light that the pixel was seen to give: a lobe that lies between the lamps, or beyond all of them, is known by
its flank alone and may rise to anything. Of what was tried, this predicts left-out lamps of rendered metal best;
benchmarks/README.md has the figures.
"""

from dataclasses import replace

import numpy as np

from lightdome.relight.fit import fit_light
from lightdome.relight.render import BANDS, RESIDUAL_ORDER, lobe_light
from lightdome.surface.block import Seen
from lightdome.surface.lobe import Lobe, family_table
from lightdome.surface.microfacet import fit_lobes

HEADROOM = 1.5
STRONGEST = 100.0
"""Times the limit, the most that the peak of a lobe may be: a strength that no lamp has seen would else be absurd."""
SPREAD = 0.1
"""Standard deviation, of sensor white, that the fit expects of every sample. So wide that a sample counts as it does in
the picture, not as its noise would let it: the normals want the flanks of the lobe, the picture wants its peak."""
ITERATIONS = 7
ASSUMED = Lobe(family_table(2), 0.0, np.array([1.0, 0.0, 1.0]), 0.3, np.array([SPREAD**2, 0.0, 0.0, 0.0]))
"""Where no lobe of the plate is known: Trowbridge-Reitz, the same in all directions, of a roughness to begin with."""


def fit_lobe_model(
    light: np.ndarray,
    toward: np.ndarray,
    irradiance: np.ndarray,
    weight: np.ndarray,
    view: np.ndarray,
    lobe: Lobe,
) -> np.ndarray:
    """Bands (len(BANDS), rows, columns), float32; NaN where fewer than 4 samples are known or where all are dark.

    light : (L, rows, columns), NaN where unknown (clipped, masked); such samples are left out.
    toward : (L, 3, rows, columns), unit vectors toward the lamps, or (L, 3) where they are the same everywhere.
    irradiance : (L, rows, columns) or (L,), that of a surface facing the lamp.  weight : like it; see `fit_light`.
    view : (3, rows, columns), unit vectors toward the camera.
    """
    count, shape = len(light), light.shape[1:]
    wide = (count, *shape)
    if toward.ndim == 2:
        everywhere = np.broadcast_to(toward[:, :, None, None], (count, 3, *shape))
        power, gain = (np.broadcast_to(each[:, None, None], wide) for each in (irradiance, np.sqrt(weight)))
    else:
        everywhere, power, gain = toward, irradiance, np.sqrt(weight)
    reflected = light / power
    # with this gain for an irradiance, every sample has the same noise
    seen = Seen.given(
        (reflected * gain).reshape(count, -1),
        everywhere.reshape(count, 3, -1),
        gain.reshape(count, -1),
        view.reshape(3, -1),
    )
    fit = fit_lobes(
        seen,
        replace(lobe, noise=ASSUMED.noise, matte_pull=0.0, lobe_pull=0.0),
        np.full(light[0].size, lobe.roughness, np.float32),
        free_roughness=True,
        iterations=ITERATIONS,
    )
    limit = HEADROOM * np.fmax.reduce(reflected, axis=0)
    explained = fit.model.reshape(wide) / gain
    model = np.empty((len(BANDS), *shape), np.float32)
    model[:5] = np.stack([*fit.slopes, fit.diffuse, fit.specular, fit.roughness]).reshape(5, *shape)
    model[5] = np.where(np.isfinite(model[4]) & (limit > 0), limit, np.nan)
    strongest = STRONGEST * model[5] * model[4] ** 2 * np.float32(4 * lobe.integral / lobe.table[0])
    held = model[3] > strongest
    model[3] = np.minimum(model[3], strongest)
    explained[:, held] = lobe_light(model[:, held], lobe, everywhere[:, :, held], view[:, held])
    model[6:] = fit_light(light - power * np.minimum(explained, limit), toward, irradiance, weight, RESIDUAL_ORDER)
    model[:, ~np.isfinite(model).all(axis=0)] = np.nan
    return model
