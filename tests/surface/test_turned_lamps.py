"""A lamp table that is turned or mirrored against the pictures is told, and a right one is not blamed."""

from dataclasses import replace

import numpy as np
import pytest
from lobes import coordinates, light_of, lobe_of, near_dome, noise_of, noisy, reflectance_of

from lightdome import store
from lightdome.surface.region import Region
from lightdome.surface.steps import solve_normals
from lightdome.surface.turned import SURE, bend_and_twist, doubt_about_lamps

SHAPE, PITCH_MM = (56, 60), 0.05
LAMPS = near_dome(24, camera_distance_mm=None)
NOISE = noise_of(0.001, shot=0.003, gain=0.01)
METAL, MATTE = (0.0, 0.6), (0.5, 0.0)


def bumpy(x, y):
    return np.stack([0.3 * np.sin(4 * x) * np.cos(3 * y), 0.225 * np.cos(4 * x) * np.sin(3 * y)])


def grooves(x, y):
    """Two grooves that cross."""
    slopes = np.zeros((2, *x.shape))
    for turn, place in ((0.3, 0.2), (1.9, -0.4)):
        across = (x * np.cos(turn) + y * np.sin(turn) - place) / 0.06
        wall = 0.5 * across * np.exp(-(across**2))
        slopes += np.stack([wall * np.cos(turn), wall * np.sin(turn)])
    return slopes


def nearly_flat(x, y):
    return np.stack([0.004 * np.sin(2 * x), 0.003 * np.cos(2 * y)])


def flat(x, y):
    return np.zeros((2, *x.shape)) + 0 * y


def turned(lamps, degrees):
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return replace(lamps, vectors=lamps.vectors @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]))


def mirrored(lamps):
    return replace(lamps, vectors=lamps.vectors * np.array([-1, 1, 1]))


TABLES = {
    "turned by 90": lambda lamps: turned(lamps, 90),
    "turned by 45": lambda lamps: turned(lamps, 45),
    "mirrored": mirrored,
}


def solve(field, relief, kind, table, noise=NOISE, lamps=LAMPS, method="microfacet"):
    """The warning in lobe.json of a plate of a relief, photographed under some lamps and solved under others."""
    x, y = np.meshgrid(*coordinates(SHAPE, PITCH_MM))
    light = light_of(lobe_of(roughness=0.25), lamps, relief(x, y), reflectance_of(SHAPE, *kind, 0.25), PITCH_MM)
    field.write_stack(noisy(light, noise).astype(np.float32), table(lamps), PITCH_MM)
    paths = [field.folder / name for name in ("n.tif", "u.tif", "r.tif", "f.tif", "lobe.json")]
    solve_normals(field.stack, field.lamps, *paths, method=method)
    return store.read_json(paths[-1])["warning"]


@pytest.mark.parametrize("kind", [METAL, MATTE], ids=["metal", "matte"])
@pytest.mark.parametrize(("relief", "louder"), [(bumpy, 1), (grooves, 1), (nearly_flat, 3), (flat, 1)])
def test_a_right_table_is_not_blamed(field, capsys, kind, relief, louder):
    assert solve(field, relief, kind, lambda lamps: lamps, louder**2 * NOISE) is None
    assert "warning" not in capsys.readouterr().err


def test_a_right_table_of_few_lamps_is_not_blamed_either(field):
    assert solve(field, flat, METAL, lambda lamps: lamps, lamps=near_dome(8, None)) is None


@pytest.mark.parametrize("kind", [METAL, MATTE], ids=["metal", "matte"])
@pytest.mark.parametrize("table", TABLES)
def test_a_wrong_table_is_told(field, capsys, kind, table):
    warning = solve(field, grooves, kind, TABLES[table])
    assert "turned or mirrored" in warning
    assert "compare lamps.csv" in warning
    said = [line for line in capsys.readouterr().err.splitlines() if "warning" in line]
    assert said == [f"solve-normals: warning: stack.zarr.zip: {warning}"]


