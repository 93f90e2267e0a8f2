"""Structure of etched areas of known structure: scattered and latticed pits, drawn grains, hatching, bare floors."""

import json

import numpy as np
import pytest

from lightdome.marks import structure as structure_file
from lightdome.marks.evaluation_window import fullest_window
from lightdome.marks.point_pattern import density_by_depth, nearest_neighbours
from lightdome.marks.straight_runs import straight_share
from lightdome.marks.structure import structure_of
from lightdome.raster import Grid
from lightdome.synthetic import drawing as d
from lightdome.synthetic import truth
from lightdome.synthetic.plates import make_surface
from lightdome.synthetic.shapes import grain

PITCH_MM = 0.02
SHAPE = (420, 500)
NOISE_UM = 0.1


def pitted(places_px, shape=SHAPE, radius_px=3.0, depth_um=5.0, seed=1):
    """Round pits of a Gaussian section in a noisy floor."""
    height = np.random.default_rng(seed).normal(0, NOISE_UM / 2, shape)
    y, x = np.mgrid[: shape[0], : shape[1]]
    floor = np.zeros(shape)
    for row, col in places_px:
        near = tuple(slice(max(int(at) - 10, 0), int(at) + 11) for at in (row, col))
        away2 = (y[near] - row) ** 2 + (x[near] - col) ** 2
        floor[near] = np.minimum(floor[near], -depth_um * np.exp(-away2 / radius_px**2))
    return height + floor


def structure(height, noise_um=NOISE_UM, inside=None):
    found = structure_of(height, np.ones(height.shape, bool) if inside is None else inside, PITCH_MM, noise_um)
    json.dumps(found.as_dict())
    return found


def lattice(kind, spacing_px=25.0):
    rows, cols = np.mgrid[0:30, 0:30]
    row_step = spacing_px * (np.sqrt(3) / 2 if kind == "hexagonal" else 1)
    places = np.stack([rows * row_step, (cols + 0.5 * (rows % 2) * (kind == "hexagonal")) * spacing_px], axis=-1)
    places = places.reshape(-1, 2) + 12
    return places[(places < np.array(SHAPE) - 8).all(axis=1)]


def drawn(etched, shape=(240, 260), seed=3):
    grid = Grid(shape, PITCH_MM)
    return truth.height_um(make_surface(d.Drawing(etched=etched), grid, 2, seed), (0, shape[0]))[0]


# Clark & Evans 1954: 1 at random, 2 for a square lattice, 2 / (12^(1/4) / 2) = 2.1491 for a hexagonal one
@pytest.mark.parametrize(("kind", "ratio"), [("square", 2.0), ("hexagonal", 2.1491)])
def test_pits_on_a_lattice_have_the_published_ratio(kind, ratio):
    places = lattice(kind)
    found = structure(pitted(places))
    assert found.verdict == "grained"
    assert found.grain_kind == "dales"
    assert found.grain_count == pytest.approx(len(places), abs=1)
    # counted on an area whose edge cuts no cell in half, the ratio would be exact
    assert found.neighbours.ratio == pytest.approx(ratio, rel=0.04)
    assert found.neighbours.z > 10
    assert any("evenly spread" in sentence for sentence in found.evidence)


def test_scattered_pits_are_a_random_scatter():
    places = np.random.default_rng(4).uniform(0, 1, (260, 2)) * SHAPE
    found = structure(pitted(places))
    assert found.verdict == "grained"
    assert found.neighbours.ratio == pytest.approx(1, abs=0.1)
    assert abs(found.neighbours.z) < 3
    # pits that overlap, and those of the edge, are fewer
    off_edge_mm2 = found.area_mm2
    assert found.grains_per_mm2 == pytest.approx(260 / (SHAPE[0] * SHAPE[1] * PITCH_MM**2), rel=0.12)
    assert found.u_grains_per_mm2 == pytest.approx(np.sqrt(found.grain_count) / off_edge_mm2)


