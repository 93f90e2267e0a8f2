from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.outlines import line_geometry, outline_geometry
from lightdome.marks.records import Mark
from lightdome.marks.residue import residue_by_class, with_residue
from lightdome.raster import Grid

SHAPE, PITCH_MM, WIDTH_PX = (160, 200), 0.02, 8
GRID = Grid(SHAPE, PITCH_MM)
ROW, COL = np.indices(SHAPE)


def groove(row, number=1, width_px=WIDTH_PX, resolved=True, name="etched"):
    line = line_geometry(np.array([[row, 20.0], [row, 180.0]]), GRID)
    mark = Mark(f"m{number:04d}", name, 0.9, line, 3.2, ("Depth.",), resolved=resolved)

    return replace(mark, width_um=width_px * 20.0, depth_um=20.0, u_depth_um=0.5) if resolved else mark


def field_of(rows, half_px=4):
    """Classes and heights of flat-floored grooves along some rows."""
    away = np.min([np.abs(ROW - row) for row in rows], axis=0)
    inside = (away <= half_px + 1) & (COL >= 20) & (COL <= 180)
    return inside.astype(np.uint8), np.where(inside, -20.0, 0.0).astype(np.float32), away <= half_px


def noisy(level, seed=1, relative=0.03, smooth=1.0):
    """Noise with the correlation of neighbours that a solution has."""

    rng = np.random.default_rng(seed)
    made = gaussian_filter(rng.normal(size=SHAPE), smooth)
    return (level * (1 + relative * made / made.std())).astype(np.float32)


def judged(total, mark, classes, height, **more):
    (found,) = with_residue([mark], classes, height, [("total", total), *more.items()], GRID)
    return found


@pytest.mark.parametrize("contrast", [-0.4, -0.1, 0.15])
def test_residue_is_found_and_its_interval_holds_the_truth(contrast):
    classes, height, floor = field_of([80])
    held = 0
    for seed in range(12):
        total = noisy(0.6, seed) * np.where(floor, 1 + contrast, 1).astype(np.float32)
        residue = judged(total, groove(80), classes, height).residue
        assert residue["found"] is True
        assert residue["quantity"] == "total"
        held += residue["low"] <= contrast <= residue["high"]
    assert held >= 11


def test_clean_grooves_raise_no_alarm_and_say_what_would_have_been_seen():
    classes, height, floor = field_of([80])
    for seed in range(40):
        mark = judged(noisy(0.6, seed), groove(80), classes, height)
        assert mark.residue["found"] is False
        assert mark.residue["low"] <= 0 <= mark.residue["high"]
        assert 0 < mark.residue["smallest_seen"] < 0.1
    assert "no residue is found, and one of" in mark.evidence[-1]
    # and residue of that size is found as often as is said
    size = mark.residue["smallest_seen"]
    seen = [
        judged(noisy(0.6, seed) * np.where(floor, 1 - size, 1), groove(80), classes, height).residue["found"]
        for seed in range(40, 80)
    ]
    assert np.mean(seen) >= 0.9


def test_a_rougher_floor_alone_is_no_residue():
    classes, height, floor = field_of([80])
    rough = noisy(0.3, 3) * np.where(floor, 1.4, 1)
    sheen = noisy(0.5, 4) * np.where(floor, 0.8, 1)
    residue = judged(noisy(0.6), groove(80), classes, height, roughness=rough, specular=sheen).residue
    assert residue["found"] is False
    assert residue["by_quantity"]["roughness"]["low"] > 0.3
    assert residue["by_quantity"]["specular"]["high"] < -0.1
    assert set(residue["by_quantity"]["roughness"]) == {"contrast", "low", "high", "smallest_seen"}


def test_a_thin_stain_is_found_by_its_colour():
    classes, height, floor = field_of([80])
    hue = noisy(1.1, 5, 0.01) * np.where(floor, 1.1, 1)
    residue = judged(noisy(0.6), groove(80), classes, height, colour=hue).residue
    assert (residue["found"], residue["quantity"]) == (True, "colour")
    assert residue["contrast"] == pytest.approx(0.1, abs=0.02)


def test_a_diffuse_part_beside_a_sheen_widens_the_interval():
    # one lobe and a diffuse part take each other's light at the foot of walls
    classes, height, _ = field_of([80])
    bare = judged(noisy(0.6), groove(80), classes, height, diffuse=noisy(0.01)).residue
    mixed = judged(noisy(0.6), groove(80), classes, height, diffuse=noisy(0.2)).residue
    matte = judged(noisy(0.6), groove(80), classes, height, diffuse=noisy(0.6)).residue
    assert mixed["smallest_seen"] > 3 * bare["smallest_seen"]
    assert matte["smallest_seen"] < 1.2 * bare["smallest_seen"]


def test_neighbouring_marks_are_not_taken_for_land():
    classes, height, _ = field_of([80, 96])
    total = noisy(0.6) * np.where(np.abs(ROW - 96) <= 4, 0.2, 1).astype(np.float32)
    assert judged(total, groove(80), classes, height).residue["found"] is False


def test_an_area_is_compared_with_the_land_around_it():
    inside = (np.abs(ROW - 80) < 40) & (np.abs(COL - 100) < 50)

    outline = outline_geometry(inside, 0, 0, GRID)
    mark = replace(groove(80), geometry=outline, width_um=1600.0)
    height = np.where(inside, -20.0, 0.0).astype(np.float32)
    for contrast in (0.0, -0.2):
        total = noisy(0.6) * np.where(inside, 1 + contrast, 1).astype(np.float32)
        residue = judged(total, mark, inside.astype(np.uint8), height).residue
        assert residue["low"] <= contrast <= residue["high"]
        assert residue["found"] is (contrast < 0)


def test_what_cannot_be_told_is_said():
    classes, height, _ = field_of([80])
    narrow = judged(noisy(0.6), groove(80, resolved=False), classes, height)
    assert narrow.residue is None
    assert "cannot be told: it is narrower than 3 pixels" in narrow.evidence[-1]
    crowded = judged(noisy(0.6), groove(80), np.ones(SHAPE, np.uint8), height)
    assert crowded.residue is None
    assert "too little of its floor or of the land" in crowded.evidence[-1]
    unknown = judged(np.full(SHAPE, np.nan, np.float32), groove(80), classes, height)
    assert unknown.residue is None
    assert with_residue([], classes, height, [], GRID) == []


def test_classes_are_pooled_into_a_statement():
    rows = (30, 80, 130)
    classes, height, floor = field_of(rows)
    marks = [groove(row, number) for number, row in enumerate(rows, 1)]
    clean = with_residue(marks, classes, height, [("total", noisy(0.6))], GRID)
    told = residue_by_class(clean)
    assert set(told) == {"etched", "tooled", "scratch"}
    assert (told["etched"]["marks"], told["etched"]["found"], told["scratch"]["marks"]) == (3, 0, 0)
    assert told["etched"]["low"] <= 0 <= told["etched"]["high"]
    assert told["etched"]["sentence"].startswith("No residue above")
    assert "wide enough" in told["scratch"]["sentence"]
    inked = noisy(0.6) * np.where(floor & (ROW < 60), 0.5, 1).astype(np.float32)
    told = residue_by_class(with_residue(marks, classes, height, [("total", inked)], GRID))
    assert told["etched"]["found"] == 1
    assert "in 1 of 3 etched grooves" in told["etched"]["sentence"]
