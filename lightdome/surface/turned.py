"""Do the slopes belong to a surface? A lamp table that is turned or mirrored gives slopes that no height has."""

import numpy as np

SURE = 0.3
"""Twist over bend, noise taken off, above which the lamps are in doubt: 0.00-0.06 on rendered and computed plates, 1
and more where their lamp tables are turned by 90 degrees (tests/surface/test_turned_lamps.py)."""


def bend_and_twist(slopes: np.ndarray, u_slope: np.ndarray, good: np.ndarray) -> np.ndarray:
    """Sums over good pixels of squared bend, of squared twist, both with the noise taken off, and their number.

    slopes : (2, rows, columns), rise toward +x and toward +y.  u_slope : (rows, columns).  good : bool.

    Bend is dp/dx + dq/dy; twist dq/dx - dp/dy, zero for every surface that has a height.
    """
    p, q = slopes
    whole = good[:-1, :-1] & good[:-1, 1:] & good[1:, :-1]
    right = (np.diff(p, axis=1)[:-1], np.diff(q, axis=1)[:-1])
    up = (-np.diff(p, axis=0)[:, :-1], -np.diff(q, axis=0)[:, :-1])
    noise = 4 * u_slope[:-1, :-1] ** 2
    bend, twist = right[0] + up[1], right[1] - up[0]
    return np.array([(bend**2 - noise)[whole].sum(), (twist**2 - noise)[whole].sum(), whole.sum()], float)


def doubt_about_lamps(sums: np.ndarray) -> str | None:
    """The sentence of warning that the sums of `bend_and_twist` ask for; None where there is nothing to say."""
    bend, twist, pairs = sums
    if pairs < 1000 or twist <= 0 or twist < SURE * max(bend, 0):
        return None
    return (
        "the slopes twist as those of no surface do: the lamp table may be turned or mirrored against the pictures, or "
        "lamps are mixed up; compare lamps.csv with the lamp layout picture and run again"
    )
