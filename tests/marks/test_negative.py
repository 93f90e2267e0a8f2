"""Surfaces on which nothing, or one thing alone, may be found: traces on computed heights."""

import numpy as np
from scipy.ndimage import gaussian_filter

from lightdome.marks.detect import Settings, find
from lightdome.marks.field import field_of

PITCH_MM = 0.05


def found_on(height_um: np.ndarray, u_um: float):
    u = np.full(height_um.shape, u_um, np.float32)
    field = field_of(height_um.astype(np.float32), u, 8.0 / PITCH_MM)
    return find(field, Settings.of(PITCH_MM, 500.0, 6.0, 1500.0, 0.25))


def noise(shape: tuple[int, int], sigma_um: float) -> np.ndarray:
    values = gaussian_filter(np.random.default_rng(3).standard_normal(shape), 1.0)
    return sigma_um * values / values.std()


def test_a_blank_plate_and_noise_have_no_line() -> None:
    # 0.16 dm2 of noise that neighbours share: at most one false line a dm2 would be none here, nearly always
    assert [trace for trace in found_on(noise((800, 800), 0.5), 0.5).traces if trace.kind == "valley"] == []


def test_one_scratch_of_200_mm_is_one_trace() -> None:
    shape = (120, 4000)
    rows, cols = np.indices(shape)
    centre = 60 + 25 * np.sin(cols / 1500)
    height = noise(shape, 0.2) - 8.0 * np.clip(1 - np.abs(rows - centre) / 2.0, 0, 1)
    (trace,) = (trace for trace in found_on(height, 0.2).traces if trace.kind == "valley")
    assert trace.length_px > 0.98 * 4000
