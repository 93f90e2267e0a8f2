import numpy as np
import pytest
import scipy.sparse as sparse
from scipy.sparse.linalg import spsolve

from lightdome.surface.filters import smooth
from lightdome.surface.height import divergence, solve_height
from lightdome.surface.height_noise import noise_gains, surroundings_uncertainty
from lightdome.surface.slopes import STEEPEST_DEG, slopes, trust

PITCH_MM = 0.05


def plate(rows, cols, pitch_mm=PITCH_MM):
    """Plate x and y of pixel centres, (rows, cols), mm."""
    return np.meshgrid((np.arange(cols) + 0.5 - cols / 2) * pitch_mm, (rows / 2 - np.arange(rows) - 0.5) * pitch_mm)


def integrate(slope_x, slope_y, weight, pitch_mm=PITCH_MM):
    arrays = [np.ascontiguousarray(array, np.float32) for array in (slope_x, slope_y, weight)]
    return solve_height(divergence(*arrays, pitch_mm * 1000), arrays[2])


def sphere(x, y):
    z = np.sqrt(20.0**2 - x**2 - y**2)
    return z, -x / z, -y / z


def cylinder(x, y):
    z = np.sqrt(15.0**2 - (0.6 * x + 0.8 * y) ** 2)
    return z, -0.6 * (0.6 * x + 0.8 * y) / z, -0.8 * (0.6 * x + 0.8 * y) / z


def saddle(x, y):
    return (x**2 - y**2) / 40, x / 20, -y / 20


def plane(x, y):
    return 0.1 * x - 0.3 * y, np.full_like(x, 0.1), np.full_like(y, -0.3)


def waves(x, y):
    return (
        0.02 * np.sin(3 * x) * np.cos(2 * y),
        0.06 * np.cos(3 * x) * np.cos(2 * y),
        -0.04 * np.sin(3 * x) * np.sin(2 * y),
    )


@pytest.mark.parametrize("shape", [sphere, cylinder, saddle, plane, waves])
@pytest.mark.parametrize("masked", [False, True])
def test_exact_slopes_give_height_within_10_nm(shape, masked):
    # analytic surfaces, 12 x 15 mm
    x, y = plate(240, 300)
    z_mm, slope_x, slope_y = shape(x, y)
    inside = (x**2 + y**2 < 5.5**2) & (np.hypot(x - 2, y) > 0.7) if masked else np.ones(x.shape, bool)
    height = integrate(slope_x, slope_y, inside)
    expected_um = 1000 * (z_mm - z_mm[inside].mean())
    assert np.abs(height - expected_um)[inside].max() < 0.01
    assert np.isnan(height[~inside]).all()


def differences(weight):
    """Matrix of the differences between neighbours inside, and their weights: rows first along x, then along y."""
    rows, cols = weight.shape
    index = np.arange(rows * cols).reshape(rows, cols)
    pairs = np.concatenate(
        [
            np.stack([index[:, :-1], index[:, 1:]], -1).reshape(-1, 2),
            np.stack([index[1:], index[:-1]], -1).reshape(-1, 2),
        ]
    )
    flat = weight.ravel()
    harmonic = 2 * flat[pairs[:, 0]] * flat[pairs[:, 1]] / np.maximum(flat[pairs].sum(axis=1), 1e-30)
    one = np.ones(len(pairs))
    at = np.arange(len(pairs))
    matrix = sparse.csr_matrix((np.r_[-one, one], (np.r_[at, at], pairs.T.ravel())), shape=(len(pairs), flat.size))
    return matrix, harmonic


def by_spsolve(slope_x, slope_y, weight, pitch_mm=PITCH_MM):
    """The same weighted least squares by a sparse direct solve; one pixel held, mean taken out after."""
    matrix, harmonic = differences(weight)
    padded_x = np.where(weight > 0, slope_x, np.nan)
    padded_y = np.where(weight > 0, slope_y, np.nan)[::-1].T
    rise_x = between(padded_x).ravel()
    rise_y = between(padded_y).T[::-1].ravel()
    wanted = pitch_mm * 1000 * np.nan_to_num(np.r_[rise_x, rise_y])
    weights = sparse.diags(harmonic)
    inside = np.flatnonzero(weight.ravel() > 0)
    normal = (matrix.T @ weights @ matrix).tocsr()[inside][:, inside]
    right = (matrix.T @ (harmonic * wanted))[inside]
    found = np.zeros(len(inside))
    found[1:] = spsolve(normal[1:, 1:].tocsc(), right[1:])
    height = np.full(weight.size, np.nan)
    height[inside] = found - found.mean()
    return height.reshape(weight.shape)


def between(slope):
    """Mean slope between neighbours along the last axis, written out from the formulas in the solver's docstring."""
    before = np.pad(slope, ((0, 0), (1, 0)), constant_values=np.nan)[:, :-2]
    after = np.pad(slope, ((0, 0), (0, 1)), constant_values=np.nan)[:, 2:]
    here, there = slope[:, :-1], slope[:, 1:]
    rules = [
        (13 * (here + there) - before - after) / 24,
        (5 * here + 8 * there - after) / 12,
        (5 * there + 8 * here - before) / 12,
    ]
    found = (here + there) / 2
    for rule in reversed(rules):
        found = np.where(np.isfinite(rule), rule, found)
    return found


