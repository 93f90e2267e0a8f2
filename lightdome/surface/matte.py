"""What a plate that is mostly matte needs to be learned of it: how its diffuse part curves, and that it has no lobes.

The strength of a lobe cannot be negative, so that noise alone makes small lobes of any roughness; a curvature of the
diffuse part then makes up for them in the mean. Both turn the slopes by a little that depends on where the lamps stand,
which over a whole plate adds up to a bow. So the strengths are held at zero by a pull as strong as their spread over
the plate allows (empirical Bayes; the spread by the moments of DerSimonian and Laird 1986, from memory), and the
curvature is found to one part in a thousand by Gauss-Newton steps, for which slopes and strengths of every pixel are
eliminated.
"""

from dataclasses import dataclass, replace

import numpy as np

from lightdome.surface.facet_light import CUT
from lightdome.surface.lobe import METAL, Lobe
from lightdome.surface.microfacet import LobeFit
from lightdome.surface.noise import noise_of
from lightdome.surface.response import Response, is_held, peak_strength, variance_of
from lightdome.surface.sample import Sample

FEW_PX, MANY_PX = 1200, 6000
"""Pixels of the sample that the first rounds and the last ones look at."""
ROUNDS = 2
"""A round leaves about a sixth of the curvature's error."""
LEAST_SPREAD, LARGEST_SPREAD = 0.04, 1.0
"""Variance of the strengths over the plate, over that of their noise: no less can be told from a sample's; above the
larger one the light of single pixels tells of lobes."""
FEWEST_HELD = 0.1
"""Share of the sample that must be held for its curvature to be told."""
LONGEST_STEP = 0.2
CURVATURES = (-0.3, 1.5)


@dataclass(frozen=True)
class _Look:
    step: float
    """Of the curvature."""
    excess: float
    """Variance of the strengths beyond that of their noise, over the latter."""
    variance: float
    """Of the noise of the strengths, in units of `Lobe.lobe_pull`."""


def settle_matte(sample: Sample, lobe: Lobe) -> Lobe:
    """The lobe of a plate that is mostly matte with its curvature and the pull of its lobes' strengths.

    Where the strengths spread more than noise does, lobes are there to be found and nothing is changed. A curvature far
    from the truth makes lobes of everything, so that none at all is a start as well.
    """
    starts = (lobe, replace(lobe, diffuse_curvature=0.0))
    few = sample.take(FEW_PX)
    held, _ = min((_hold(few, start) for start in starts), key=lambda found: found[1].excess)
    many = sample.take(MANY_PX)
    held, look = _hold(many, held)
    if look.excess > LARGEST_SPREAD:
        return lobe
    if look.excess > LEAST_SPREAD:
        held = replace(held, lobe_pull=1 / (look.excess * look.variance))
        for _ in range(ROUNDS):
            held, _ = _round(many, held)
    return held


def _hold(sample: Sample, lobe: Lobe) -> tuple[Lobe, _Look]:
    """The lobe after rounds in which the strengths are pulled as if there were none, and the last look."""
    for _ in range(ROUNDS):
        lobe, look = _round(sample, lobe)
        lobe = replace(lobe, lobe_pull=1 / (LEAST_SPREAD * look.variance))
    return lobe, look


def _round(sample: Sample, lobe: Lobe) -> tuple[Lobe, _Look]:
    """The lobe with its noise and its curvature as a fit with it says, and what else the fit says."""
    fit = sample.fit(lobe)
    lobe = replace(lobe, noise=noise_of(sample, fit, lobe))
    look = _look(sample, fit, lobe)
    return replace(lobe, diffuse_curvature=float(np.clip(lobe.diffuse_curvature + look.step, *CURVATURES))), look


def _look(sample: Sample, fit: LobeFit, lobe: Lobe) -> _Look:
    """What the residuals of the pixels that are held say, to first order."""
    matte = np.isfinite(fit.shiny) & (fit.shiny <= METAL)
    held = matte & is_held(sample, fit, lobe)
    if held.mean() <= FEWEST_HELD:
        return _Look(0.0, np.inf, np.inf)
    # of a lobe that is hardly there, the fit knows no roughness
    roughness = np.where(held, lobe.roughness, fit.roughness)
    part = Response.of(sample, lobe, fit.slopes, fit.diffuse, fit.specular, roughness)
    columns = [part.slope_x, part.slope_y, part.diffuse, part.specular / peak_strength(sample, lobe, roughness)]
    variance = variance_of(sample, lobe)[:, matte]
    residual = np.where(fit.model > 0, sample.light - fit.model, np.nan)[:, matte].astype(float)
    weight = np.nan_to_num(1 / (variance * (1 + residual**2 / (variance * CUT**2)) ** 2) * np.isfinite(residual))
    root = np.sqrt(weight)
    jacobian = (np.stack([*columns, part.curvature], axis=-1)[:, matte] * root[..., None]).transpose(1, 0, 2)
    normal = jacobian.transpose(0, 2, 1) @ jacobian
    right = np.einsum("pli,pl->pi", jacobian, (root * np.nan_to_num(residual)).T)
    own, held = (fit.specular * peak_strength(sample, lobe, fit.roughness))[matte], held[matte]
    alone, found = _eliminate(normal, right, 3, 3)
    strength, precision = own + found / alone, alone
    excess = float(np.mean(np.minimum(strength**2 * precision, CUT**2))) - 1
    normal[:, 3, 3] += lobe.lobe_pull
    right[:, 3] -= lobe.lobe_pull * own
    told, wanted = _eliminate(normal[held], right[held], 4, 4)
    step = float(np.clip(wanted.sum() / told.sum(), -LONGEST_STEP, LONGEST_STEP))
    return _Look(step, excess, float(1 / precision.mean()))


def _eliminate(normal: np.ndarray, right: np.ndarray, number: int, one: int) -> tuple[np.ndarray, np.ndarray]:
    """Normal equation of unknown `one` of every pixel, the first `number` unknowns eliminated: (P,) both."""
    known = normal[:, :number, :number]
    known = known + 1e-9 * np.trace(known, axis1=1, axis2=2)[:, None, None] * np.eye(number) + 1e-12 * np.eye(number)
    across = normal[:, :number, one]
    solved = np.linalg.solve(known, np.stack([across, right[:, :number]], axis=-1))
    gone = np.einsum("pi,pij->pj", across, solved)
    return np.maximum(normal[:, one, one] - gone[:, 0], 1e-12), right[:, one] - gone[:, 1]
