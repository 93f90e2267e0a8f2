"""What each photograph should look like by all the others: one law of reflection for the plate, small turns by pixel.

A plate is nearly flat and mostly of one metal. So the logarithm of its light under a lamp is one smooth function F
of the half vector h between lamp and camera (a mirror-like and a matt surface alike have one), moved at each place
by the slope there and raised by the reflectance there:

    log(I / e) = F(h) + a - grad F(h) . s + b (|h|^2 - mean)

with F a short polynomial fitted to the whole plate, and a, s (two slopes) and b (how steep the local lobe is) fitted to
each pixel. Tukey's biweight keeps highlights, shadows and single bad photographs from deciding (Huber 1981, Robust
Statistics). A photograph is compared with what is fitted without it: residual / (1 - leverage), the identity of linear
least squares (Cook and Weisberg 1982).
"""

from dataclasses import dataclass

import numpy as np

FEWEST = 6
"""Lamps from which photographs can be predicted: three unknowns of a pixel, and enough lamps left to disagree."""
FEWEST_FOR_LOBE = 12
"""Lamps from which the local lobe is fitted too."""
ROUNDS = 5
TUKEY = 4.685
"""95 % efficiency on normal noise (Huber 1981)."""
LEAST_SCALE = 0.01
"""Of the logarithm: one percent; below it, weights only follow the noise of single frames."""
SLOPE_PRIOR, LOBE_PRIOR = 0.5, 1.0
"""Standard deviations that slopes and lobes are taken to have before anything is seen; they tame pixels of few
lamps."""
OFFSET_PRIOR = 100.0
LAW_PIXELS = 400
"""Of the plate, from which its law is taken."""
MOST_LEVERAGE = 0.75
TELLING = 5.0
"""Times the floor: where less light is predicted, darkness tells nothing."""


@dataclass(frozen=True)
class Prediction:
    """Photographs against what all others say of them; arrays (lamps, pixels), natural logarithms."""

    residual: np.ndarray
    """Seen over predicted; NaN where nothing can be said."""
    by_others: np.ndarray
    """Light over irradiance that the others say; NaN where they cannot."""
    law: np.ndarray
    """Coefficients (8,) of F."""


def law_terms(half: np.ndarray) -> np.ndarray:
    """Terms (8, ...) of F at half vectors (..., 2, P): 1, three powers of |h|^2, two of brushing, two of the tilt."""
    hx, hy = half[..., 0, :], half[..., 1, :]
    t = hx * hx + hy * hy
    return np.stack([np.ones_like(t), t, t * t, t**3, hx * hx - hy * hy, 2 * hx * hy, hx, hy])


def law_slopes(half: np.ndarray, law: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of F along hx and hy (..., P)."""
    hx, hy = half[..., 0, :], half[..., 1, :]
    t = hx * hx + hy * hy
    by_t = law[1] + 2 * law[2] * t + 3 * law[3] * t * t
    along_x = 2 * hx * by_t + 2 * hx * law[4] + 2 * hy * law[5] + law[6]
    along_y = 2 * hy * by_t - 2 * hy * law[4] + 2 * hx * law[5] + law[7]
    return along_x, along_y


def predict(light: np.ndarray, half: np.ndarray, floor: float, heard: np.ndarray) -> Prediction:
    """Compare photographs with one another.

    light : (L, P) light over irradiance, NaN unknown.  half : (L, 2, P), see `half_vectors`.  floor : light of the size
    of the noise: darker than that says nothing more.  heard : True (L,) for photographs that others are judged by.
    """
    log = np.log(np.maximum(light, floor))
    dark = np.maximum(light, 0)
    trust = np.where(np.isfinite(light), dark**2 / (dark**2 + (3 * floor) ** 2), 0).astype(np.float32)
    trust *= heard[:, None]
    log = np.nan_to_num(log).astype(np.float32)
    law = _fit_law(log, half, trust)
    terms = law_terms(half)
    base = np.tensordot(law, terms, 1)
    along_x, along_y = law_slopes(half, law)
    t = terms[1]
    columns = [np.ones_like(base), -along_x, -along_y]
    priors = [OFFSET_PRIOR, SLOPE_PRIOR, SLOPE_PRIOR]
    if heard.sum() >= FEWEST_FOR_LOBE:
        columns.append(t - t.mean(axis=0))
        priors.append(LOBE_PRIOR)
    design = np.stack(columns, axis=-1).transpose(1, 0, 2).astype(np.float32)  # (P, L, unknowns)
    target = (log - base).T
    weight = trust.T.copy()
    for round_ in range(ROUNDS):
        fit, leverage = _solve(design, target, weight, priors)
        rest = target - fit
        if round_ == ROUNDS - 1:
            break
        scale = _scale(rest, trust.T)
        weight = trust.T * _tukey(rest / scale)
    with np.errstate(invalid="ignore", divide="ignore"):
        # with a weight of nothing a photograph has no part in the fit, and its residual is already that of the others
        left_out = np.where(leverage < MOST_LEVERAGE, rest / (1 - leverage), np.nan).T
    by_others = log - left_out
    left_out[~(np.isfinite(light) & (by_others > np.log(TELLING * floor)))] = np.nan
    return Prediction(left_out, by_others, law)


def _fit_law(log: np.ndarray, half: np.ndarray, trust: np.ndarray) -> np.ndarray:
    """Coefficients (8,) of F by robust least squares over a sample of the plate, the offset of each pixel left free."""
    pixels = np.linspace(0, log.shape[1] - 1, min(log.shape[1], LAW_PIXELS)).astype(int)
    terms = law_terms(half[..., pixels]).reshape(8, -1).astype(float)
    target, sure = log[:, pixels].ravel().astype(float), trust[:, pixels].ravel().astype(float)
    # few different elevations cannot tell the powers apart: a weak pull toward zero lets the lower ones explain
    pull = np.diag([0, 1e-7, 1e-6, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5]) * sure.sum()
    weight = sure
    law = np.zeros(8)
    for _ in range(ROUNDS):
        law = np.linalg.solve((terms * weight) @ terms.T + pull + 1e-12 * np.eye(8), (terms * weight) @ target)
        rest = target - law @ terms
        weight = sure * _tukey(rest / _scale(rest, sure))
    return law.astype(np.float32)


def _solve(
    design: np.ndarray, target: np.ndarray, weight: np.ndarray, priors: list[float]
) -> tuple[np.ndarray, np.ndarray]:
    """Fit (P, L) and leverage (P, L) of weighted least squares at every pixel."""
    weighted = design * weight[..., None]
    prior = np.diag([(0.05 / width) ** 2 for width in priors]).astype(np.float32)
    inverse = np.linalg.inv(weighted.transpose(0, 2, 1) @ design + prior)
    plate = np.einsum("puv,plv,pl->pu", inverse, weighted, target, optimize=True)
    fit = np.einsum("plu,pu->pl", design, plate)
    leverage = ((design @ inverse) * weighted).sum(axis=-1)
    return fit, leverage


def _scale(rest: np.ndarray, trust: np.ndarray) -> float:
    known = rest[trust > 0.5]
    return max(LEAST_SCALE, 1.4826 * float(np.median(np.abs(known)))) if known.size else LEAST_SCALE


def _tukey(ratio: np.ndarray) -> np.ndarray:
    return np.square(np.clip(1 - np.square(ratio / TUKEY), 0, None))
