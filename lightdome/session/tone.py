"""Does the light of the photographs follow what the lamps give, as linear numbers do? Arrays in, numbers out.

A tone curve lifts the dark ones among them: the exponent by which their level follows the light that falls on the plate
is 1 on matte surfaces, more on metal, which shines most under high lamps (1.1 to 1.8 on computed plates), and 0.46 to
0.6 behind an sRGB curve. The room's light brings 1 down to 0.7.
"""

import numpy as np
from scipy import stats

FEWEST_LAMPS, LEAST_SPREAD = 8, 0.25
"""Lamps, and standard deviation of the logarithm of the light that they give, below which nothing is told."""
CURVED, UNMOVED = 0.66, 0.25
"""Exponents that are for sure below the first mean a tone curve; below the second, the lamps light little of it."""
DARK = 1e-3
"""Levels below it, over white, are noise."""


def levels(light: np.ndarray) -> np.ndarray:
    """Median light (L,) of photographs (L, P), of what is known; NaN where nothing is."""
    known = [one[np.isfinite(one)] for one in light]
    return np.array([np.median(one) if one.size else np.nan for one in known])


def tone_exponent(level: np.ndarray, expected: np.ndarray) -> tuple[float, float] | None:
    """Exponent by which levels follow what is expected, and its upper limit at 97.5 %; None where nothing is told.

    level : (L,), typical light of each photograph, NaN unknown.  expected : (L,), light that its lamp gives.
    Median of the slopes between pairs in logarithms (Theil 1950, Sen 1968; scipy's theilslopes), which single lamps
    that are too strong or shadowed do not move.
    """
    told = (level > DARK) & (expected > 0)
    if told.sum() < FEWEST_LAMPS or np.log(expected[told]).std() < LEAST_SPREAD:
        return None
    slope, _, _, upper = stats.theilslopes(np.log(level[told]), np.log(expected[told]))
    return float(slope), float(upper)
