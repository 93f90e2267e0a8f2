import numpy as np
import pytest

from lightdome.errors import GridError, PublishError
from lightdome.forms import Form
from lightdome.publish.coding import Codes, Encoded, Packed, Plain, Scaled, scaled_between
from lightdome.relight.pack import ranges_of, unpack
from lightdome.relight.render import BANDS


@pytest.fixture
def values():
    rng = np.random.default_rng(5)
    values = rng.normal(size=(3, 40, 50)) * np.array([1e-3, 1.0, 400.0])[:, None, None]
    values[:, :5] = np.nan
    values[1, 20, 20] = 60.0  # far from all others
    return values


def test_sixteen_bits_hold_every_value_within_the_stated_error(values):
    coding = scaled_between(np.nanmin(values, axis=(1, 2)), np.nanmax(values, axis=(1, 2)))
    back = coding.values(coding.stored(values))
    assert np.array_equal(np.isnan(back), np.isnan(values))
    assert np.nanmax(np.abs(back - values)) <= coding.max_error * (1 + 1e-9)
    # each band by its own step
    assert np.nanmax(np.abs(back - values)[0]) <= coding.scales[0] / 2 * (1 + 1e-9)
    assert coding.scales[0] < coding.scales[1] < coding.scales[2]


def test_a_reader_needs_nothing_but_scale_offset_and_the_unknown(values):
    coding = scaled_between(np.nanmin(values, axis=(1, 2)), np.nanmax(values, axis=(1, 2)))
    facts, stored = coding.as_dict(), coding.stored(values).astype(float)
    by_hand = stored[2] * facts["scale"][2] + facts["offset"][2]
    by_hand[stored[2] == facts["unknown"]] = np.nan
    assert np.array_equal(by_hand, coding.values(coding.stored(values))[2], equal_nan=True)


@pytest.mark.parametrize("value", [0.0, -3.0, 2.5e6])
def test_a_band_that_is_the_same_everywhere_can_be_stored(value):
    coding = scaled_between(np.array([value]), np.array([value]))
    assert coding.values(coding.stored(np.full((1, 4, 4), value))) == pytest.approx(np.full((1, 4, 4), value), rel=1e-6)


def test_what_lies_outside_the_range_is_held_and_never_becomes_unknown():
    coding = Scaled((1e-4, 1e-4), (0.0, 0.0))
    back = coding.values(coding.stored(np.array([[9.0, -9.0], [np.inf, 0.0]])))
    assert back[0] == pytest.approx([3.2767, -3.2767])
    assert np.isnan(back[1, 0])
    assert back[1, 1] == 0


def test_unknown_heights_survive_an_error_of_the_compression():
    coding = Plain(0.05)
    stored = coding.stored(np.array([np.nan, 3.25]))
    assert np.isfinite(stored).all()
    assert np.array_equal(np.isnan(coding.values(stored + np.float32(0.05))), [True, False])


def test_colours_come_back_within_the_stated_error():
    linear = np.linspace(0, 0.4, 4001)
    coding = Encoded(0.4)
    back = coding.values(coding.stored(linear))
    assert np.abs(back - linear).max() <= coding.max_error
    assert np.isnan(coding.values(coding.stored(np.array([np.nan]))))[0]
    # brighter than white is white
    assert coding.stored(np.array([7.0]))[0] == 255


def test_the_lobe_model_is_packed_as_relighting_packs_it():
    model = np.abs(np.random.default_rng(2).normal(size=(len(BANDS), 6, 7))) * 0.1 + 0.05
    model[:, 0, 0] = np.nan
    ranges = ranges_of(model)
    coding = Packed(ranges)
    assert np.array_equal(coding.values(coding.stored(model)), unpack(coding.stored(model), ranges), equal_nan=True)
    assert np.isnan(coding.values(coding.stored(model))[:, 0, 0]).all()
    assert set(coding.as_dict()["ranges"]) == set(BANDS)


def test_codes_are_words():
    coding = Codes({0: "land", 3: "scratch"})
    assert coding.as_dict() == {"kind": "codes", "names": {"0": "land", "3": "scratch"}, "summed": False}
    assert np.array_equal(coding.values(coding.stored(np.array([[0, 3]]))), [[0, 3]])


@pytest.mark.parametrize(
    "nonsense",
    [
        lambda: Scaled((0.0,), (0.0,)),
        lambda: Scaled((1.0,), ()),
        lambda: Plain(0.0),
        lambda: Plain(float("nan")),
        lambda: Encoded(-1.0),
        lambda: Packed({"slope_x": (0.0, 1.0)}),
        lambda: Packed(dict.fromkeys(BANDS, (1.0, 1.0))),
    ],
)
def test_nonsense_is_refused(nonsense):
    with pytest.raises(PublishError):
        nonsense()


@pytest.mark.parametrize(
    "nonsense",
    [
        lambda: Form("float64", None, "average", {}),
        lambda: Form("int16", None, "median", {}),
        lambda: Form("int16", None, "average", {}, (1.0,), ()),
        lambda: Form("int16", None, "average", {}, (-1.0,), (0.0,)),
    ],
)
def test_a_form_that_no_file_can_have_is_refused(nonsense):
    with pytest.raises(GridError):
        nonsense()
