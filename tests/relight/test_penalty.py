"""Where the penalty's size comes from: too small follows the noise of few lamps, too large blurs the lobe."""

import numpy as np

from lightdome.relight import fit
from lightdome.relight.basis import hemispherical_harmonics


def error_on_new_lamps(penalty, monkeypatch):
    """Relative error under 200 new lamps of noisy lobes fitted to 20 lamps between 20 and 65 degrees, third order."""
    monkeypatch.setattr(fit, "PENALTY", penalty)
    rng = np.random.default_rng(2)

    def lamps(count):
        z = rng.uniform(np.sin(np.radians(20)), np.sin(np.radians(65)), count)
        azimuth = rng.uniform(0, 2 * np.pi, count)
        flat = np.sqrt(1 - z**2)
        return np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), z], axis=1).astype(np.float32)

    peaks = np.stack([rng.normal(0, 0.2, 300), rng.normal(0, 0.2, 300), np.ones(300)])
    peaks /= np.linalg.norm(peaks, axis=0)
    known, new = lamps(20), lamps(200)
    light = np.clip(known @ peaks, 0, None) ** 4 + rng.normal(0, 0.01, (20, 300))
    ones = np.ones(20, np.float32)
    coefficients = fit.fit_light(light[:, :, None].astype(np.float32), known, ones, ones, 3)[:, :, 0]
    truth = np.clip(new @ peaks, 0, None) ** 4
    predicted = hemispherical_harmonics(new.T, 3).T @ coefficients
    return np.sqrt(np.mean((predicted - truth) ** 2))


def test_the_penalty_is_near_the_best_of_a_sweep(monkeypatch):
    chosen = fit.PENALTY
    sweep = {penalty: error_on_new_lamps(penalty, monkeypatch) for penalty in (0, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1)}
    assert error_on_new_lamps(chosen, monkeypatch) < 1.15 * min(sweep.values())
    assert sweep[0] > 1.2 * min(sweep.values())
    assert sweep[1e-1] > 1.2 * min(sweep.values())