def test_the_matte_methods_tell_it_too(field):
    assert solve(field, grooves, MATTE, TABLES["turned by 90"], method="least-squares")
    assert solve(field, grooves, MATTE, lambda lamps: lamps, method="least-squares") is None


def ratio(relief, kind, table):
    """Twist over bend of a plate, as the step adds it up."""
    from lightdome.surface.learning import learn_lobe
    from lightdome.surface.sample import sample_of
    from lightdome.surface.solve import solve_region

    place = coordinates(SHAPE, PITCH_MM)
    x, y = np.meshgrid(*place)
    light = light_of(lobe_of(roughness=0.25), LAMPS, relief(x, y), reflectance_of(SHAPE, *kind, 0.25), PITCH_MM)
    light = noisy(light, NOISE).astype(np.float32)
    lamps = table(LAMPS)
    found = solve_region(light, lamps, *place, "microfacet", learn_lobe([sample_of(light, lamps, *place, 6000)]))
    bend, twist, *_ = found.sums().bend_and_twist
    return twist / bend


def test_the_limit_lies_well_between_right_and_wrong():
    assert ratio(grooves, METAL, lambda lamps: lamps) < SURE / 4
    assert ratio(grooves, METAL, TABLES["turned by 90"]) > 19
    assert ratio(grooves, METAL, TABLES["turned by 45"]) > 0.95
    assert ratio(grooves, METAL, TABLES["mirrored"]) > 0.33


def test_slopes_of_a_height_do_not_twist_and_turned_ones_do_nothing_else():
    # z = x^2 + x y: p = 2 x + y, q = x; turned by 90 degrees, p' = -q and q' = p
    y, x = np.meshgrid(-np.arange(30.0), np.arange(40.0), indexing="ij")
    slopes = 0.01 * np.stack([2 * x + y, x])
    good, u_slope = np.ones(x.shape, bool), np.full(x.shape, 1e-5)
    bend, twist, clear, whole = bend_and_twist(slopes, u_slope, good)
    assert whole == clear == 29 * 39
    assert bend == pytest.approx(0.02**2 * whole)
    assert twist == pytest.approx(0, abs=1e-12)
    bend, twist, *_ = bend_and_twist(np.stack([-slopes[1], slopes[0]]), u_slope, good)
    assert twist == pytest.approx(0.02**2 * whole)
    assert bend == pytest.approx(0, abs=1e-12)


def test_pixels_that_are_not_good_are_in_no_quadruple():
    good = np.ones((6, 7), bool)
    good[2, 3] = False
    slopes = np.zeros((2, 6, 7))
    slopes[:, 2, 3] = np.nan
    assert bend_and_twist(slopes, np.full((6, 7), 1e-3), good).tolist() == [0, 0, 0, 5 * 6 - 4]
    # too few, and too small a share of all
    assert doubt_about_lamps(np.array([0.0, 1.0, 99.0, 200.0])) is None
    assert doubt_about_lamps(np.array([0.0, 1.0, 200.0, 30000.0])) is None
    assert doubt_about_lamps(np.array([0.0, 1.0, 200.0, 2000.0]))
    assert doubt_about_lamps(np.zeros(4)) is None


def test_a_region_adds_up_what_it_trusts():
    shape = (30, 40)
    slopes = np.stack([np.tile(np.arange(40) * 0.01, (30, 1)), np.zeros(shape)]).astype(np.float32)
    flags = np.zeros(shape, np.uint8)
    flags[:, 20:] = 4
    region = Region(
        slopes, np.full(shape, 1e-4, np.float32), np.zeros((5, *shape), np.float32), np.zeros(shape, np.float32), flags
    )
    sums = region.sums()
    assert sums.solved == 1200
    assert sums.counts()["light that the model does not explain"] == 600
    assert sums.bend_and_twist[3] == 29 * 19
    assert sums.doubt_about_lamps() is None
