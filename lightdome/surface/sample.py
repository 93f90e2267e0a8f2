"""Pixels of a plate that its lobe and its noise are learned from."""

from dataclasses import dataclass

import numpy as np

from lightdome.lights.field import lamp_field, view_field
from lightdome.lights.lamps import LampSet
from lightdome.surface.block import Seen
from lightdome.surface.lobe import Lobe
from lightdome.surface.microfacet import LobeFit, fit_lobes

FEWEST_USABLE = 8
ITERATIONS = 9


@dataclass(frozen=True)
class Sample:
    """Pixels that the lobe is learned from, arrays as of `Seen.given`."""

    light: np.ndarray
    toward: np.ndarray
    irradiance: np.ndarray
    view: np.ndarray

    def fit(self, lobe: Lobe) -> LobeFit:
        """Fit with free roughness."""
        roughness = np.full(self.light.shape[1], lobe.roughness, np.float32)
        seen = Seen.given(self.light, self.toward, self.irradiance, self.view)
        return fit_lobes(seen, lobe, roughness, True, ITERATIONS)

    def take(self, number: int) -> "Sample":
        """About `number` of the pixels, evenly."""
        step = max(1, self.light.shape[1] // number)
        return Sample(
            self.light[:, ::step].copy(),
            self.toward[:, :, ::step].copy(),
            self.irradiance[:, ::step].copy(),
            self.view[:, ::step].copy(),
        )


def sample_of(light: np.ndarray, lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray, number: int) -> Sample:
    """About `number` pixels of a window (light (L, rows, columns)), on an even lattice, those seen well only."""
    step = max(1, int(np.sqrt(light.shape[1] * light.shape[2] / number)))
    light, x_mm, y_mm = light[:, step // 2 :: step, step // 2 :: step], x_mm[step // 2 :: step], y_mm[step // 2 :: step]
    toward, irradiance = lamp_field(lamps, x_mm, y_mm)
    view = view_field(lamps, x_mm, y_mm)
    seen = np.isfinite(light).sum(axis=0) >= FEWEST_USABLE
    return Sample(light[:, seen], toward[:, :, seen], irradiance[:, seen], view[:, seen])
