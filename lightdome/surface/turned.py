"""Do the slopes belong to a surface? A lamp table turned by a quarter or mirrored gives slopes that no height has.

A table turned by a half gives those of the relief upside down, which is a surface too: only the eye can tell, in the
lamp layout picture.
"""

import numpy as np

SURE = 0.2
"""Twist over bend above which the lamps are in doubt: 0.00-0.05 on rendered and computed plates, 19 and more where
their lamp tables are turned by 90 degrees, 1.0 by 45 degrees, 0.33 and more where they are mirrored
(tests/surface/test_turned_lamps.py)."""
CLEAR = 50.0
"""Bend and twist, squared and over their variance, from which they count: five standard deviations each, so that noise,
even twice as large as stated, says nothing."""
LEAST_CLEAR, LEAST_SHARE = 100, 0.01
"""So many quadruples, and such a share of all, must be clear, or nothing is said: a flat plate shows no relief."""


def bend_and_twist(slopes: np.ndarray, u_slope: np.ndarray, good: np.ndarray) -> np.ndarray:
    """Sums over quadruples of good neighbours, where they are clear: squared bend, squared twist; number clear, of all.

    slopes : (2, rows, columns), rise toward +x and toward +y.  u_slope : (rows, columns).  good : bool.

    Bend is dp/dx + dq/dy; twist dq/dx - dp/dy, zero for every surface that has a height.
    """
    p, q = np.where(good, slopes, np.nan)
    bend, twist = _right(p) + _up(q), _right(q) - _up(p)
    u2 = np.where(good, u_slope, np.nan) ** 2
    # each is a sum of eight slopes, halved
    variance = (u2[:-1, :-1] + u2[:-1, 1:] + u2[1:, :-1] + u2[1:, 1:]) / 2
    clear = bend**2 + twist**2 > CLEAR * variance
    whole = np.isfinite(bend) & np.isfinite(twist)
    return np.array([(bend[clear] ** 2).sum(), (twist[clear] ** 2).sum(), clear.sum(), whole.sum()], float)


def doubt_about_lamps(sums: np.ndarray) -> str | None:
    """The sentence of warning that the sums of `bend_and_twist` ask for; None where there is nothing to say."""
    bend, twist, clear, whole = sums
    if clear < max(LEAST_CLEAR, LEAST_SHARE * whole) or twist < SURE * bend:
        return None
    return (
        "the slopes twist as those of no surface do: the lamp table may be turned or mirrored against the pictures, or "
        "lamps are mixed up; compare lamps.csv with the lamp layout picture and run again"
    )


def _right(values: np.ndarray) -> np.ndarray:
    """Rise from each pixel to its right neighbour, mean of two rows."""
    rise = np.diff(values, axis=1)
    return (rise[:-1] + rise[1:]) / 2


def _up(values: np.ndarray) -> np.ndarray:
    """Rise from each pixel to the one above it, mean of two columns."""
    rise = -np.diff(values, axis=0)
    return (rise[:, :-1] + rise[:, 1:]) / 2
