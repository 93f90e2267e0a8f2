"""Twelve bytes a pixel: the lobe model in whole numbers of four to twelve bits, for where float32 is too much.

Each band becomes a whole number, from 0 to the largest that its bits hold; the numbers of a pixel, high digit first,
fill 24 half bytes. Slopes, strengths and residual are spread evenly over their range, the strengths after a square root
(dark ones finer), the roughness after a logarithm.
"""

import numpy as np

from lightdome.relight.render import BANDS
from lightdome.surface.damped import LARGEST_ROUGHNESS, LEAST_ROUGHNESS, STEEPEST

BITS = dict.fromkeys(BANDS, 4) | {
    "slope_x": 12,
    "slope_y": 12,
    "diffuse": 8,
    "specular": 8,
    "roughness": 8,
    "limit": 8,
    "l0_m0": 8,
}
BYTES = sum(BITS.values()) // 8
ROOTED = ("diffuse", "specular", "limit")
STRENGTH_PERCENTILE, RESIDUAL_PERCENTILE = 99.9, 99.5
"""Of a field's values, where the range of a strength and of a coefficient ends; what lies beyond is held to it."""


def ranges_of(model: np.ndarray) -> dict[str, tuple[float, float]]:
    """Lowest and highest value that each band keeps, from bands (len(BANDS), ...) of a field or of a part of it.

    Fixed for slopes and roughness by the limits of the fit. A field of which nothing is known gets ranges of one.
    """
    known = model[:, np.isfinite(model).all(axis=0)]
    fixed = {
        "slope_x": (-float(STEEPEST), float(STEEPEST)),
        "slope_y": (-float(STEEPEST), float(STEEPEST)),
        "roughness": (float(LEAST_ROUGHNESS), float(LARGEST_ROUGHNESS)),
    }

    def end(values: np.ndarray, percentile: float) -> float:
        return (float(np.percentile(np.abs(values), percentile)) if values.size else 0.0) or 1.0

    first = BANDS.index("l0_m0")
    ends = {name: end(known[BANDS.index(name)], STRENGTH_PERCENTILE) for name in ROOTED}
    ends["l0_m0"] = end(known[first], RESIDUAL_PERCENTILE)
    others = end(known[first + 1 :], RESIDUAL_PERCENTILE)
    ranges = {name: (0.0, value) if name in ROOTED else (-value, value) for name, value in ends.items()}
    return {name: fixed.get(name) or ranges.get(name) or (-others, others) for name in BANDS}


def pack(model: np.ndarray, ranges: dict[str, tuple[float, float]]) -> np.ndarray:
    """Bands (len(BANDS), ...) as bytes (BYTES, ...), uint8. The limit is 0 where a pixel is unknown, else 1 or more."""
    known = np.isfinite(model).all(axis=0)
    digits = []
    for name, values in zip(BANDS, model, strict=True):
        low, high = ranges[name]
        share = np.clip(
            (_curved(name, np.where(known, values, low)) - _curved(name, low)) / _span(name, low, high), 0, 1
        )
        # an even number of steps about the middle: a coefficient of zero stays zero
        code = np.rint(share * _steps(name, low)).astype(np.int64)
        if name == "limit":
            code = np.maximum(code, 1)
        digits += [code >> shift & 15 for shift in range(BITS[name] - 4, -1, -4)]
    halves = np.where(known, np.stack(digits), 0)
    return (halves[::2] << 4 | halves[1::2]).astype(np.uint8)


def unpack(packed: np.ndarray, ranges: dict[str, tuple[float, float]]) -> np.ndarray:
    """Bands (len(BANDS), ...), float32, of bytes (BYTES, ...); NaN where unknown."""
    halves = np.stack([packed >> 4, packed & 15], axis=1).reshape(2 * len(packed), *packed.shape[1:]).astype(np.int64)
    model = np.empty((len(BANDS), *packed.shape[1:]), np.float32)
    at = 0
    for index, name in enumerate(BANDS):
        low, high = ranges[name]
        code = np.zeros(packed.shape[1:], np.int64)
        for _ in range(BITS[name] // 4):
            code = code << 4 | halves[at]
            at += 1
        if name == "limit":
            unknown = code == 0
        value = _curved(name, low) + code / _steps(name, low) * _span(name, low, high)
        model[index] = value**2 if name in ROOTED else np.exp(value) if name == "roughness" else value
    model[:, unknown] = np.nan
    return model


def _steps(name: str, low: float) -> int:
    return 2 ** BITS[name] - (2 if low < 0 else 1)


def _curved(name: str, value: np.ndarray | float) -> np.ndarray:
    if name in ROOTED:
        return np.sqrt(np.maximum(value, 0))
    return np.log(value) if name == "roughness" else np.asarray(value)


def _span(name: str, low: float, high: float) -> np.ndarray:
    return _curved(name, high) - _curved(name, low)
