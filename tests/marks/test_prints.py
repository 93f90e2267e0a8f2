"""Ridges of independent patterns: directions of loops and whorls by poles and zeros, ridges grown by oriented filters.

Directions after Sherlock and Monro 1993 (from memory): half the angles seen from the cores less those from the deltas.
Ridges after Cappelli, Maio and Maltoni 2002 (from memory): noise filtered again and again along its directions.
"""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from scipy.ndimage import binary_dilation, gaussian_filter

from lightdome.marks.prints import PrintPatch, find_prints, print_marks, unseen, without_ridges
from lightdome.marks.records import Trace
from lightdome.raster import Grid

PITCH_MM = 0.07
SHAPE = (260, 300)
SMALL = (70, 70)
SINGULAR = {
    "loop": ((0.5 + 1j,), (4 - 6j,)),
    "whorl": ((0.3 + 1j, -0.4 - 0.8j), (-6 - 8j, 6 - 8j)),
    "side of a finger": ((-9 + 2j,), ()),
}
CORE = "core and delta alone"
SINGULAR_OF = SINGULAR | {CORE: ((0.2 - 0.1j,), (1.0 + 1.1j,))}


def places(shape=SHAPE, pitch_mm=PITCH_MM):
    grid = Grid(shape, pitch_mm)
    return grid.x_mm(grid.window)[None, :] + 1j * grid.y_mm(grid.window)[:, None]


@cache
def ridges(kind, period_mm=0.45, seed=1, rounds=8, steps=18, shape=SHAPE, pitch_mm=PITCH_MM):
    """Film of a print, 0-1, all over a field."""
    cores, deltas = SINGULAR_OF[kind]
    at = places(shape, pitch_mm)
    angle = 0.5 * (sum(np.angle(at - core) for core in cores) - sum((np.angle(at - delta) for delta in deltas), 0))
    which = np.rint(angle % np.pi / np.pi * steps).astype(int) % steps
    period = period_mm / pitch_mm
    reach = int(1.8 * period)
    row, col = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    grown = np.random.default_rng(seed).normal(0, 1, shape).astype(np.float32)
    kernels = []
    for turn in np.pi * np.arange(steps) / steps:
        wave = np.cos(2 * np.pi * (col * np.sin(turn) + row * np.cos(turn)) / period)
        wave = wave * np.exp(-(row**2 + col**2) / (2 * (0.65 * period) ** 2))
        kernels.append((wave - wave.mean()).astype(np.float32))
    for _ in range(rounds):
        filtered = np.stack([cv2.filter2D(grown, -1, kernel) for kernel in kernels])
        grown = np.take_along_axis(filtered, which[None], axis=0)[0]
        grown = np.tanh(1.5 * grown / grown.std())
    return 0.5 + 0.5 * grown


def touched(half_axes_mm=(6.0, 7.0), centre=1 - 0.5j):
    """How hard each point was pressed, 0-1, and where the print is."""
    away = places() - centre
    square = (away.real / half_axes_mm[0]) ** 2 + (away.imag / half_axes_mm[1]) ** 2
    return np.clip((1.1 - square) / 0.2, 0, 1), square < 1


def noise(amount, seed=2, shape=SHAPE):
    return amount * np.random.default_rng(seed).standard_normal(shape)


def look(gloss, height=None, marked=None, pitch_mm=PITCH_MM):
    height = noise(0.1, 5, gloss.shape) if height is None else height
    marked = np.zeros(gloss.shape, bool) if marked is None else marked
    return find_prints(
        [("specular reflectance", gloss.astype(np.float32))], height.astype(np.float32), marked, pitch_mm
    )


def outline_of(patches, shape=SHAPE):
    found = np.zeros(shape, bool)
    for patch in patches:
        rows, cols = patch.inside.shape
        found[patch.row0 : patch.row0 + rows, patch.col0 : patch.col0 + cols] |= patch.inside
    return found


def agreement(patches, truth):
    found = outline_of(patches, truth.shape)
    return (found & truth).sum() / (found | truth).sum()


def hatching(straight, width=0.18, period_mm=0.45, turn=0.4):
    """Lines over the middle of a field, bool."""
    at = places()
    way = (at * np.exp(-1j * turn)).real if straight else np.abs(at + 25j)
    lines = np.abs((way / period_mm + 0.5) % 1 - 0.5) < width
    return lines & (np.abs(at.real) < 8) & (np.abs(at.imag) < 7)


