import numpy as np
import pytest

from lightdome.marks.blur import sharpening
from lightdome.marks.records import Trace
from lightdome.marks.sections import measure_trace

SIZE, SUB, PITCH_MM = 110, 6, 0.015


def v(t, half, depth):
    return -depth * np.clip(1 - np.abs(t) / half, 0, 1)


def v_with_ridges(t, half, depth):
    return v(t, half, depth) + 0.3 * depth * np.clip(1 - np.abs(np.abs(t) - 1.3 * half) / (0.3 * half), 0, 1)


def arch(t, half, depth):
    return -depth * np.cos(np.pi / 2 * np.clip(t / half, -1, 1))


def trapezoid(t, half, depth):
    return -depth * np.clip(2 * (half - np.abs(t)) / half, 0, 1)


def seen(shape, mouth_px, degrees, seed):
    """A straight groove drawn at a sixth of a pixel and averaged over pixels, and its path to the nearest pixel."""
    rng = np.random.default_rng(seed)
    angle = np.radians(degrees)
    along = np.array([np.cos(angle), np.sin(angle)])
    off = rng.uniform(-0.5, 0.5)
    at = (np.arange(SIZE * SUB) + 0.5) / SUB - SIZE / 2
    x, y = np.meshgrid(at, -at)
    depth = 0.35 * mouth_px / 2 * PITCH_MM * 1000
    fine = shape(y * along[0] - x * along[1] - off, mouth_px / 2, depth)
    height = fine.reshape(SIZE, SUB, SIZE, SUB).mean(axis=(1, 3)) + 0.03 * rng.standard_normal((SIZE, SIZE))
    way = np.linspace(-40, 40, 28)
    px, py = way * along[0] - off * along[1], way * along[1] + off * along[0]
    path = np.rint(np.stack([SIZE / 2 - 0.5 - py, px + SIZE / 2 - 0.5], axis=1))
    return measure_trace(height, (0.03, 0.03), Trace(path, mouth_px / 2, "valley"), PITCH_MM), depth


@pytest.mark.parametrize("mouth_px", [5, 6, 8, 14])
@pytest.mark.parametrize(
    ("shape", "half_depth_share"), [(v, 0.5), (v_with_ridges, 0.5), (arch, 2 / 3), (trapezoid, 0.75)]
)
def test_width_and_depth_of_pixel_averaged_grooves_are_right_within_5_percent(shape, half_depth_share, mouth_px):
    # analytic: the drawn section; without the correction a V of 5 pixels comes out 12 % too shallow and too wide
    found = [seen(shape, mouth_px, degrees, seed) for seed, degrees in enumerate((0, 17, 45, 71, 143))]
    depths = [section.depth_um / depth - 1 for section, depth in found]
    widths = [section.width_px / (half_depth_share * mouth_px) - 1 for section, _ in found]
    assert abs(np.mean(depths)) < 0.05
    assert abs(np.mean(widths)) < 0.05
    for section, depth in found:
        assert abs(section.depth_um - depth) < 3 * section.u_depth_um + 0.05 * depth


def test_what_is_no_groove_is_left_as_it_is():
    x = np.linspace(-10, 10, 81)
    flat = sharpening(x, np.zeros_like(x), 0.0, 5.0)
    unknown = sharpening(x, np.full_like(x, np.nan), 0.0, 5.0)
    assert (flat.depth, flat.width) == (unknown.depth, unknown.width) == (1.0, 1.0)
    assert np.isnan(flat.floor_ratio)
