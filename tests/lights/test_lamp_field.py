"""Direction and irradiance over the plate against figures and formulas that nobody here made up on the day."""

import numpy as np
import pytest

from lightdome.errors import LampError
from lightdome.lights.field import lamp_field
from lightdome.lights.lamps import LampSet, directions

X_MM, Y_MM = np.linspace(-100, 100, 21), np.linspace(70, -70, 15)


def lamps(vectors, model="near", **keys):
    count = len(vectors)
    facts = {
        "names": tuple(f"L{index}" for index in range(count)),
        "model": model,
        "vectors": np.array(vectors, float),
        "power": np.ones(count),
        "u_vectors": np.full(count, np.nan),
        "beam_exponent": 0.0,
        "flat_divided": False,
        "camera_distance_mm": None,
        "how_known": "table",
    }
    return LampSet(**(facts | keys))


@pytest.mark.parametrize(
    ("distance", "elevation_deg", "squares", "irradiances", "seen_near_deg", "seen_far_deg"),
    [
        # A near light over a plate of diagonal 1, lamp at k diagonals above the line of the diagonal: ratio of distance
        # squares, of irradiance with the cosine, and the elevation seen from the near and far edge. Tabulated
        # independently of this code from the inverse-square and cosine laws.
        (2, 15, 2.67, 4.35, 19.9, 12.0),
        (4, 15, 1.62, 2.07, 17.1, 13.3),
        (4, 45, 1.42, 1.69, 50.5, 40.4),
        (10, 15, 1.21, 1.34, 15.8, 14.3),
    ],
)
def test_inverse_square_and_cosine_over_the_plate(
    distance, elevation_deg, squares, irradiances, seen_near_deg, seen_far_deg
):
    diagonal_mm = 100.0
    elevation = np.radians(elevation_deg)
    place = diagonal_mm * distance * np.array([np.cos(elevation), 0, np.sin(elevation)])
    edges = np.array([diagonal_mm / 2, -diagonal_mm / 2])
    toward, irradiance = lamp_field(lamps([place]), edges, np.zeros(1))
    near, far = irradiance[0, 0]
    seen = np.degrees(np.arcsin(toward[0, 2, 0]))
    assert near / far == pytest.approx(squares, abs=0.006)
    assert near * toward[0, 2, 0, 0] / (far * toward[0, 2, 0, 1]) == pytest.approx(irradiances, abs=0.006)
    assert seen == pytest.approx([seen_near_deg, seen_far_deg], abs=0.06)


def test_a_facing_point_at_the_origin_gets_the_lamps_power():
    toward, irradiance = lamp_field(
        lamps([(120, -80, 300)], power=np.array([1.7]), beam_exponent=3.0), np.zeros(1), np.zeros(1)
    )
    assert irradiance[0, 0, 0] == pytest.approx(1.7, rel=1e-6)
    assert toward[0, :, 0, 0] == pytest.approx(np.array([120, -80, 300]) / np.sqrt(120**2 + 80**2 + 300**2), rel=1e-6)


def test_the_field_agrees_with_the_formula_in_double_precision():
    places = np.array([(250.0, 40, 180), (-90, -200, 330), (10, 5, 150)])
    exponent, power = 2.5, np.array([1.0, 0.4, 2.2])
    toward, irradiance = lamp_field(lamps(places, power=power, beam_exponent=exponent), X_MM, Y_MM)
    for index, place in enumerate(places):
        for row, y in enumerate(Y_MM):
            for col, x in enumerate(X_MM):
                # Phi max(0, -d.a)^m / |d|^2 with the lamp's axis a toward the origin (near-light model, J. Math.
                # Imaging Vision 60, 313-340, 2018), normed to 1 at the origin
                d = place - (x, y, 0)
                axis = -place / np.linalg.norm(place)
                cosine = max(0.0, -(d / np.linalg.norm(d)) @ axis)
                expected = power[index] * (place @ place) / (d @ d) * cosine**exponent
                assert irradiance[index, row, col] == pytest.approx(expected, rel=2e-6)
                assert toward[index, :, row, col] == pytest.approx(d / np.linalg.norm(d), abs=2e-7)


def test_a_lamp_far_away_is_a_distant_lamp():
    unit = directions(np.array([30.0, 200]), np.array([20.0, 60]))
    near = lamp_field(lamps(unit * 1e7), X_MM, Y_MM)
    distant = lamp_field(lamps(unit, model="distant"), X_MM, Y_MM)
    assert np.abs(near[0] - distant[0]).max() < 2e-5
    assert np.abs(near[1] - distant[1]).max() < 5e-5


def test_directions_are_counted_from_x_toward_y_and_up():
    toward = directions(np.array([0.0, 90, 180, 45]), np.array([0.0, 30, 90, 45]))
    assert toward[0] == pytest.approx([1, 0, 0], abs=1e-12)
    assert toward[1] == pytest.approx([0, np.sqrt(3) / 2, 0.5], abs=1e-12)
    assert toward[2] == pytest.approx([0, 0, 1], abs=1e-12)
    assert toward[3] == pytest.approx([0.5, 0.5, np.sqrt(0.5)], abs=1e-12)


def test_over_a_flat_board_only_the_boards_cosine_is_left():
    places = [(250.0, 40, 180), (-90, -200, 330)]
    toward, irradiance = lamp_field(lamps(places, flat_divided=True, power=np.array([3.0, 5.0])), X_MM, Y_MM)
    assert np.abs(irradiance * toward[:, 2] - 1).max() < 1e-6


@pytest.mark.parametrize(
    ("vectors", "keys", "says"),
    [
        ([(0, 0, np.nan)], {}, "finite position"),
        ([(0, 0, 1)], {"power": np.array([0.0])}, "power above zero"),
        ([(0, 0, 1)], {"power": np.ones(2)}, "as many powers"),
    ],
)
def test_a_lamp_set_refuses_nonsense(vectors, keys, says):
    with pytest.raises(LampError, match=says):
        lamps(vectors, **keys)


@pytest.mark.parametrize("model", ["near", "distant"])
def test_json_and_back_keeps_the_lamps(model):
    unit = directions(np.array([10.0, 250, 359]), np.array([12.0, 45, 80]))
    vectors = unit * 300 if model == "near" else unit
    lamp_set = lamps(vectors, model, u_vectors=np.array([1.0, np.nan, 2]), beam_exponent=0.0, camera_distance_mm=700.0)
    back = LampSet.from_dict(lamp_set.as_dict())
    assert np.abs(back.vectors - vectors).max() < 1e-9
    assert np.array_equal(back.u_vectors, lamp_set.u_vectors, equal_nan=True)
    assert (back.names, back.model, back.camera_distance_mm) == (lamp_set.names, model, 700.0)
