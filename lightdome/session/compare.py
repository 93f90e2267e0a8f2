"""All photographs of a field against one another: which ones do not fit, and how. Arrays in, findings out."""

from dataclasses import dataclass

import numpy as np

from lightdome.session.odd_frames import (
    LARGEST_RATIO,
    LEAST_LEVEL,
    Exchange,
    Shadow,
    find_exchanges,
    find_shadows,
    levels,
    misfits,
    odd_levels,
    other_lamp,
)
from lightdome.session.predict import FEWEST, predict

ODD_MISFIT, ODD_TIMES = 0.06, 2.5
"""Mean difference from what the others predict, as a logarithm and over the usual one, from which a photograph is no
longer asked about the others."""
MOST_ODD = 0.25
"""Share of the photographs that may be set aside so."""
FEWEST_FOR_LEVEL = 10
"""Lamps under which an odd level cannot be laid at the door of one photograph."""
UNCLEAR = 0.12
"""Mean difference from which a photograph that was set aside is worth a look."""
NO_PLATE = 0.15
"""Usual misfit above which the photographs show no nearly flat thing of one kind under the lamps of the table; rendered
metal stays under 0.07."""


@dataclass(frozen=True)
class Comparison:
    """What does not fit; photographs by their place in the series."""

    level: np.ndarray
    """(L,): light over what the others predict, no unit; NaN unknown."""
    misfit: np.ndarray
    """(L,): mean capped difference of the logarithm from what the others predict."""
    odd_levels: tuple[int, ...]
    shadows: tuple[Shadow, ...]
    exchanges: tuple[Exchange, ...]
    other_lamps: dict[int, int]
    """Photograph, and the lamp it looks lit by, where that one's own photograph fits."""
    unclear: tuple[int, ...]
    """Photographs that do not fit, and none of the above says why."""
    by_others: np.ndarray
    """(L, P): light that the others predict; NaN where they cannot."""
    telling: bool
    """False where the photographs cannot be predicted from one another, so that nothing is claimed."""


def compare(
    light: np.ndarray,
    irradiance: np.ndarray,
    half: np.ndarray,
    axes: np.ndarray,
    shape: tuple[int, int],
    inside: np.ndarray,
    floor: float,
) -> Comparison | None:
    """Compare small pictures with one another; None where there are too few of them.

    light, irradiance : (L, P).  half : (L, 2, P).  axes : (L, 3) unit vectors toward the lamps.  inside : True
    (rows, columns) on the plate, P = rows x columns.
    floor : light of the size of the noise.
    """
    if len(light) < FEWEST:
        return None
    over = np.where(inside.ravel(), light / irradiance, np.nan)
    log = np.log(np.maximum(np.where(inside.ravel(), light, np.nan), floor))
    beam = np.log(irradiance)
    heard = np.ones(len(light), bool)
    while True:
        prediction = predict(over, half, floor, heard)
        cost = misfits(log, prediction.by_others + beam)
        own, level = np.diag(cost), levels(prediction.residual)
        usual = max(ODD_MISFIT, ODD_TIMES * float(np.median(own[heard])))
        off = np.abs(np.log(level / np.nanmedian(level[heard])))
        odd = np.where(heard, np.maximum(own / usual, np.nan_to_num(off) / LEAST_LEVEL), 0)
        worst = int(np.argmax(odd))
        if odd[worst] < 1 or heard.sum() <= max(FEWEST, (1 - MOST_ODD) * len(light)):
            break
        heard[worst] = False
    # where photographs go on not to fit though many were set aside, it is the prediction that fails
    if odd[worst] >= 1 or np.median(own[heard]) > NO_PLATE:
        return Comparison(level, own, (), (), (), {}, (), np.exp(prediction.by_others + beam), False)
    exchanges = find_exchanges(cost)
    named = {k for one in exchanges for k in one.frames}
    # a photograph that only its level sets apart is under its own lamp
    shaped = _without_level(prediction.residual) >= ODD_TIMES / 2 * float(np.median(own[heard]))
    others = {
        k: j for k in np.flatnonzero(shaped).tolist() if k not in named and (j := other_lamp(cost, k)) is not None
    }
    named |= set(others)
    sure = heard.sum() >= FEWEST_FOR_LEVEL
    odd_level = [k for k in odd_levels(level, heard) if k not in named] if sure else []
    named |= set(odd_level)
    shadows = [one for one in find_shadows(prediction.residual, axes, shape, inside) if one.frame not in named]
    named |= {one.frame for one in shadows}
    unclear = tuple(k for k in np.flatnonzero(~heard & (own > UNCLEAR)).tolist() if k not in named)
    said = np.exp(prediction.by_others + beam)
    return Comparison(level, own, tuple(odd_level), tuple(shadows), tuple(exchanges), others, unclear, said, True)


def _without_level(residual: np.ndarray) -> np.ndarray:
    """Mean capped difference (L,) from what the others predict, once each photograph is brought to their level."""
    even = np.abs(residual - np.nan_to_num(np.log(levels(residual)))[:, None])
    known = np.isfinite(even)
    return np.where(known, np.minimum(even, LARGEST_RATIO), 0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
