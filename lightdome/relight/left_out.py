"""How well lamps that were left out of the fit are predicted."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.relight.fit import fit_light, highest_order
from lightdome.relight.render import render

EVERY = 6
SCALE_PERCENTILE = 99.5
"""White of the linear picture that the signal-to-noise ratio refers to."""


@dataclass(frozen=True)
class LampError:
    """Error of one predicted picture."""

    lamp: str
    rms: float
    """Root mean square difference, in the light's own unit (1 = sensor white)."""
    white: float
    """99.5 percentile of the photographed picture."""

    @property
    def psnr_db(self) -> float | None:
        """Peak signal-to-noise ratio of the picture scaled to its white; None where nothing is known or exact."""
        known = np.isfinite(self.rms) and self.rms > 0 and self.white > 0
        return float(20 * np.log10(self.white / self.rms)) if known else None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        known = bool(np.isfinite(self.rms))
        return {
            "lamp": self.lamp,
            "psnr_db": self.psnr_db,
            "rms": self.rms if known else None,
            "white": self.white if known else None,
        }


@dataclass(frozen=True)
class ModelError:
    """Error of one model over all left-out lamps."""

    lamps: tuple[LampError, ...]

    @property
    def relative_rms(self) -> float:
        """Root mean square over the lamps of rms / white; NaN where no lamp is known."""
        shares = [lamp.rms / lamp.white for lamp in self.lamps if np.isfinite(lamp.rms) and lamp.white > 0]
        return float(np.sqrt(np.mean(np.square(shares)))) if shares else float("nan")

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        relative = self.relative_rms
        squares = [lamp.rms**2 for lamp in self.lamps if np.isfinite(lamp.rms)]
        return {
            "psnr_db": float(-20 * np.log10(relative)) if relative > 0 else None,
            "rms": float(np.sqrt(np.mean(squares))) if squares else None,
            "lamps": [lamp.as_dict() for lamp in self.lamps],
        }


def left_out_lamps(count: int) -> np.ndarray:
    """Indices of every 6th lamp: 5, 11, ...; the last one where there are fewer than 6."""
    return np.arange(min(EVERY, count) - 1, count, EVERY)


def orders_to_try(count: int) -> tuple[int, ...]:
    """Orders 2 and 3 as far as the lamps that stay in the fit carry them; else the highest order that they carry."""
    staying = count - len(left_out_lamps(count))
    carried = highest_order(staying)
    return tuple(order for order in (2, 3) if order <= carried) or (carried,)


def predict_left_out(
    light: np.ndarray, directions: np.ndarray, irradiance: np.ndarray, weight: np.ndarray, order: int
) -> np.ndarray:
    """Light (left-out lamps, rows, columns) under the lamps of `left_out_lamps`, fitted without them.

    Arguments as of `fit_light`.
    """
    out = left_out_lamps(len(light))
    stay = np.setdiff1d(np.arange(len(light)), out)
    coefficients = fit_light(light[stay], directions[stay], irradiance[stay], weight[stay], order)
    predicted = np.empty((len(out), *light.shape[1:]), np.float32)
    for index, lamp in enumerate(out):
        predicted[index] = irradiance[lamp] * render(coefficients, directions[lamp])
    return predicted


def judge(names: tuple[str, ...], measured: np.ndarray, predicted: np.ndarray) -> ModelError:
    """Compare pictures (lamps, rows, columns); pixels unknown in either are left out."""
    errors = []
    for name, picture, guess in zip(names, measured, predicted, strict=True):
        known = np.isfinite(picture) & np.isfinite(guess)
        if not known.any():
            errors.append(LampError(name, float("nan"), float("nan")))
            continue
        difference = guess[known].astype(np.float64) - picture[known]
        white = float(np.percentile(picture[known], SCALE_PERCENTILE))
        errors.append(LampError(name, float(np.sqrt(np.mean(difference**2))), white))
    return ModelError(tuple(errors))
