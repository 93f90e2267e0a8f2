"""How strong each lamp is, from light on something whose shape is known: a flat board, or the plate itself."""

import warnings

import numpy as np

FEWEST_LAMPS_MATTE, FEWEST_LAMPS_SHINING, FEWEST_SAMPLES, MOST_SAMPLES = 6, 24, 200, 4000
"""Under which the plate's own light says nothing of its lamps' powers: a matte sample takes three numbers of its lamps,
a shining plate's reflection takes up to eleven of all lamps."""
MATTE_MISS = 0.12
"""Median relative residual of a matte plate, shadows and facets in the pixels included; metal has several times it."""
EVEN_MISS = 0.15
"""The same where all lamps are taken as equal: on a flat plate a lobe looks like uneven lamps, but much more uneven."""
SHADED = 0.2
"""Of a sample's mean light: under it a lamp grazes or is shaded there, and its ratio says nothing."""
DEGREES = range(2, 9)
OUTLIER, ROUNDS, PARTS = 2.0, 30, 8
"""Huber's weight in robust standard deviations; rounds of each iteration; parts of the plate compared."""


def of_board(light: np.ndarray, model: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Relative powers (L,), mean 1, and their relative standard uncertainties, from a matt flat board.

    light : (L, parts), the board's light in some parts of the picture, NaN unknown.  model : (L, parts), what a lamp of
    unit power would give there, cosine included. The board may be unevenly lit by the lens: that is the same for all
    lamps and leaves the ratio between lamps alone.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.log(light / model)
    ratio = np.where(np.isfinite(ratio), ratio, np.nan)
    ratio -= np.nanmedian(ratio, axis=0)
    level = np.nanmedian(ratio, axis=1)
    count = np.maximum(np.isfinite(ratio).sum(axis=1), 1)
    spread = 1.4826 * np.nanmedian(np.abs(ratio - level[:, None]), axis=1)
    power = np.exp(level)
    return power / np.mean(power), np.asarray(spread / np.sqrt(count))


def of_plate(light: np.ndarray, irradiance: np.ndarray, toward: np.ndarray) -> tuple[np.ndarray, np.ndarray, str]:
    """Relative powers (L,), mean 1, their relative standard uncertainties, and how they are known, from the plate.

    light, irradiance : (L, N), samples of the plate's light, and what a lamp of unit power gives a facing point there.
    toward : (L, 3, N), directions to the lamps.

    Where the plate is matte, each sample has a normal and a reflectance, and each lamp a power, that explain its light
    together (alternating least squares, starting at 1). Where it shines, the median light of each lamp is set against
    a smooth function of the lamps' directions, and what is left is the power. All 1, with NaN, where neither says
    anything.
    """
    whole = np.isfinite(light).all(axis=0)
    count = int(whole.sum())
    if len(light) >= FEWEST_LAMPS_MATTE and count >= FEWEST_SAMPLES:
        pick = np.flatnonzero(whole)[:: max(1, count // MOST_SAMPLES)]
        scaled = light[:, pick].astype(float) / irradiance[:, pick]
        value, doubt, first, miss = _matte(scaled, toward[..., pick].astype(float))
        if first < EVEN_MISS and miss < MATTE_MISS:
            return value, doubt, "from the plate, taken as matte"
        if len(light) >= FEWEST_LAMPS_SHINING:
            return *_shining(scaled, toward[..., pick]), "from the plate, as far as lamps differ from their neighbours"
    return np.ones(len(light)), np.full(len(light), np.nan), "taken as equal"


def _matte(scaled: np.ndarray, toward: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Powers (L,) of a matte plate, their doubt, and median relative residuals with equal powers and with these.

    scaled : (L, N), light over irradiance.  toward : (L, 3, N).
    """
    power = np.ones(len(scaled))
    ratio, first = scaled, np.inf
    directions = np.moveaxis(toward, 2, 0)
    for _ in range(ROUNDS):
        rows = directions * power[None, :, None]
        normals = np.linalg.solve(
            rows.transpose(0, 2, 1) @ rows + 1e-9 * np.eye(3), np.einsum("nli,ln->ni", rows, scaled)[..., None]
        )[..., 0]
        matte = np.einsum("nli,ni->ln", directions, normals)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(matte > SHADED * matte.mean(axis=0), scaled / matte, np.nan)
        if np.isinf(first):
            first = float(np.nanmedian(np.abs(ratio - 1)))
        power = np.nanmedian(ratio, axis=1)
        power /= power.mean()
    parts = np.array_split(np.arange(scaled.shape[1]), PARTS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a part that is all shade under a lamp
        each = np.array([np.nanmedian(ratio[:, part], axis=1) for part in parts])
    miss = float(np.nanmedian(np.abs(ratio / power[:, None] - 1)))
    # parts of a plate err together, so that their scatter is not divided by their number; and of what the matte plate
    # does not explain, a lamp's power may be to blame for its share
    return power, np.hypot(np.nanstd(np.log(each), axis=0), miss / np.sqrt(len(power))), first, miss


def _shining(scaled: np.ndarray, toward: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Powers (L,) of a shining plate and their doubt.

    The median over the plate of the light, less each sample's own mean over the lamps, holds the lamp's power and the
    plate's reflection into the camera. That of all lamps together is a smooth function of the direction: a plane in x
    and y (the plate may be tilted) and a polynomial in the height z. Only unevenness from lamp to lamp can be told, and
    no power that grows evenly with the elevation. What is not larger than its doubt is drawn to none (empirical Bayes).
    """
    lamps = len(scaled)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.log(scaled)
    ratio = ratio[:, np.isfinite(ratio).all(axis=0)]
    ratio = ratio - ratio.mean(axis=0)
    level = np.median(ratio, axis=1)
    x, y, z = toward.mean(axis=2).T
    z = 2 * (z - z.min()) / max(np.ptp(z), 1e-6) - 1
    found = []
    for degree in DEGREES:
        design = np.column_stack([x, y, np.polynomial.legendre.legvander(z, degree)])
        rest, scale = _robust_rest(design, level)
        # generalised cross-validation (Craven and Wahba 1979): what a lamp left out would be missed by
        found.append((scale / (1 - design.shape[1] / lamps), degree, rest, scale, design.shape[1]))
    _, _, rest, scale, numbers = min(found, key=lambda each: each[0])
    parts = np.array_split(np.arange(ratio.shape[1]), PARTS)
    doubt = np.array([np.median(ratio[:, part], axis=1) for part in parts]).std(axis=0)
    smooth = max(scale**2 - float(np.mean(doubt**2)), 0.0)
    power = np.exp(rest * smooth / (smooth + doubt**2 + 1e-12))
    # a function of so many of L numbers takes that share of what it fits
    return power / np.mean(power), np.sqrt(doubt**2 + scale**2 * numbers / lamps)


def _robust_rest(design: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, float]:
    """What a smooth function leaves of values (L,), by Huber's reweighted least squares, and its robust spread."""
    weight = np.ones(len(level))
    rest, scale = level, 0.0
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        rest = level - design @ np.linalg.lstsq(design * root[:, None], level * root, rcond=None)[0]
        scale = 1.4826 * float(np.median(np.abs(rest))) * np.sqrt(len(level) / max(len(level) - design.shape[1], 1))
        weight = 1 / np.maximum(1, np.abs(rest) / max(OUTLIER * scale, 1e-12))
    return rest, scale
