"""Near lamps against the table of standards (uneven light from near lamps) and against the lights' own field."""

import numpy as np
import pytest

from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet
from lightdome.raster import Grid
from lightdome.synthetic.lamps import Rig, dome, illuminate

# diagonal 1, lamp at k diagonals and elevation e: (d_far / d_near)^2, ratio of irradiance with the cosine
FALLOFF = [(2, 15, 2.67, 4.35), (4, 15, 1.62, 2.07), (4, 45, 1.42, 1.69), (10, 15, 1.21, 1.34)]
ELEVATIONS = [(2, 15, 19.9, 12.0), (4, 15, 17.1, 13.3), (10, 15, 15.8, 14.3), (4, 45, 50.5, 40.4), (10, 45, 47.1, 43.0)]


def edges(k, elevation_deg, beam_exponent=0.0):
    """Directions and irradiances at the near and the far edge of a plate of diagonal 1, along the lamp's azimuth."""
    e = np.radians(elevation_deg)
    place = np.array([[k * np.cos(e), 0, k * np.sin(e)]])
    rig = Rig(("L",), place, True, np.ones((1, 3)), beam_exponent)
    return illuminate(rig, 0, np.array([0.5, -0.5, 0.0]), np.array([0.0]), np.zeros((1, 3), np.float32))


@pytest.mark.parametrize(("k", "e", "squares", "with_cosine"), FALLOFF)
def test_light_falls_off_as_the_table_says(k, e, squares, with_cosine):
    (_, _, lz), irradiance = edges(k, e)
    assert irradiance[0, 0] / irradiance[0, 1] == pytest.approx(squares, abs=0.006)
    light = (irradiance * lz)[0]
    assert light[0] / light[1] == pytest.approx(with_cosine, abs=0.012)


@pytest.mark.parametrize(("k", "e", "near_deg", "far_deg"), ELEVATIONS)
def test_elevation_seen_at_the_edges_is_that_of_the_table(k, e, near_deg, far_deg):
    (_, _, lz), _ = edges(k, e)
    assert np.degrees(np.arcsin(lz[0, :2])) == pytest.approx([near_deg, far_deg], abs=0.06)


def test_a_facing_point_at_the_origin_gets_one():
    _, irradiance = edges(3, 40, beam_exponent=2.0)
    assert irradiance[0, 2] == pytest.approx(1)


def test_lamps_send_what_the_lights_field_says_they_do():
    rig = dome(9, radius_mm=40.0, beam_exponent=1.5, power_spread=0.1, seed=4)
    grid = Grid((12, 16), 0.8)
    lamps = LampSet(
        rig.names, "near", rig.vectors, rig.grey_power, np.full(9, np.nan), 1.5, False, None, "table"
    )  # fmt: skip
    directions, irradiances = lamp_field(lamps, grid.x_mm(), grid.y_mm())
    for index in range(9):
        toward, irradiance = illuminate(rig, index, grid.x_mm(), grid.y_mm(), np.zeros(grid.shape, np.float32))
        assert np.stack(toward) == pytest.approx(directions[index], abs=1e-5)
        assert rig.grey_power[index] * irradiance == pytest.approx(irradiances[index], rel=1e-4)


def test_rings_stand_at_their_elevations_and_are_turned_against_each_other():
    rig = dome(12, radius_mm=50.0, elevations_deg=(20.0, 60.0))
    elevation = np.degrees(np.arcsin(rig.vectors[:, 2] / np.linalg.norm(rig.vectors, axis=1)))
    assert elevation == pytest.approx([20] * 6 + [60] * 6, abs=0.01)
    azimuth = np.degrees(np.arctan2(rig.vectors[:, 1], rig.vectors[:, 0])) % 360
    assert (azimuth[6:] - azimuth[:6]) == pytest.approx([30] * 6, abs=0.01)