@pytest.mark.parametrize("case", ["rectangle", "masked", "weighted", "masked and weighted"])
def test_height_is_that_of_a_sparse_direct_solve(case):
    # scipy.sparse.linalg.spsolve on the same discretisation
    rng = np.random.default_rng(6)
    slope_x, slope_y = rng.normal(0, 0.1, (2, 60, 70))
    weight = np.ones((60, 70))
    if "weighted" in case:
        weight = rng.uniform(0.05, 1, weight.shape)
    if "masked" in case:
        x, y = plate(60, 70)
        weight = weight * ((np.abs(x) < 1.4) & (np.hypot(x - 0.3, y + 0.2) > 0.4))
    weight = weight.astype(np.float32).astype(float)
    expected = by_spsolve(slope_x.astype(np.float32).astype(float), slope_y.astype(np.float32).astype(float), weight)
    found = integrate(slope_x, slope_y, weight)
    np.testing.assert_allclose(found, expected, atol=0.005)


def test_each_piece_has_its_own_mean_of_zero():
    x, y = plate(80, 120)
    z_mm, slope_x, slope_y = sphere(x, y)
    left, right = x < -0.5, x > 0.4
    height = integrate(slope_x, slope_y, left | right)
    for piece in (left, right):
        assert abs(height[piece].mean()) < 1e-3
        assert np.abs(height - 1000 * (z_mm - z_mm[piece].mean()))[piece].max() < 0.01


@pytest.mark.parametrize("shape", [(1, 1), (1, 2), (2, 3), (5, 1)])
def test_tiny_plates_have_heights(shape):
    height = integrate(np.full(shape, 0.1), np.zeros(shape), np.ones(shape))
    expected = np.broadcast_to((np.arange(shape[1]) - (shape[1] - 1) / 2) * 0.1 * PITCH_MM * 1000, shape)
    np.testing.assert_allclose(height, expected, atol=1e-4)


def test_untrusted_pixels_are_outvoted():
    rng = np.random.default_rng(7)
    bad = rng.random((120, 120)) < 0.05
    slope_x = np.where(bad, rng.normal(0, 1, bad.shape), 0)
    u_slope = np.where(bad, 0.5, 0.01)
    trusted = integrate(slope_x, np.zeros_like(slope_x), trust(u_slope, 0.01))
    equal = integrate(slope_x, np.zeros_like(slope_x), np.ones_like(slope_x))
    assert trusted.std() < 0.3 * equal.std()


def test_steep_and_unknown_normals():
    tilt = np.radians([0, 45, 80, 95])
    normals = np.stack([np.sin(tilt), np.zeros(4), np.cos(tilt)])[:, None, :].astype(np.float32)
    slope_x, slope_y = slopes(normals)
    limit = -np.tan(np.radians(STEEPEST_DEG))
    np.testing.assert_allclose(slope_x[0, :3], [0, -1, limit], rtol=1e-6)
    assert np.isnan(slope_x[0, 3])
    assert np.isfinite(slope_y[0, :3]).all()


def test_white_slope_noise_s_moves_heights_by_about_s_pitches():
    # 1.1-1.2 x s x pitch in a simulation made elsewhere on larger fields; it grows with the logarithm of the size
    rng = np.random.default_rng(8)
    fields = [integrate(*rng.normal(0, 0.01, (2, 300, 300)), np.ones((300, 300))) for _ in range(8)]
    assert 0.95 < np.sqrt(np.mean(np.square(fields))) / (0.01 * PITCH_MM * 1000) < 1.2


@pytest.mark.parametrize("pitch_mm", [0.02, 0.05])
@pytest.mark.parametrize("stated", [True, False])
def test_95_percent_intervals_of_height_hold_the_truth_under_slope_noise(pitch_mm, stated):
    # Monte Carlo: a flat plate whose right half is five times noisier; with the noise stated, and left to be seen
    rng = np.random.default_rng(9)
    noise = np.where(np.arange(500) < 250, 0.004, 0.02) * np.ones((500, 1))
    slope_x, slope_y = (rng.normal(0, 1, (2, 500, 500)) * noise).astype(np.float32)
    height = integrate(slope_x, slope_y, np.ones((500, 500)), pitch_mm)
    u_slope = (noise if stated else np.full_like(noise, np.nan)).astype(np.float32)
    u_um = surroundings_uncertainty(u_slope, slope_x, slope_y, height, pitch_mm, 0.0)
    stands_out = height - smooth(height, 2 / pitch_mm)
    within = np.abs(stands_out) < 1.96 * u_um
    for half in (np.s_[60:-60, 60:230], np.s_[60:-60, 270:-60]):
        assert 0.92 < within[half].mean() < 0.975


def test_a_shared_slope_gain_is_in_the_uncertainty_of_depth():
    x = plate(200, 200)[0]
    depth_um = 40 * np.exp(-((x / 0.15) ** 2)).astype(np.float32)
    slope_x = np.gradient(-depth_um, PITCH_MM * 1000, axis=1)
    height = integrate(slope_x, np.zeros_like(slope_x), np.ones_like(slope_x))
    u_um = surroundings_uncertainty(np.zeros_like(height), slope_x, np.zeros_like(height), height, PITCH_MM, 0.1)
    stands_out = np.abs(height - smooth(height, 2 / PITCH_MM))
    assert u_um[100, 100] == pytest.approx(0.1 * stands_out[100, 100], rel=0.1)


def test_noise_gain_falls_with_a_coarser_pitch():
    fine, coarse = noise_gains(0.02)[0], noise_gains(0.1)[0]
    assert coarse < fine < 1
