"""The plate's lobe, learned from a sample of its pixels: stretch, tail, diffuse curvature, noise, and then the table.

First four numbers (two of the stretch, the tail of the lobe's family, the curvature of the diffuse part) are moved
until the robust misfit of the sample is smallest (simplex of Nelder and Mead 1965 in scipy), the noise estimated from
the residuals in between. A plate that is mostly matte is then told so (`surface/matte.py`). Then the table itself is
moved, at every knot, to where the light of the well explained pixels puts it. Nothing else tells the fit what the plate
is made of.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize

from lightdome.surface.lobe import KNOTS, METAL, Lobe, family_table
from lightdome.surface.matte import settle_matte
from lightdome.surface.microfacet import LobeFit
from lightdome.surface.noise import FIRST_NOISE, noise_of
from lightdome.surface.sample import Sample

FEWEST_PIXELS = 50
SMALL_STRETCH = 0.03
"""A stretch below this (3 % between the two roughnesses) is taken as none."""
FIRST_ROUGHNESS = 0.3
LEAST_METAL = 0.1
"""Share of the sample that must be metal (more than half of its light from the lobe) for roughness and table to be
learned; a painted or matte surface keeps the family's table and the first roughness."""
UNTOLD = 1e-3
"""Cost of a squared unit of the four numbers: what the sample does not tell stays near isotropic and Lambertian."""
FIRST_PLACE = np.array([0.0, 0.0, 0.5, 0.0])
FIRST_INVERSE_TAILS = (0.5, 0.05)
"""Trowbridge-Reitz and nearly Beckmann: the better one is where the search starts."""
SHORT_SHADOWS = 0.3
SPREADS = (np.array([0.3, 0.3, 0.15, 0.15]), np.array([0.1, 0.1, 0.1, 0.05]))
LONGEST = (140, 70)
BARE, BARE_COST = 1 / 0.015**2, 0.01
"""Pull of the diffuse strength on a bare metal (1.5 % of the largest light), and the rise of the mean cost (0 to 1)
up to which a plate counts as one."""
TABLE_ROUNDS = 3
SMOOTH = 3e-2
"""Stiffness of the table against the light of the sample: see `_table_step`."""


def learn_lobe(samples: Sequence[Sample]) -> Lobe | None:
    """The lobe of the plate that the samples come from; None where they hold too few pixels."""
    sample = Sample(
        np.concatenate([part.light for part in samples], axis=1),
        np.concatenate([part.toward for part in samples], axis=2),
        np.concatenate([part.irradiance for part in samples], axis=1),
        np.concatenate([part.view for part in samples], axis=1),
    )
    if sample.light.shape[1] < FEWEST_PIXELS:
        return None
    few = sample.take(1200)
    if not np.isfinite(few.fit(_lobe_of(FIRST_PLACE, FIRST_ROUGHNESS, np.array(FIRST_NOISE))).cost).any():
        return None
    # a broad lobe and a diffuse part can share the light in many ways: a bare metal is asked after first
    with ThreadPoolExecutor(2) as pool:
        lobe, bare = pool.map(lambda pull: _search(few, pull), (0.0, BARE))
    told = replace(bare, noise=lobe.noise)
    if lobe.metal > METAL and np.nanmean(few.fit(told).cost) <= np.nanmean(few.fit(lobe).cost) + BARE_COST:
        lobe = bare
    if lobe.metal <= METAL:
        lobe = settle_matte(sample, lobe)
    for _ in range(TABLE_ROUNDS):
        fit = sample.fit(lobe)
        lobe = replace(lobe, noise=noise_of(sample, fit, lobe), roughness=_typical_roughness(fit))
        lobe = replace(lobe, table=_table_step(sample, fit, lobe))
    fit = sample.fit(lobe)
    metal = float(_metal(fit).mean())
    return replace(lobe, noise=noise_of(sample, fit, lobe), roughness=_typical_roughness(fit), metal=metal)


def _search(few: Sample, matte_pull: float) -> Lobe:
    """The lobe of the family with the smallest robust misfit, with or without a pull of the diffuse part to zero."""
    lobe = replace(_lobe_of(FIRST_PLACE, FIRST_ROUGHNESS, np.array(FIRST_NOISE)), matte_pull=matte_pull)
    starts = [np.array([0.0, 0.0, inverse_tail, 0.0]) for inverse_tail in FIRST_INVERSE_TAILS]
    place = min(starts, key=lambda at: _cost(few, at, lobe))
    metal = 0.0
    for spread, longest in zip(SPREADS, LONGEST, strict=True):
        simplex = place + np.vstack([np.zeros(4), np.diag(spread)])
        found = minimize(
            lambda at, lobe=lobe: _cost(few, at, lobe),
            place,
            method="Nelder-Mead",
            options={"initial_simplex": simplex, "maxfev": longest, "xatol": 0.01, "fatol": 1e-5},
        )
        place = found.x
        fit = few.fit(replace(_lobe_of(place, lobe.roughness, lobe.noise), matte_pull=matte_pull))
        lobe = replace(lobe, noise=noise_of(few, fit, lobe), roughness=_typical_roughness(fit))
        metal = float(_metal(fit).mean())
    if metal <= LEAST_METAL:
        place[:3] = FIRST_PLACE[:3]
    elif np.hypot(place[0], place[1]) < SMALL_STRETCH:
        place[:2] = 0
    return replace(_lobe_of(place, lobe.roughness, lobe.noise), matte_pull=matte_pull, metal=metal)


