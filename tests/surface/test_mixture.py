"""Non-negative least squares against scipy's, and pixels that hold several slopes of known shares."""

import numpy as np
import pytest
from lobes import NOISE, coordinates, flat_list, light_of, lobe_of, near_dome, noisy, reflectance_of
from scipy.optimize import nnls

from lightdome.lights.field import lamp_field, view_field
from lightdome.surface.block import Seen
from lightdome.surface.facets import solve_facets
from lightdome.surface.microfacet import fit_lobes
from lightdome.surface.neighbours import local_median, smoother_and_rougher
from lightdome.surface.non_negative import MOST_LOBES, non_negative
from lightdome.surface.region import FLAG_SEVERAL

LAMPS = near_dome(48, camera_distance_mm=None)
SHAPE, PITCH_MM = (24, 24), 0.05
PIXELS = {
    "two, one side level": [(0.5, (0.0, 0.0)), (0.5, (0.5, 0.0))],
    "two, opposite": [(0.6, (0.3, 0.0)), (0.4, (-0.3, 0.1))],
    "three, a groove": [(0.4, (0.0, 0.0)), (0.3, (0.5, 0.1)), (0.3, (-0.45, 0.2))],
    "three, askew": [(0.3, (0.1, 0.1)), (0.4, (0.4, -0.2)), (0.3, (-0.2, 0.3))],
}
"""Share and slope of the facets; turned by a random angle from pixel to pixel."""


def solve(design, wanted, tie=0.0, start=()):
    """By `non_negative`: the last column of the design is the pixel's own lobe, the one before it the diffuse part."""
    matrix = (design.T @ design).astype(np.float32)
    count = len(matrix)
    members, found = np.zeros(MOST_LOBES, np.int64), np.empty(count, np.float32)
    members[: len(start)] = start
    right = (design.T @ wanted).astype(np.float32)
    shared, cross, own = matrix[:-1, :-1].copy(), matrix[-1, :-1].copy(), matrix[-1, -1]
    size = non_negative(shared, cross, own, np.float32(tie), right, members, len(start), found)
    np.testing.assert_array_equal(np.sort(members[:size]), np.flatnonzero(found))
    return found


@pytest.mark.parametrize("tie", [0.0, 2.0])
def test_non_negative_least_squares_are_those_of_scipy(tie):
    rng = np.random.default_rng(9)
    most = 0
    for trial in range(300):
        unknowns = int(rng.integers(3, 40))
        design = rng.random((60, unknowns)) if trial % 2 else rng.standard_normal((60, unknowns))
        design = np.vstack([design, 0.1 * np.eye(unknowns)])  # a ridge, so that the answer is one
        wanted = np.append(rng.random(60) - 0.2 * (trial % 3), np.zeros(unknowns))
        tied = np.full((1, unknowns), np.sqrt(tie))
        tied[0, -2] = 0
        expected, _ = nnls(np.vstack([design, tied]), np.append(wanted, 0))
        start = rng.permutation(unknowns)[: int(rng.integers(0, min(unknowns, MOST_LOBES)))] if trial % 5 else ()
        found = solve(design, wanted, tie, start)
        assert (found >= 0).all()
        if (expected > 0).sum() > MOST_LOBES:
            continue
        costs = [((design @ x - wanted) ** 2).sum() + tie * (x.sum() - x[-2]) ** 2 for x in (found, expected)]
        assert costs[0] <= costs[1] * 1.01
        most = max(most, int((expected > 0).sum()))
    assert most > 15


def test_nothing_wanted_is_nothing():
    np.testing.assert_array_equal(solve(np.eye(5), -np.ones(5)), 0)
    np.testing.assert_array_equal(solve(np.eye(5), np.zeros(5)), 0)