def test_ratio_of_random_points_is_unbiased_in_an_area_of_any_outline():
    # 200 scatters over a ring: mean of R 1, spread of z 1 (Clark & Evans 1954)
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:300, 0:300] - 150.0
    ring = (np.hypot(x, y) < 145) & (np.hypot(x, y) > 40)
    found = []
    for _ in range(200):
        places = rng.uniform(0, 299, (400, 2))
        at = np.rint(places).astype(int)
        found.append(nearest_neighbours(places[ring[at[:, 0], at[:, 1]]], ring))
    ratios, z = np.array([one.ratio for one in found]), np.array([one.z for one in found])
    assert ratios.mean() == pytest.approx(1, abs=0.01)
    assert 0.8 < z.std() < 1.25


def test_clusters_lie_closer_than_at_random():
    rng = np.random.default_rng(6)
    parents = rng.uniform(40, 360, (25, 2))
    places = (parents[:, None] + rng.normal(0, 5, (25, 8, 2))).reshape(-1, 2)
    found = nearest_neighbours(places, np.ones((400, 400), bool))
    assert found.ratio < 0.6
    assert found.z < -5


def test_diameter_of_pits_is_that_of_their_section():
    # exp(-r^2/R^2) is a half at R sqrt(ln 2); the S-filter of four pixels widens it a little
    radius_px = 6.0
    found = structure(pitted(lattice("square", 40.0), radius_px=radius_px))
    sigma2 = radius_px**2 / 2 + (0.18739 * 4) ** 2
    expected_um = 2 * np.sqrt(2 * np.log(2) * sigma2) * PITCH_MM * 1000
    assert found.diameter_um[1] == pytest.approx(expected_um, rel=0.05)
    assert found.grain_height_um == pytest.approx(5 * radius_px**2 / (2 * sigma2), rel=0.06)


@pytest.mark.parametrize("grain_mm", [0.02, 0.035, 0.05])
@pytest.mark.parametrize("tops", [0.3, 0.9])
def test_drawn_grains_are_grains_that_keep_their_distance(grain_mm, tops):
    outline = ((-2.3, -2.1), (2.3, -2.1), (2.3, 2.1), (-2.3, 2.1))
    height = drawn((d.EtchedArea(outline, 20.0, grain_mm=grain_mm, tops=tops),))
    grid = Grid(height.shape, PITCH_MM)
    inside = (np.abs(grid.x_mm())[None, :] < 2.3) & (np.abs(grid.y_mm())[:, None] < 2.1)
    found = structure(height, 0.3, inside)
    assert found.verdict == "grained"
    assert found.neighbours.ratio > 1.15  # bumps of a filtered noise do not overlap
    assert found.neighbours.z > 2
    # the filter's standard deviation, and bumps cut off at half their height that run together
    spacing_mm = found.grains_per_mm2**-0.5
    assert 3 < spacing_mm / grain_mm < 14
    assert found.Str > 0.5
    assert found.Std_deg is None
    assert found.depth_um[2] == pytest.approx(20 * (1 - tops / 2), rel=0.25)


@pytest.mark.parametrize(
    ("directions", "spacing_mm", "width_um"),
    [((30, 120), 0.4, 80), ((0, 90), 0.3, 120), ((45, 100), 0.25, 70), ((20,), 0.2, 80)],
)
def test_hatching_is_built_of_lines(directions, spacing_mm, width_um):
    rng = np.random.default_rng(7)
    lines = []
    for direction in directions:
        along = np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction))])
        across = np.array([-along[1], along[0]])
        for offset in np.arange(-4, 4, spacing_mm):
            middle = across * (offset + rng.normal(0, 0.015))
            points = (middle - 5 * along, middle + 0.03 * across, middle + 5 * along)
            lines.append(
                d.EtchedLine(tuple(tuple(point) for point in points), width_um * rng.uniform(0.85, 1.15), 15.0)
            )
    found = structure(drawn(tuple(lines)), 0.3)
    assert found.verdict == "line-built"
    assert found.straight_share > 0.8
    assert any("straight runs" in sentence for sentence in found.evidence)
    if len(directions) == 1:
        assert (found.Std_deg - directions[0] + 90) % 180 - 90 == pytest.approx(0, abs=2)


