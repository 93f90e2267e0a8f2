"""Order in time at crossings, on surfaces composed here from drawn sections, one operation after the other."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.crossings import crossings, orders
from lightdome.marks.order import Groove, order_at

SIZE, FINE = 90, 4
PLACE = np.array([SIZE / 2 - 0.5, SIZE / 2 - 0.5])


def distance(angle_deg: float, shift_px: float = 0.0) -> np.ndarray:
    """Distance (fine grid) from a straight line through the middle, pixels."""
    at = (np.arange(SIZE * FINE) + 0.5) / FINE - 0.5 - PLACE[0]
    rows, cols = at[:, None], at[None, :]
    angle = np.radians(angle_deg)
    return np.abs(rows * np.cos(angle) + cols * np.sin(angle) - shift_px)


def ploughed(surface: np.ndarray, away: np.ndarray, half_px: float, depth_um: float, ridge_um: float) -> np.ndarray:
    """A V at a fixed level through what is there, its ridges laid on top of what is there."""
    ridge = ridge_um * np.sin(np.pi * np.clip((away - half_px) / (0.8 * half_px), 0, 1)) ** 2
    return np.where(away < half_px, np.minimum(surface, depth_um * (away / half_px - 1)), surface + ridge)


def bitten(surface: np.ndarray, away: np.ndarray, half_px: float, depth_um: float) -> np.ndarray:
    """Metal taken off everywhere alike, between steep walls."""
    return surface - depth_um * np.clip((half_px - away) / 1.5, 0, 1)


def pixels(surface: np.ndarray, noise_um: float, seed: int = 0) -> np.ndarray:
    """Pixel means, blurred a little, with noise that neighbours share."""
    means = surface.reshape(SIZE, FINE, SIZE, FINE).mean(axis=(1, 3))
    noise = gaussian_filter(np.random.default_rng(seed).standard_normal(means.shape), 0.8)
    return gaussian_filter(means, 0.4) + noise_um * noise / noise.std()


def line(angle_deg: float, length_px: float = 84.0, middle_px: float = 0.0) -> np.ndarray:
    """The same line as a polyline, row and column."""
    angle = np.radians(angle_deg)
    along = np.linspace(-length_px / 2, length_px / 2, 40) + middle_px
    return PLACE + along[:, None] * np.array([-np.sin(angle), np.cos(angle)])


def cuts(first: float, second: float, noise_um: float = 0.1, seed: int = 0) -> np.ndarray:
    """Two V grooves with ridges at two angles, the second one later."""
    flat = np.zeros((SIZE * FINE, SIZE * FINE))
    one = ploughed(flat, distance(first), 4.0, 14.0, 3.5)
    return pixels(ploughed(one, distance(second), 3.2, 10.0, 3.0), noise_um, seed)


@pytest.mark.parametrize("angles", [(10.0, 100.0), (75.0, 20.0), (140.0, 60.0)])
def test_the_later_of_two_cuts_runs_through(angles: tuple[float, float]) -> None:
    first, second = angles
    height = cuts(first, second)
    grooves = [Groove(line(first), 14.0, "old"), Groove(line(second), 12.0, "new")]
    told = order_at(height, 0.1, grooves[0], grooves[1], PLACE)
    assert told.later == "new"
    assert "new runs through old" in told.sentence
    assert "odds" in told.sentence
    assert order_at(height, 0.1, grooves[1], grooves[0], PLACE).later == "new"


def test_an_etched_line_after_or_before_a_scratch() -> None:
    flat, half = np.zeros((SIZE * FINE, SIZE * FINE)), (4.0, 5.0)
    grooves = [Groove(line(30), 15.0, "scratch", bitten=False), Groove(line(110), 10.5, "etched", bitten=True)]
    scratch_first = bitten(ploughed(flat, distance(30), half[0], 9.0, 2.5), distance(110), half[1], 15.0)
    assert order_at(pixels(scratch_first, 0.1), 0.1, grooves[0], grooves[1], PLACE).later == "etched"
    etched_first = ploughed(bitten(flat, distance(110), half[1], 15.0), distance(30), half[0], 9.0, 2.5)
    assert order_at(pixels(etched_first, 0.1), 0.1, grooves[0], grooves[1], PLACE).later == "scratch"


def test_noise_leaves_the_order_open_and_is_never_taken_for_evidence() -> None:
    answers = []
    for seed in range(6):
        height = cuts(20.0, 95.0, noise_um=4.0, seed=seed)
        grooves = [Groove(line(20), 14.0, "old"), Groove(line(95), 12.0, "new")]
        answers.append(order_at(height, 4.0, grooves[0], grooves[1], PLACE).later)
    assert "old" not in answers
    assert answers.count(None) >= 5


@pytest.mark.parametrize(
    ("angle", "length", "middle", "resolved", "why"),
    [
        (25.0, 84.0, 0.0, True, "small an angle"),
        (95.0, 30.0, 16.0, True, "ends here"),
        (95.0, 84.0, 0.0, False, "too narrow"),
    ],
)
def test_what_cannot_be_told_says_why(angle: float, length: float, middle: float, resolved: bool, why: str) -> None:
    height = cuts(10.0, 95.0)
    told = order_at(
        height, 0.1, Groove(line(10), 14.0, "a"), Groove(line(angle, length, middle), 12.0, "b", None, resolved), PLACE
    )
    assert told.later is None
    assert why in told.sentence


def test_both_etched_have_no_order() -> None:
    flat = np.zeros((SIZE * FINE, SIZE * FINE))
    height = pixels(bitten(bitten(flat, distance(0), 4, 12), distance(90), 4, 12), 0.1)
    told = order_at(height, 0.1, Groove(line(0), 9, "a", True), Groove(line(90), 9, "b", True), PLACE)
    assert told.later is None
    assert "etched" in told.sentence
    # no order either where nobody knows that they are etched: the deeper one counts, as in one bite
    at_once = pixels(np.minimum(bitten(flat, distance(0), 5, 9), bitten(flat, distance(90), 4, 12)), 0.1)
    told = order_at(at_once, 0.1, Groove(line(0), 11, "a"), Groove(line(90), 9, "b", True), PLACE)
    assert told.later is None


def test_pairs_are_told_together_and_third_marks_are_left_out() -> None:
    flat = np.zeros((SIZE * FINE, SIZE * FINE))
    surface = ploughed(ploughed(flat, distance(15), 4.0, 14.0, 3.5), distance(100), 3.2, 10.0, 3.0)
    surface = ploughed(surface, distance(15, shift_px=24), 2.5, 8.0, 2.0)
    grooves = [
        Groove(line(15), 14.0, "old"),
        Groove(line(100), 12.0, "new"),
        Groove(line(15) + 24 * np.array([np.cos(np.radians(15)), np.sin(np.radians(15))]), 9.0, "third"),
    ]
    met = crossings([groove.points_px for groove in grooves])
    assert set(met) == {(0, 1), (1, 2)}
    height = pixels(surface, 0.1)
    told = orders(height, np.full_like(height, 0.1), np.zeros(height.shape, np.int32), 0, grooves, met)
    later = {pair: order.later for pair, order in zip(met, told, strict=True)}
    assert later[(0, 1)] == "new"
    assert later[(1, 2)] in ("third", None)


def test_nothing_met_and_nothing_known() -> None:
    empty = np.full((8, 8), np.nan, np.float32)
    assert orders(empty, empty, np.zeros((8, 8), np.int32), 0, [], []) == []
    grooves = [
        Groove(np.array([[0.0, 4.0], [7.0, 4.0]]), 3.0, "a"),
        Groove(np.array([[4.0, 0.0], [4.0, 7.0]]), 3.0, "b"),
    ]
    told = orders(empty, empty, np.zeros((8, 8), np.int32), 0, grooves, [(0, 1)])
    assert told[0].later is None