def _lobe_of(place: np.ndarray, roughness: float, noise: np.ndarray) -> Lobe:
    """Lobe of the family at (e1, e2, 1 / tail, curvature); stretch: exponential of ((e1, e2), (e2, -e1))."""
    e1, e2, inverse_tail, curvature = place
    # as the tails of the family: Beckmann's facets shadow each other as Trowbridge-Reitz ones of a third of the
    # roughness do (Smith's functions of both, compared at 15 to 30 degrees of elevation and roughness 0.4)
    shadowing = float(SHORT_SHADOWS + (1 - SHORT_SHADOWS) * min(inverse_tail / 0.5, 1))
    size = np.hypot(e1, e2)
    slope = np.sinh(size) / size if size > 0 else 1.0
    stretched = np.array([np.cosh(size) + slope * e1, slope * e2, np.cosh(size) - slope * e1])
    tail = 1 / inverse_tail if inverse_tail > 1e-3 else np.inf
    return Lobe(family_table(tail), float(curvature), stretched, roughness, noise, shadowing)


def _cost(sample: Sample, place: np.ndarray, lobe: Lobe) -> float:
    """Mean robust cost; beyond the limits of the family it grows with the distance."""
    limits = np.array([[-1.5, 1.5], [-1.5, 1.5], [0.0, 0.9], [-0.3, 1.5]])
    inside = np.clip(place, limits[:, 0], limits[:, 1])
    fit = sample.fit(replace(_lobe_of(inside, lobe.roughness, lobe.noise), matte_pull=lobe.matte_pull))
    beyond = float(np.abs(place - inside).sum())
    return float(np.nanmean(fit.cost)) + beyond + UNTOLD * float(inside @ inside)


def _typical_roughness(fit: LobeFit) -> float:
    """Median roughness of the pixels of metal; `FIRST_ROUGHNESS` where there are few."""
    metal = _metal(fit)
    return float(np.median(fit.roughness[metal])) if metal.mean() > LEAST_METAL else FIRST_ROUGHNESS


def _metal(fit: LobeFit) -> np.ndarray:
    return np.isfinite(fit.roughness) & (fit.shiny > METAL)


def _table_step(sample: Sample, fit: LobeFit, lobe: Lobe) -> np.ndarray:
    """The table moved to where the well explained pixels put it.

    Solves for the logarithm d of the change at the knots: weighted least squares of light = matte + metal exp(d(w)),
    to first order, with a stiffness against second differences; what a change of strength (d constant) or of roughness
    (d along the derivative of log D by log u) would do as well is taken out, since the pixels have both already.
    """
    knots = np.linspace(0, 1, KNOTS)
    good = _metal(fit)
    if good.mean() <= LEAST_METAL:
        return lobe.table
    good &= fit.misfit <= np.nanmedian(fit.misfit[good])
    w, metal = _place_in_lobe(sample, fit, lobe, good)
    light = sample.light[:, good]
    largest = np.nanmax(light / sample.irradiance[:, good], axis=0) * sample.irradiance[:, good]
    known = np.isfinite(light) & (fit.model[:, good] > 0) & (metal > 1e-6 * largest)
    residual = light[known] - fit.model[:, good][known]
    bright, metal, w = np.maximum(light[known], 0), metal[known], w[known]
    powers = np.stack([np.ones_like(bright), bright, bright**2, largest[known] ** 2])
    weight = metal**2 / (lobe.noise @ powers)
    low = np.minimum((w * (KNOTS - 1)).astype(int), KNOTS - 2)
    share = w * (KNOTS - 1) - low
    pull = np.clip(residual / metal, -0.5, 0.5)
    diagonal = np.bincount(low, weight * (1 - share), KNOTS) + np.bincount(low + 1, weight * share, KNOTS)
    right = np.bincount(low, weight * (1 - share) * pull, KNOTS)
    right += np.bincount(low + 1, weight * share * pull, KNOTS)
    curve = np.diff(np.eye(KNOTS), 2, axis=0)
    stiff = SMOOTH * diagonal.mean() * (KNOTS / 8.0) ** 2
    change = np.linalg.solve(
        np.diag(diagonal) + stiff * curve.T @ curve + 1e-3 * diagonal.mean() * np.eye(KNOTS), right
    )
    # u dD/du / D = w (1 - w) (T' / T - 2 / (1 - w)); T' over w
    with np.errstate(divide="ignore", invalid="ignore"):
        steep = np.nan_to_num(np.gradient(np.log(np.maximum(lobe.table, 1e-12)), knots))
    gauge = np.stack([np.ones(KNOTS), knots * (1 - knots) * steep - 2 * knots], axis=1)
    root = np.sqrt(diagonal)[:, None]
    along, *_ = np.linalg.lstsq(root * gauge, root[:, 0] * change, rcond=None)
    return lobe.table * np.exp(np.clip(change - gauge @ along, -0.3, 0.3))


def _place_in_lobe(sample: Sample, fit: LobeFit, lobe: Lobe, good: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Place w of every sample in the lobe and the light of the lobe alone, (L, pixels)."""
    x, y = fit.slopes[:, good]
    half = sample.toward[:, :, good] + sample.view[:, good]
    half_x, half_y = -half[:, 0] / half[:, 2], -half[:, 1] / half[:, 2]
    d_x, d_y = half_x - x, half_y - y
    xx, xy, yy = lobe.stretched
    square = xx * d_x**2 + 2 * xy * d_x * d_y + yy * d_y**2 + (x * half_y - y * half_x) ** 2
    u = square / ((1 + x * half_x + y * half_y) * fit.roughness[good]) ** 2
    lit = sample.toward[:, 2, good] - x * sample.toward[:, 0, good] - y * sample.toward[:, 1, good]
    lit = np.maximum(lit / np.sqrt(1 + x**2 + y**2), 0)
    b = lobe.diffuse_curvature
    matte = fit.diffuse[good] * (lit + b * lit**2) / (1 + b) * sample.irradiance[:, good]
    return u / (1 + u), np.maximum(fit.model[:, good] - matte, 0)
