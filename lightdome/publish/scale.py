"""Scale bars, spans of legends, and numbers with their uncertainty, as people read them."""

import math

import numpy as np

from lightdome.units import UM_PER_MM

UNIT_WORDS = {"um": "µm", "deg": "deg", "1": "", "1/mm": "1/mm", "1/mm^2": "1/mm²", "1/dm^2": "1/dm²", "mm": "mm"}
BAR_SHARE = 0.25
"""A scale bar is at most this share of the picture's width."""
LOW, HIGH = 0.5, 99.5
"""Percentiles between which a legend spans, so that a few wild pixels do not hide the rest."""
UNKNOWN = "–"


def scale_bar_mm(width_mm: float) -> float:
    """Length of the scale bar of a picture `width_mm` wide: 1, 2 or 5 times a power of ten, mm."""
    longest = BAR_SHARE * width_mm
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (1, 2, 5) if step * power <= longest * (1 + 1e-9))


def length_words(length_mm: float) -> str:
    """A length in mm, or in µm below 1 mm."""
    return f"{length_mm:g} mm" if length_mm >= 1 else f"{length_mm * UM_PER_MM:g} µm"


def unit_words(unit: str) -> str:
    """A unit as it is printed; dimensionless is empty."""
    return UNIT_WORDS.get(unit, unit)


def legend_span(values: np.ndarray, span: str) -> tuple[float, float]:
    """Lowest and highest value of a legend; (0, 1) where nothing is known, never an empty span.

    span : low-high, from-zero, or about-zero (symmetric; over non-zero values where most are zero).
    """
    known = values[np.isfinite(values)]
    if span == "about-zero" and (known != 0).any():
        known = np.abs(known[known != 0])
    if not known.size:
        return (-1.0, 1.0) if span == "about-zero" else (0.0, 1.0)
    low, high = (float(limit) for limit in np.percentile(known, (LOW, HIGH)))
    if span == "about-zero":
        low = -high
    elif span == "from-zero":
        low = 0.0
    if not high > low:
        pad = abs(high) * 1e-3 or 1.0
        low, high = (low, high + pad) if span == "from-zero" else (low - pad, high + pad)
    return low, high


def number(value: float | None, decimals: int = 1) -> str:
    """A number with fixed decimals and a true minus sign; a dash where unknown."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{value:.{decimals}f}"
    text = text.lstrip("-") if float(text) == 0 else text
    return text.replace("-", "−")


def figures(value: float | None) -> str:
    """Three figures, or the whole number from 1000 on; a dash where unknown."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return text.replace("-", "−")


def with_uncertainty(value: float | None, u: float | None) -> str:
    """Value ± U with U = 2 u (k = 2, JCGM 100), U to two figures; without u, three figures and no ±."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.3g} (U unknown)".replace("-", "−")
    expanded = 2 * u
    decimals = max(0, 1 - math.floor(math.log10(expanded)))
    return f"{number(value, decimals)} ± {number(expanded, decimals)}"
