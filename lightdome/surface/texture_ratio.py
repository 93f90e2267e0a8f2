"""Parameters of the areal material ratio curve (ISO 25178-2:2021, clause 4.4 and annex B, from memory).

The curve is the height Smc that a share mr of the area reaches or stands above.
"""

import numpy as np

CORE_SHARE = 0.4
"""Width of the part of the curve that the equivalent line is fitted to."""
CURVE_POINTS = 10001
PEAK_RATIO, VALLEY_RATIO = 0.1, 0.8
"""Material ratios that part peaks, core and valleys in the volumes: defaults of ISO 25178-3 (from memory)."""
NO_CORE = "the material ratio curve is not S-shaped: {}"


def ratio_parameters(rising: np.ndarray) -> dict[str, float | str]:
    """Sk Spk Svk (um), Smrk1 Smrk2 (%), Vmp Vmc Vvc Vvv (um: volume over area), Sxp (um); or why there is none.

    rising : known heights, um, (n,), the lowest first.
    """
    curve = _Curve(rising)
    material = {ratio: curve.above(ratio) for ratio in (PEAK_RATIO, VALLEY_RATIO)}
    void = {ratio: curve.below(ratio) for ratio in (PEAK_RATIO, VALLEY_RATIO)}
    volumes: dict[str, float | str] = {
        "Vmp": material[PEAK_RATIO],
        "Vmc": material[VALLEY_RATIO] - material[PEAK_RATIO],
        "Vvc": void[PEAK_RATIO] - void[VALLEY_RATIO],
        "Vvv": void[VALLEY_RATIO],
        "Sxp": float(curve.height(0.025) - curve.height(0.5)),
    }
    return _core(curve) | volumes


class _Curve:
    """Heights by material ratio; every pixel stands for an equal share of the area."""

    def __init__(self, rising: np.ndarray) -> None:
        self.rising = rising

    def height(self, ratio: np.ndarray | float) -> np.ndarray:
        """Smc, um, at a ratio in 0-1, linear between pixels."""
        last = len(self.rising) - 1
        place = np.clip((1 - np.asarray(ratio)) * (last + 1) - 0.5, 0, last)
        first = place.astype(np.int64)
        lower = self.rising[first].astype(float)
        return lower + (place - first) * (self.rising[np.minimum(first + 1, last)] - lower)

    def ratio(self, height_um: float) -> float:
        """Smr: share of the area at or above a height."""
        return 1 - float(np.searchsorted(self.rising, np.float32(height_um)) / len(self.rising))

    def integral(self, ratio: float) -> float:
        """Integral of the height from ratio 0, um."""
        size = len(self.rising)
        place = ratio * size
        full = int(place)
        rest = (place - full) * float(self.rising[size - full - 1]) if full < size else 0.0
        return (float(self.rising[size - full :].sum(dtype=np.float64)) + rest) / size

    def above(self, ratio: float) -> float:
        """Material above the height at a ratio, um^3/um^2."""
        return self.integral(ratio) - ratio * float(self.height(ratio))

    def below(self, ratio: float) -> float:
        """Void below the height at a ratio, um^3/um^2."""
        return (1 - ratio) * float(self.height(ratio)) - (self.integral(1.0) - self.integral(ratio))


def _core(curve: _Curve) -> dict[str, float | str]:
    """The Sk group: the line of least squares through the 40 % of the curve whose secant is flattest."""
    names = ("Sk", "Spk", "Svk", "Smrk1", "Smrk2")
    ratios = np.linspace(0, 1, CURVE_POINTS)
    heights = curve.height(ratios)
    width = round(CORE_SHARE * (CURVE_POINTS - 1))
    falls = heights[:-width] - heights[width:]
    start = int(falls.argmin())  # of equal ones the first counts
    span = float(heights[0] - heights[-1])
    if not falls[start] > 1e-6 * span:
        return dict.fromkeys(names, NO_CORE.format("40 % of the area or more lie at one height"))
    slope, top = np.polyfit(ratios[start : start + width + 1], heights[start : start + width + 1], 1)
    upper, lower = float(top), float(top + slope)
    if start in (0, len(falls) - 1) or not heights[-1] < lower < upper < heights[0]:
        return dict.fromkeys(names, NO_CORE.format("its flattest part leaves no peaks or no valleys"))
    first, second = curve.ratio(upper), curve.ratio(lower)
    peaks = curve.integral(first) - first * upper
    valleys = (1 - second) * lower - (curve.integral(1.0) - curve.integral(second))
    return {
        "Sk": upper - lower,
        "Spk": 2 * peaks / first,
        "Svk": 2 * valleys / (1 - second),
        "Smrk1": 100 * first,
        "Smrk2": 100 * second,
    }