def plate(lobe, parts, seed=10):
    """Light of a nearly level metal with one mixed pixel in 36, its mean slopes, and where the mixed pixels are."""
    rng = np.random.default_rng(seed)
    reflectance = reflectance_of(SHAPE, 0.0, 0.6, lobe.roughness)
    truth = rng.normal(0, 0.01, (2, *SHAPE))
    light = light_of(lobe, LAMPS, truth, reflectance, PITCH_MM)
    mixed = np.zeros(SHAPE, bool)
    mixed[3::6, 3::6] = True
    turn = rng.uniform(0, 2 * np.pi, SHAPE)
    together, mean = np.zeros_like(light), np.zeros_like(truth)
    for share, (x, y) in parts:
        slopes = np.stack([np.cos(turn) * x - np.sin(turn) * y, np.sin(turn) * x + np.cos(turn) * y])
        together += share * light_of(lobe, LAMPS, slopes, reflectance, PITCH_MM)
        mean += share * slopes
    light = noisy(np.where(mixed, together, light), NOISE, seed)
    return light.astype(np.float32), np.where(mixed, mean, truth), mixed


def between_deg(slopes, others):
    normals = [np.stack([-x, -y, np.ones_like(x)]) for x, y in (slopes, others)]
    return np.degrees(np.arctan2(np.linalg.norm(np.cross(*normals, axis=0), axis=0), (normals[0] * normals[1]).sum(0)))


@pytest.mark.parametrize("name", PIXELS)
@pytest.mark.parametrize(("tail", "roughness"), [(2.0, 0.2), (2.0, 0.3), (np.inf, 0.2), (np.inf, 0.4)])
def test_the_mean_slope_of_several_facets_is_found(name, tail, roughness):
    lobe = lobe_of(tail, roughness=roughness, noise=NOISE)
    light, truth, mixed = plate(lobe, PIXELS[name])
    found = solve_facets(light, LAMPS, *coordinates(SHAPE, PITCH_MM), lobe)
    error_deg = between_deg(found.slopes, truth)
    assert error_deg[mixed].mean() < 2
    assert error_deg[~mixed].mean() < 0.05
    said = (found.flags & FLAG_SEVERAL) > 0
    assert said[mixed].all()
    assert said[~mixed].mean() < 0.1
    # k = 2 of the stated uncertainty holds nearly all of them
    assert (error_deg[mixed] < 2 * np.sqrt(2) * np.degrees(found.u_tilt_rad[mixed])).mean() > 0.9


@pytest.mark.parametrize(("tail", "roughness"), [(2.0, 0.2), (np.inf, 0.2), (np.inf, 0.3)])
def test_where_one_lobe_is_far_off(tail, roughness):
    lobe = lobe_of(tail, roughness=roughness, noise=NOISE)
    light, truth, mixed = plate(lobe, PIXELS["three, a groove"])
    place = coordinates(SHAPE, PITCH_MM)
    toward, irradiance = lamp_field(LAMPS, *place)
    rays = [flat_list(array) for array in (light, toward, irradiance, view_field(LAMPS, *place))]
    single = fit_lobes(Seen.given(*rays), lobe, np.full(mixed.size, roughness), True, 10).slopes.reshape(2, *SHAPE)
    of_one = between_deg(single, truth)[mixed].mean()
    of_several = between_deg(solve_facets(light, LAMPS, *place, lobe).slopes, truth)[mixed].mean()
    assert of_one > 2
    assert of_several < of_one / 2


def test_the_median_of_the_good_neighbours_is_that_of_numpy():
    rng = np.random.default_rng(11)
    values, good = rng.random((20, 21)), rng.random((20, 21)) < 0.7
    found = local_median(values, good, 9.0)
    for row in range(2, 18):
        for col in range(2, 19):
            window = np.s_[row - 2 : row + 3, col - 2 : col + 3]
            some = np.sort(values[window][good[window]])
            if len(some) >= 13:  # the two medians that enclose it are neighbours of the median in rank
                missing = 25 - len(some)
                low, high = some[12 - missing], some[12]
                assert found[row, col] == pytest.approx((low + high) / 2, rel=1e-6)
                assert low <= np.median(some) <= high
    assert (local_median(values, np.zeros_like(good), 9.0) == 9).all()


def test_smoother_and_rougher_are_the_extremes_of_the_window():
    values = np.random.default_rng(12).random((12, 13)).astype(np.float32)
    low, high = smoother_and_rougher(values)
    window = np.s_[4:9, 3:8]
    assert low[6, 5] == values[window].min()
    assert high[6, 5] == values[window].max()
