"""A field larger than one block of the stack: no seam where blocks meet, and no bit that depends on the threads."""

import numpy as np
import pytest
from lobes import coordinates, light_of, lobe_of, near_dome, noise_of, noisy, reflectance_of

from lightdome import store
from lightdome.surface.region import FLAG_SEVERAL
from lightdome.surface.steps import solve_normals

SHAPE, PITCH_MM = (300, 280), 0.05
BORDER = store.STACK_BLOCK_PX
NOISE = noise_of(0.001, gain=0.01)
NAMES = ("normals.tif", "uncertainty.tif", "reflectance.tif", "flags.tif", "lobe.json")


@pytest.fixture(scope="module")
def plate():
    """Noisy light of a metal with waves and, here and there, pixels of two slopes."""
    lamps = near_dome(16)
    x, y = np.meshgrid(*coordinates(SHAPE, PITCH_MM))
    slopes = np.stack([0.1 * np.sin(1.5 * x), 0.08 * np.cos(1.7 * y)])
    reflectance = reflectance_of(SHAPE, 0.02, 0.5, 0.27)
    light = light_of(lobe_of(), lamps, slopes, reflectance, PITCH_MM)
    steep = light_of(lobe_of(), lamps, slopes + np.array([0.5, 0.1])[:, None, None], reflectance, PITCH_MM)
    mixed = (np.arange(SHAPE[0])[:, None] % 9 == 4) & (np.arange(SHAPE[1]) % 7 == 3)
    return lamps, noisy(np.where(mixed, (light + steep) / 2, light), NOISE).astype(np.float32), slopes, mixed


def solve(field, plate, threads):
    lamps, light, *_ = plate
    field.write_stack(light, lamps, PITCH_MM)
    solve_normals(field.stack, field.lamps, *(field.folder / name for name in NAMES), threads=threads)
    facts = store.read_json(field.folder / "lobe.json")
    return [field.read(name) for name in NAMES[:4]], {key: facts[key] for key in ("lobe", "warning", "pixels")}


def test_blocks_leave_no_seam_and_threads_no_trace(field, plate):
    (normals, u_deg, reflectance, flags), facts = solve(field, plate, 1)
    others, other_facts = solve(field, plate, 2)
    for one, other in zip((normals, u_deg, reflectance, flags), others, strict=True):
        np.testing.assert_array_equal(one, other)
    assert facts == other_facts
    *_, truth, mixed = plate
    slopes = -normals[:2] / normals[2]
    off = np.where(mixed, np.nan, np.hypot(*(slopes - truth)))
    everywhere = np.nanmedian(off)
    for beside in (off[BORDER - 2 : BORDER + 2], off[:, BORDER - 2 : BORDER + 2]):
        assert np.nanmedian(beside) < 1.3 * everywhere
        # no step from block to block that noise does not make
    steps = [np.diff(slopes - truth, axis=axis) for axis in (1, 2)]
    at_border = np.concatenate([steps[0][:, BORDER - 1].ravel(), steps[1][:, :, BORDER - 1].ravel()])
    # one lobe, not mixtures, which neighbours of either block tell apart
    usual = np.median(np.abs(np.concatenate([steps[0].ravel(), steps[1].ravel()])))
    assert np.median(np.abs(at_border)) < 1.3 * usual
    assert abs(np.median(at_border)) < 0.3 * usual
    said = flags[0].astype(int) & FLAG_SEVERAL > 0
    assert said[mixed].mean() > 0.99
    for beside in (np.s_[BORDER - 2 : BORDER + 2], np.s_[:, BORDER - 2 : BORDER + 2]):
        assert said[beside][~mixed[beside]].mean() < said[~mixed].mean() + 0.02
