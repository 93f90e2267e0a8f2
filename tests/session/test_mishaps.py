"""Each planted mishap is found under the right lamp, and a clean series raises none."""

import dataclasses

import numpy as np
import pytest
from photo_series import assessed, lamps_of, named, plate, seen, taken

from lightdome.session.assess import QuickLook
from lightdome.synthetic.drawing import Drawing
from lightdome.synthetic.mishaps import MISHAPS, mishap

EXPECTED = {
    "TP-201": {},
    "TP-202": {"shadow": ["L05"]},
    "TP-203": {"exchanged": ["L03", "L10"]},
    "TP-204": {"blurred": ["L07"]},
    "TP-205": {"level": ["L12"]},
    "TP-206": {"ambient light": []},
    "TP-207": {"no light": ["L09"]},
    "TP-208": {"other lamp": ["L14"]},
    "TP-209": {},  # two files of one content: judged by their pixels, before anything is compared
    "TP-210": {"tone curve": []},
}


@pytest.fixture(scope="module", params=["matt", "metal"])
def series(request):
    spec = plate(3, request.param)
    return spec, taken(spec)


def test_every_mishap_has_its_answer_here():
    assert set(EXPECTED) == set(MISHAPS)


@pytest.mark.parametrize("name", EXPECTED)
def test_a_mishap_is_found_under_the_right_lamp(series, name):
    spec, photographs = series
    levels = spec.sensor.black_level, spec.sensor.white_level
    assert named(assessed(spec, mishap(name, photographs, *levels))) == EXPECTED[name]


def test_a_missing_board_is_named():
    spec = plate(4, lamps=8, flat=True)
    photographs = [one for one in taken(spec) if not (one.row["role"] == "flat" and one.row["lamp"] == "L06")]
    found = assessed(spec, photographs)
    assert named(found) == {"board missing": ["L06"]}
    assert "photograph the board under it too" in found.findings[0].sentence


def test_a_board_takes_the_place_of_the_lamps_powers():
    spec = plate(4, "matt", flat=True)
    wrong = tuple(
        type(lamp)(lamp.name, lamp.position_mm, power_rgb=(1.0 + k % 3,) * 3) for k, lamp in enumerate(lamps_of(spec))
    )
    assert named(assessed(spec, taken(spec), wrong)) == {}
    assert not assessed(spec, taken(spec)[:24], wrong).comparison.telling


@pytest.mark.parametrize("near", [True, False])
@pytest.mark.parametrize("material", ["matt", "metal", "bright metal"])
def test_a_clean_series_raises_nothing(material, near):
    spec = plate(11, material, near=near)
    found = assessed(spec, taken(spec))
    assert named(found) == {}
    assert found.comparison.telling
    assert np.nanmax(np.abs(np.log(found.comparison.level))) < 0.12


def test_an_ambient_photograph_takes_the_rooms_light_off():
    spec = plate(5, "matt", ambient=0.08)
    photographs = taken(spec)
    assert [one.row["role"] for one in photographs].count("ambient") == 1
    assert named(assessed(spec, photographs)) == {}
    without = [one for one in photographs if one.row["role"] != "ambient"]
    found = assessed(spec, without)
    assert named(found) == {"ambient light": []}
    # light of the room over the plate's usual light, by the records of the scene
    usual = np.median([np.median(one.numbers().astype(float)) for one in without]) - spec.sensor.black_level
    usual /= spec.sensor.white_level - spec.sensor.black_level
    room = spec.ambient * spec.gain * spec.material.diffuse
    assert found.room.share == pytest.approx(room / (usual - 0), rel=0.25)


@pytest.mark.parametrize("flat", [True, False])
def test_a_tone_curve_is_told_by_the_boards_too_and_no_more_once_it_is_undone(flat):
    spec = plate(4, "matt", flat=flat)
    levels = spec.sensor.black_level, spec.sensor.white_level
    curved = mishap("TP-210", taken(spec), *levels)
    if flat:
        bare = mishap("TP-210", [one for one in taken(spec) if one.row["role"] == "flat"], *levels)
        curved = [one for one in curved if one.row["role"] != "flat"] + bare
    told = assessed(spec, curved)
    assert named(told) == {"tone curve": []}
    power = float(told.findings[0].says.split("as the power ")[1].split()[0])
    # between 1/2.4, the curve's exponent, and 1/2.2, what it is like as a whole (IEC 61966-2-1)
    assert 0.40 < power < 0.50
    assert named(assessed(spec, taken(spec))) == {}
    assert named(assessed(spec, curved, response="srgb")) == {}


@pytest.mark.parametrize(("material", "seed"), [("metal", 11), ("bright metal", 3)])
def test_the_rooms_light_is_found_where_shadows_are_few(material, seed):
    spec = plate(seed, material)
    levels = spec.sensor.black_level, spec.sensor.white_level
    assert named(assessed(spec, mishap("TP-206", taken(spec), *levels))) == {"ambient light": []}


@pytest.mark.parametrize("material", ["matt", "metal", "bright metal"])
def test_a_bare_plate_raises_nothing_and_the_rooms_light_on_it_is_found(material):
    # no shadows, and under high lamps nothing but noise
    spec = dataclasses.replace(plate(4, material), drawing=Drawing(grain_um=0.3), seed=4)
    levels = spec.sensor.black_level, spec.sensor.white_level
    assert named(assessed(spec, taken(spec))) == {}
    assert "ambient light" in named(assessed(spec, mishap("TP-206", taken(spec), *levels)))


def test_few_lamps_and_unknown_lamps_are_said_and_do_not_stop_the_look():
    spec = plate(6, lamps=8)
    photographs = taken(spec)
    few = assessed(spec, photographs[:5])
    assert any("fewer than 6 lamps" in text for text in few.not_checked)
    unknown = assessed(spec, photographs, ())
    assert QuickLook.of(*seen(spec, photographs, ())).preview is None
    assert any("places are not known" in text for text in unknown.not_checked)


def test_a_tiny_field_is_judged():
    spec = plate(7, lamps=8)
    tiny = [type(one)(one.row, lambda one=one: one.numbers()[:8, :8]) for one in taken(spec)]
    from dataclasses import replace

    assert assessed(replace(spec, shape=(8, 8)), tiny).findings is not None