@pytest.mark.parametrize("kind", SINGULAR)
@pytest.mark.parametrize(("strength", "grain"), [(0.3, 0.02), (0.06, 0.05)])
def test_a_print_is_found_where_it_is_with_its_spacing(kind, strength, grain):
    pressed, truth = touched()
    (patch,) = look(0.4 * (1 - strength * ridges(kind) * pressed) * (1 + noise(grain)))
    assert agreement([patch], truth) > 0.8
    assert patch.spacing_mm == pytest.approx(0.45, abs=0.04)
    assert 0 < patch.u_spacing_mm < 0.03
    assert patch.turn_deg > 15
    assert patch.quality > 0.4


def test_a_print_over_hatching_scratches_and_a_trend_of_light_is_found():
    pressed, truth = touched()
    marked = hatching(True, width=0.08) & (places().imag < 0)
    scratch = np.abs(places().imag - 0.7 * places().real - 2) < 0.06
    gloss = 0.4 * (1 + 0.3 * places().real / 10) * (1 - 0.25 * ridges("loop") * pressed) * (1 + noise(0.03))
    gloss = np.where(marked, 0.1, np.where(scratch, 1.2, gloss))
    height = noise(0.1, 3) - 15 * marked
    assert agreement(look(gloss, height, marked), truth) > 0.6


def test_a_print_that_covers_the_whole_field_is_found():
    gloss = 0.4 * (1 - 0.3 * ridges("loop")) * (1 + noise(0.03))
    assert agreement(look(gloss), np.ones(SHAPE, bool)) > 0.8


@pytest.mark.parametrize("straight", [True, False], ids=["straight", "curved"])
@pytest.mark.parametrize("known", [True, False], ids=["traced", "not traced"])
def test_hatching_with_relief_is_no_print(straight, known):
    lines = hatching(straight)
    # rims that the mask leaves out: the walls of bitten lines dull a pixel or two beside them
    gloss = 0.4 * (1 - 0.3 * lines - 0.1 * binary_dilation(lines, iterations=2)) * (1 + noise(0.02))
    assert look(gloss, noise(0.1, 3) - 0.8 * lines, lines if known else None) == []


def test_straight_lines_and_crossed_lines_without_relief_are_no_print():
    for lines in (hatching(True), hatching(True, 0.12) | hatching(True, 0.12, turn=-0.8)):
        assert look(0.4 * (1 - 0.3 * lines) * (1 + noise(0.02))) == []


def test_curved_lines_without_relief_would_be_one():
    # what keeps the curved hatching above from being a print is its relief alone
    assert len(look(0.4 * (1 - 0.3 * hatching(False)) * (1 + noise(0.02)))) == 1


def streaks(sigma):
    made = gaussian_filter(noise(1.0, 7), sigma)
    return made / made.std()


NOTHING = {
    "noise": lambda: 1 + noise(0.05),
    "noise of the band": lambda: 1 + 0.1 * (streaks(1.3) - streaks(2.2)),
    "rolled": lambda: 1 + 0.05 * streaks((0.6, 16)) + noise(0.02),
    "tarnish": lambda: 1 - 0.3 * (streaks(12) > 1) + noise(0.01),
    "fine tarnish": lambda: 1 - 0.3 * (streaks(4) > 1) + noise(0.01),
    "level": lambda: np.ones(SHAPE),
    "unknown": lambda: np.full(SHAPE, np.nan),
}


@pytest.mark.parametrize("name", NOTHING)
def test_a_plate_without_a_print_has_none(name):
    assert look(0.4 * NOTHING[name]()) == []


def test_arcs_of_one_wipe_are_no_print():
    away = np.abs(places() + 40j)
    steps = 30 + np.cumsum(np.random.default_rng(8).exponential(0.45, 40))
    scratched = (np.abs(away[..., None] - steps) < 0.06).any(axis=-1)
    assert look(0.4 * (1 - 0.3 * scratched) * (1 + noise(0.02))) == []


@pytest.mark.parametrize(("period_mm", "radius_mm"), [(0.4, 1.3), (0.48, 1.5), (0.55, 1.7)])
def test_a_patch_of_six_ridges_about_a_core_is_found(period_mm, radius_mm):
    truth = np.abs(places(SMALL)) < radius_mm
    film = ridges(CORE, period_mm, seed=21, shape=SMALL) * gaussian_filter(truth.astype(float), 2)
    (patch,) = look(0.4 * (1 - 0.2 * film) * (1 + noise(0.01, 22, SMALL)))
    assert agreement([patch], truth) > 0.55
    assert patch.turn_deg > 45
    assert patch.spacing_mm == pytest.approx(period_mm, abs=0.06)


