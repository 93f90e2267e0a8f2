"""Was the room's light left on? What the small pictures and the darkest pixels say where no ambient frame does.

Three signs, none of which a clean session of matt or metal plates shows:

- plain least squares of a matt plate leaves the same rest under every lamp;
- the darkest pixels, in the shadows of the relief, are no darker under dim lamps than under bright ones;
- the photographs follow from one another clearly better once the same light is taken off all of them.

Room light can be no more than what the darkest pixels hold.
"""

from dataclasses import dataclass

import numpy as np

from lightdome.session.predict import FEWEST, predict

LEAST_SHARE = 0.02
"""Of the usual light; less does no harm beside the other errors (a tilt of about a tenth of a degree)."""
SURE_AT = 5.0
AGREE = 1.3
"""Rest of least squares over light of the darkest pixels, up to which they tell of the same thing."""
SAME_FLOOR, LEAST_RANGE = 0.35, 0.25
"""Slope of the darkest over the middle light, as logarithms, under which the floor is the same; and the standard
deviation of the middle's logarithm that is needed to tell."""
BETTER = 0.9
"""Scatter over what it is with nothing taken off. Where no light was on, it rises at once (0.96 at the least, with lamp
powers 1 % off) on computed plates without shadows; plates with dark shadows never come so far."""
TRIED = (0.2, 0.4, 0.6, 0.8, 1.0)
PIXELS = 1500


@dataclass(frozen=True)
class RoomLight:
    """Light that is there without lamps."""

    share: float
    """Of the usual light of a photograph: what is taken to be there, or 0."""
    at_most: float
    """Of the usual light: no more than that can be there."""


def room_light(
    light: np.ndarray, rays: np.ndarray, irradiance: np.ndarray, half: np.ndarray, darkest: np.ndarray, floor: float
) -> RoomLight:
    """Judge a field.

    light, irradiance : (L, P).  rays : (L, 3, P).  half : (L, 2, P).  darkest : (L,) light of the darkest pixels of
    each photograph at full resolution.  floor : light of the size of the noise.
    """
    usual = float(np.nanmedian(light))
    bound = float(np.min(darkest))
    at_most = max(bound, 0.0) / usual
    if len(light) < FEWEST or at_most < LEAST_SHARE:
        return RoomLight(0.0, at_most)
    some = np.linspace(0, light.shape[1] - 1, min(PIXELS, light.shape[1])).astype(int)
    seen, strength, towards = light[:, some], irradiance[:, some], rays[..., some]
    rest = _rest(seen, towards, strength)
    if rest is not None and LEAST_SHARE * usual <= rest <= AGREE * bound:
        return RoomLight(rest / usual, at_most)
    middle = np.log(np.nanmedian(light, axis=1))
    if middle.std() >= LEAST_RANGE and _usual_slope(middle, np.log(darkest)) < SAME_FLOOR:
        return RoomLight(at_most, at_most)
    heard = np.ones(len(light), bool)

    def scatter(share: float) -> float:
        made = predict((seen - share * bound) / strength, half[..., some], floor, heard)
        return float(np.nanmedian(np.abs(made.residual)))

    plain = scatter(0.0)
    tried = [scatter(share) / max(plain, 1e-6) for share in TRIED]
    best = int(np.argmin(tried))
    return RoomLight(TRIED[best] * at_most if tried[best] < BETTER else 0.0, at_most)


def _usual_slope(x: np.ndarray, y: np.ndarray) -> float:
    """Median of the slopes between all pairs of points (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(len(x), 1)
    run = x[second] - x[first]
    return float(np.median((y[second] - y[first])[run != 0] / run[run != 0]))


def _rest(light: np.ndarray, rays: np.ndarray, irradiance: np.ndarray) -> float | None:
    """What least squares of a matt surface leaves alike in all photographs; None where it is not sure."""
    known = np.isfinite(light).all(axis=0)
    if known.sum() < 50:
        return None
    design = np.concatenate([rays * irradiance[:, None], np.ones((len(light), 1, light.shape[1]))], axis=1)[..., known]
    design = design.transpose(2, 0, 1)
    found = (np.linalg.pinv(design) @ light[:, known].T[..., None])[:, 3, 0]
    rest = float(np.median(found))
    scatter = 1.4826 * float(np.median(np.abs(found - rest)))
    return rest if rest > SURE_AT * scatter else None
