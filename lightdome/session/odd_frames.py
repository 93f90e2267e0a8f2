"""Photographs that do not fit the others: too bright, shadowed, exchanged, taken twice. Arrays in, findings out."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

LEAST_LEVEL = 0.18
"""Logarithm of a level's ratio from which it is said: a sixth; a step of an automatic exposure is at least a third of a
stop (0.23)."""
SURE_AT = 6.0
"""Times the usual scatter from which something is no chance. A robust scatter of few frames is itself unsure by a
third."""
LEAST_KNOWN = 0.3
"""Share of the plate that must be predicted bright enough, before a level is told: the brightest predictions alone
would be those that err."""
SHADOW = -0.5
"""Logarithm of the ratio under which a place is taken as shadowed: 0.6 of the light that the others predict."""
THINNEST_SHADOW, THINNEST_SHADOW_PX = 0.025, 2.5
"""Radius of the largest disc that fits into a shadow, over the picture's shorter side, and in pixels of the small
picture:
the plate's own relief casts thin shadows, an arm does not."""
WIDEST_SHADOW_SHARE = 0.8
"""From there on it is the level of the whole photograph."""
NEIGHBOURS, DARK_NEIGHBOURS = 6, 1
"""Nearest lamps, and how many of them may be half as dark at the same place; more, and the thing casts its own shadow
there, or turns away."""
SWAP_GAIN = 2.0
"""Times that the photographs must fit exchanged lamps better than their own."""
LEAST_SWAP = 0.03
"""Mean logarithm of the ratio by which an exchange must be better."""
NEXT_LAMP = 1.5
"""Times worse that the second best lamp must fit before the best one is named."""
COST_PIXELS = 3000
LARGEST_RATIO = 1.0
"""Of the logarithm: a highlight or a shadow counts no more than that in a comparison of whole photographs."""
TWIN = 0.25
"""Distance of two photographs, in units of the usual distance of a photograph to its nearest, under which they are
one."""
TWIN_DEG = 4.0
"""Lamps nearer to one another than that give nearly the same picture."""


@dataclass(frozen=True)
class Shadow:
    """A patch that is dark in one photograph alone."""

    frame: int
    share: float
    """Of the plate."""
    ratio: float
    """Light there over what the others predict."""
    patch: np.ndarray
    """True (rows, columns) of the small picture."""


@dataclass(frozen=True)
class Exchange:
    """Photographs that fit better under one another's lamps."""

    frames: tuple[int, ...]
    lamps: tuple[int, ...]
    """The lamp that each of `frames` looks lit by."""
    gain: float
    """Misfit under their own lamps over misfit under these."""


def levels(residual: np.ndarray) -> np.ndarray:
    """Light of each photograph (L,) over what the others predict; NaN where too little could be compared."""
    with np.errstate(invalid="ignore"):
        finite = np.isfinite(residual)
        known = finite.sum(axis=1) > LEAST_KNOWN * finite.any(axis=0).sum()
        level = np.full(len(residual), np.nan)
        level[known] = np.exp(np.nanmedian(residual[known], axis=1))
    return level


def odd_levels(level: np.ndarray, heard: np.ndarray) -> list[int]:
    """Photographs whose level (L,) does not fit those of the `heard` ones."""
    log = np.log(level)
    middle = np.nanmedian(log[heard])
    scatter = 1.4826 * np.nanmedian(np.abs(log - middle)[heard])
    least = max(LEAST_LEVEL, SURE_AT * float(scatter))
    return [int(k) for k in np.flatnonzero(np.abs(log - middle) > least)]