@pytest.mark.parametrize("seed", range(3))
def test_few_lines_of_any_direction_in_a_small_field_are_no_print(seed):
    rng = np.random.default_rng([31, seed])
    at, lines = places(SMALL), np.zeros(SMALL, bool)
    for angle in rng.uniform(0, np.pi, 12):  # scratches each way
        lines |= np.abs((at * np.exp(-1j * angle)).real - rng.uniform(-2, 2)) < 0.06
    crossed = np.zeros(SMALL, bool)
    for angle in (0.3, 0.3 + rng.uniform(0.6, 1.5)):
        crossed |= np.abs(((at * np.exp(-1j * angle)).real / rng.uniform(0.35, 0.65) + 0.5) % 1 - 0.5) < 0.15
    for shown in (lines, crossed & (np.abs(at) < 1.6)):
        assert look(0.4 * (1 - 0.2 * shown) * (1 + noise(0.01, seed, SMALL))) == []


@pytest.mark.parametrize("pitch_mm", [0.02, 0.09])
def test_finer_and_coarser_pixels_see_the_same(pitch_mm):
    shape = (450, 450) if pitch_mm < 0.05 else (110, 110)
    film = ridges("loop", 0.48, shape=shape, pitch_mm=pitch_mm)
    inside = np.abs(places(shape, pitch_mm) - 0.4) < 4
    (patch,) = look(0.4 * (1 - 0.3 * film * inside) * (1 + noise(0.02, shape=shape)), pitch_mm=pitch_mm)
    found = outline_of([patch], shape)
    assert (found & inside).sum() / (found | inside).sum() > 0.7
    assert patch.spacing_mm == pytest.approx(0.48, abs=0.04)


def test_pixels_too_coarse_for_a_ridge_find_nothing_and_say_so():
    pressed, _ = touched()
    assert look(0.4 * (1 - 0.3 * ridges("loop") * pressed), pitch_mm=0.12) == []
    assert "photograph at 0.1 mm or finer" in (unseen(0.12) or "")
    assert unseen(0.1) is None


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (8, 8), (40, 3)])
def test_tiny_fields_hold_no_print(shape):
    assert look(np.ones(shape)) == []


def test_a_print_becomes_a_mark_and_leaves_other_classes_alone():
    inside = np.zeros((30, 40), bool)
    inside[5:25, 5:35] = True
    patch = PrintPatch(inside, 10, 20, (1.5, 1.0), 0.46, 0.01, 40.0, 0.6, ("colour",), 0.02, 0.1)
    classes = np.zeros((60, 80), np.uint8)
    classes[:20] = 1
    (mark,) = print_marks([patch], classes, Grid((60, 80), 0.05), before=7)
    assert (mark.id, mark.class_name, mark.geometry["type"]) == ("m0008", "friction-ridge print", "Polygon")
    assert (classes[:20] == 1).all()
    assert (classes[20:35, 25:55] == 5).all()
    assert (classes == 5).sum() == 15 * 30
    assert any("living person" in sentence for sentence in mark.evidence)
    assert any("under the 0.15 µm" in sentence for sentence in mark.evidence)
    bumpy = replace(patch, relief_um=0.4)
    assert any("does not keep step with them (squared coherence 0.10" in sentence for sentence in bumpy.evidence)
    assert mark.ridges["spacing_mm"] == 0.46
    assert mark.depth_um is None


def test_of_lines_in_a_print_those_of_light_alone_are_its_ridges():
    patch = PrintPatch(np.ones((40, 40), bool), 0, 0, (0.6, 0.6), 0.46, 0.01, 60.0, 0.6, ("colour",), 0.02, 0.1)
    inside, across = np.array([[10.0, 5.0], [12.0, 35.0]]), np.array([[20.0, 30.0], [20.0, 90.0]])
    ridge = Trace(inside, 2.0, "valley", glint_share=0.9, relief_share=0.1)
    groove = Trace(inside + 5, 3.0, "valley", glint_share=0.9, relief_share=0.9)
    leaving = Trace(across, 2.0, "valley", glint_share=0.9, relief_share=0.1)
    kept = without_ridges([ridge, groove, leaving], [patch], Grid((100, 100), 0.015))
    assert [line is groove or line is leaving for line in kept] == [True, True]