@pytest.mark.parametrize("correlation_px", [0.01, 1.0, 2.0, 4.0])
def test_noise_alone_is_no_grain(correlation_px):
    noise = NOISE_UM * grain(SHAPE, (correlation_px, correlation_px), np.random.default_rng(8))
    x = np.arange(SHAPE[1])
    found = structure(noise - 20 - 3 * np.sin(2 * np.pi * x / 2000))
    assert found.verdict == "continuous"
    assert found.grain_count <= 1
    assert found.depth_um[2] == pytest.approx(20, abs=4)


def test_a_level_floor_is_continuous():
    found = structure(np.full((60, 60), -7.0), 0.0)
    assert found.verdict == "continuous"
    assert found.grain_count == 0
    assert found.depth_um == pytest.approx((7, 7, 7, 7, 7))


def test_more_grains_where_it_is_deeper():
    rng = np.random.default_rng(9)
    places = np.stack([rng.uniform(0, 400, 700), 500 * np.sqrt(rng.uniform(0, 1, 700))], axis=1)
    depth = np.broadcast_to(np.arange(500) / 25.0, (400, 500))
    found = density_by_depth(places, depth, np.ones((400, 500), bool))
    assert found.rank_correlation > 0.7
    assert found.p < 0.001
    assert found.windows > 20
    even = density_by_depth(rng.uniform(0, 1, (700, 2)) * (400, 500), depth, np.ones((400, 500), bool))
    assert abs(even.rank_correlation) < 0.4


def test_straight_share_of_known_figures():
    y, x = np.mgrid[0:300, 0:300]
    assert straight_share((x + 2 * y) % 40 < 15) == pytest.approx(1, abs=0.03)
    rings = np.hypot(x - 150, y - 150) % 30 < 8
    assert 0.2 < straight_share(rings) < 0.9  # bent strokes: the outer ones are straight over eight widths
    dots = np.hypot(x % 20 - 10, y % 20 - 10) < 6
    assert straight_share(dots) < 0.02
    assert straight_share(np.zeros((30, 30), bool)) == 0
    wide = np.repeat(np.repeat((x[:100, :100] + y[:100, :100]) % 20 < 8, 10, axis=0), 10, axis=1)
    assert straight_share(wide) > 0.9  # looked at in larger pixels


def test_structure_does_not_depend_on_height_above_or_on_unknown_pixels():
    places = lattice("square")
    height = pitted(places)
    whole = structure(height)
    height[200:206, 100:140] = np.nan
    holed = structure(height - 30)
    assert holed.verdict == whole.verdict
    assert holed.grain_count == pytest.approx(whole.grain_count, abs=8)
    assert holed.depth_um[2] == pytest.approx(whole.depth_um[2] + 30, abs=0.1)


@pytest.mark.parametrize("shape", [(1, 1), (8, 8), (11, 100), (25, 25)])
def test_small_areas_have_no_structure(shape):
    assert structure_of(np.zeros(shape), np.ones(shape, bool), PITCH_MM, 0.1) is None
    assert structure_of(np.full((60, 60), np.nan), np.ones((60, 60), bool), PITCH_MM, 0.1) is None
    assert structure_of(np.zeros((60, 60)), np.zeros((60, 60), bool), PITCH_MM, 0.1) is None


def test_large_areas_are_looked_at_in_one_window(monkeypatch):
    whole = structure(pitted(lattice("square")))
    assert whole.looked_at_share == 1
    monkeypatch.setattr(structure_file, "MOST_SIDE_PX", 300)
    part = structure(pitted(lattice("square")))
    assert part.looked_at_share == pytest.approx(300 * 300 / ((SHAPE[0] - 8) * (SHAPE[1] - 8)))
    assert part.verdict == whole.verdict
    assert part.grains_per_mm2 == pytest.approx(whole.grains_per_mm2, rel=0.1)
    assert any("one window" in sentence for sentence in part.evidence)


def test_fullest_window_holds_most_of_the_area():
    inside = np.zeros((100, 300), bool)
    inside[40:90, 210:290] = True
    rows, cols = fullest_window(inside, 100)
    assert inside[rows, cols].sum() == inside.sum()
    assert fullest_window(np.ones((7, 9), bool), 100) == (slice(0, 100), slice(0, 100))
