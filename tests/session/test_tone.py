"""The exponent by which levels follow the lamps, on levels of a known power."""

import numpy as np
import pytest

from lightdome.session.tone import levels, tone_exponent

EXPECTED = np.sin(np.radians(np.linspace(12, 78, 24)))


@pytest.mark.parametrize("power", [0.45, 1.0, 2.2])
def test_a_power_comes_back_whatever_single_lamps_do(power):
    level = 0.3 * EXPECTED**power * np.random.default_rng(1).lognormal(0, 0.03, EXPECTED.size)
    level[[3, 11]] *= 2.5
    level[7], level[20] = np.nan, 1e-5
    exponent, upper = tone_exponent(level, EXPECTED)
    assert exponent == pytest.approx(power, abs=0.05)
    assert exponent < upper < exponent + 0.1


def test_the_upper_limit_is_rarely_below_the_truth():
    # 97.5 % of one-sided limits hold the truth
    draw = np.random.default_rng(2)
    held = [tone_exponent(EXPECTED * draw.lognormal(0, 0.1, 24), EXPECTED)[1] > 1 for _ in range(400)]
    assert np.mean(held) == pytest.approx(0.975, abs=0.02)


def test_too_few_lamps_or_lamps_too_alike_tell_nothing():
    assert tone_exponent(0.3 * EXPECTED[:7], EXPECTED[:7]) is None
    ring = np.linspace(0.5, 0.6, 24)
    assert tone_exponent(0.3 * ring**0.45, ring) is None
    assert tone_exponent(np.full(24, np.nan), EXPECTED) is None


def test_levels_leave_out_what_is_unknown():
    light = np.array([[0.1, np.nan, 0.3, 0.2], [np.nan] * 4])
    np.testing.assert_array_equal(levels(light), [0.2, np.nan])