def find_shadows(residual: np.ndarray, axes: np.ndarray, shape: tuple[int, int], inside: np.ndarray) -> list[Shadow]:
    """Patches dark under one lamp against what the others predict, one a photograph at most.

    residual : (L, P), logarithm of seen over predicted.  axes : (L, 3) unit vectors toward the lamps.  inside : True
    (rows, columns) on the plate.
    """
    maps = residual.reshape(-1, *shape)
    level = np.nan_to_num(np.log(levels(residual)))
    side = max(3, min(shape) // 40 | 1)
    smooth = np.stack([_smooth(one - middle, side) for one, middle in zip(maps, level, strict=True)])
    scatter = 1.4826 * np.median(np.abs(smooth), axis=0)
    dark = smooth < SHADOW
    near = np.argsort(-(axes @ axes.T), axis=1)[:, 1 : 1 + NEIGHBOURS]
    plate_px = max(1, int(inside.sum()))
    thinnest = max(THINNEST_SHADOW_PX, THINNEST_SHADOW * min(shape))
    found = []
    for k, one in enumerate(smooth):
        own = (smooth[near[k]] < SHADOW / 2).sum(axis=0) > DARK_NEIGHBOURS
        odd = dark[k] & inside & ~own & (one < -SURE_AT * scatter)
        if odd.sum() < thinnest**2:
            continue
        depth = ndimage.distance_transform_edt(np.pad(odd, 1, mode="edge"))[1:-1, 1:-1]
        labels, _ = ndimage.label(odd)
        thick = np.unique(labels[odd & (depth >= thinnest)])
        patch = np.isin(labels, thick) & odd
        share = float(patch.sum() / plate_px)
        if len(thick) and share <= WIDEST_SHADOW_SHARE:
            found.append(Shadow(k, share, float(np.exp(np.nanmedian((maps[k] - level[k])[patch]))), patch))
    return found


def _smooth(values: np.ndarray, side: int) -> np.ndarray:
    """Mean over squares of `side` pixels of what is known, 0 where little is."""
    known = np.isfinite(values)
    weight = ndimage.uniform_filter(known.astype(np.float32), side)
    mean = ndimage.uniform_filter(np.where(known, np.clip(values, -3, 3), 0).astype(np.float32), side)
    return np.where(weight > 0.3, mean / np.maximum(weight, 1e-6), 0)


def misfits(log: np.ndarray, by_others: np.ndarray) -> np.ndarray:
    """Mean capped difference (L photographs, L lamps) of each photograph from what the others predict under each lamp.

    log : (L, P), logarithm of the light of the photographs (not over the irradiance: that belongs to the lamp).
    by_others : (L, P), predicted logarithm of the light under each lamp. NaN is left out.
    """
    step = max(1, log.shape[1] // COST_PIXELS)
    seen, said = log[:, ::step].astype(np.float32), by_others[:, ::step].astype(np.float32)
    cost = np.empty((len(log), len(log)))
    for k, one in enumerate(seen):
        apart = np.minimum(np.abs(one - said), LARGEST_RATIO)
        known = np.isfinite(apart)
        count = known.sum(axis=1)
        total = np.where(known, apart, 0).sum(axis=1)
        cost[k] = np.where(count > 0.2 * apart.shape[1], total / np.maximum(count, 1), LARGEST_RATIO)
    return cost


def find_exchanges(cost: np.ndarray) -> list[Exchange]:
    """Rings of photographs that an assignment of least misfit gives to one another's lamps, where it is clearly better.

    cost : (L, L), see `misfits`. The assignment is that of Kuhn and Munkres (scipy).
    """
    if (cost.argmin(axis=1) == np.arange(len(cost))).all():
        return []  # each fits its own lamp best, so no assignment is better
    from scipy.optimize import linear_sum_assignment

    _, lamp_of = linear_sum_assignment(cost)
    seen: set[int] = set()
    found = []
    for start in range(len(cost)):
        ring = []
        while start not in seen:
            seen.add(start)
            ring.append(start)
            start = int(lamp_of[start])
        if len(ring) < 2:
            continue
        lamps = [int(lamp_of[k]) for k in ring]
        own = sum(cost[k, k] for k in ring)
        other = sum(cost[k, j] for k, j in zip(ring, lamps, strict=True))
        if own >= SWAP_GAIN * other and own - other >= LEAST_SWAP * len(ring):
            found.append(Exchange(tuple(ring), tuple(lamps), float(own / max(other, 1e-9))))
    return found


def other_lamp(cost: np.ndarray, k: int) -> int | None:
    """The lamp that photograph k looks lit by, if it is clearly another one than its own."""
    j, second = (int(place) for place in np.argsort(cost[k])[:2])
    least = SWAP_GAIN * max(float(cost[k, j]), float(np.median(np.diag(cost))))
    clear = j != k and cost[k, k] >= least and cost[k, k] - cost[k, j] >= 2 * LEAST_SWAP
    return j if clear and cost[k, second] >= NEXT_LAMP * cost[k, j] else None


def find_twins(light: np.ndarray, axes: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of photographs that show the same picture though their lamps stand apart.

    light : (L, P) light of the small pictures.  axes : (L, 3) unit vectors toward the lamps; (0, 3) where unknown.
    """
    step = max(1, light.shape[1] // COST_PIXELS)
    with np.errstate(invalid="ignore", divide="ignore"):
        some = np.nan_to_num(light[:, ::step]).astype(float)
        some /= np.maximum(np.linalg.norm(some, axis=1, keepdims=True), 1e-12)
    apart = np.sqrt(np.maximum(0, 2 - 2 * some @ some.T))
    np.fill_diagonal(apart, np.inf)
    nearest = np.median(apart.min(axis=1))
    near = np.zeros_like(apart, bool)
    if len(axes):
        near = np.degrees(np.arccos(np.clip(axes @ axes.T, -1, 1))) < TWIN_DEG
    rows, cols = np.nonzero((apart < TWIN * nearest) & ~near)
    return [(int(a), int(b)) for a, b in zip(rows, cols, strict=True) if a < b]
