import numpy as np
import pytest
from made_section import section

from lightdome.marks.area_structure import with_structure
from lightdome.marks.line_facts import FACTS, facts_of, parallel_lines
from lightdome.marks.records import Mark, Trace
from lightdome.raster import Grid

SHAPE = (120, 240)
ROW = np.mgrid[: SHAPE[0], : SHAPE[1]][0]


def across(points=((60.0, 20.0), (60.0, 220.0)), **changed):
    return Trace(np.array(points), 8.0, "valley", **changed)


def told(trace=None, seen=None, inside=0.0, roughness=None, doubt=None, parallel=0, land_um=0.1):
    unknown = np.full(SHAPE, np.nan)
    maps = (unknown if roughness is None else roughness, unknown if doubt is None else doubt)
    return facts_of(trace or across(), seen, inside, *maps, parallel, land_um)


def test_a_line_without_a_section_knows_its_path_and_nothing_else():
    facts = told(across(glint_share=0.9, glint_strength=6.0))
    known = {name for name, value in facts.items() if np.isfinite(value)}
    assert known == {"bend", "both", "inside", "parallel", "glint", "shine"}
    assert set(facts) == set(FACTS)
    assert facts["shine"] == pytest.approx(np.log(6))


def test_doubt_about_the_slope_tells_a_keel_from_a_floor_and_sees_a_rim():
    # analytic: ten times the doubt at the bottom (a V), or at the feet of the ridges
    keel = np.where(np.abs(ROW - 60) < 1, 1.0, 0.1)
    assert told(seen=section(), doubt=keel)["keel"] == pytest.approx(np.log(10))
    assert told(seen=section(), doubt=np.full(SHAPE, 0.1))["keel"] == 0
    rim = np.where(np.abs(np.abs(ROW - 60) - 8.5) < 1, 1.0, 0.1)
    assert told(seen=section(mouth_px=15.0), doubt=rim)["rim"] == pytest.approx(np.log(10))


def test_a_bitten_floor_is_rougher_than_the_land_beside():
    rough = np.where(np.abs(ROW - 60) < 4, 0.42, 0.3)
    assert told(seen=section(), roughness=rough)["gloss"] == pytest.approx(np.log(1.4))


def test_ridges_within_their_uncertainty_do_not_count():
    clear = told(seen=section(burr_left_um=8.0, burr_right_um=4.0, removed_fraction=0.4, u_burr_um=0.1))
    assert clear["ridged"] == pytest.approx(0.4 / 0.46, rel=0.01)
    assert clear["burr_lower"] == pytest.approx(0.2, rel=0.01)
    hidden = told(seen=section(burr_left_um=8.0, burr_right_um=4.0, removed_fraction=0.4, u_burr_um=8.0))
    assert (hidden["ridged"], hidden["burr_lower"]) == (0, 0)


def test_slow_arcs_do_not_bend_and_zigzags_do():
    along = np.linspace(0, 200, 101)
    arc = np.stack([20 + along * (200 - along) / 400, 20 + along], axis=1)
    zigzag = np.stack([60 + 6 * np.sin(along / 8), 20 + along], axis=1)
    assert told(Trace(arc, 3.0, "valley"))["bend"] < np.log(0.004)
    # analytic: the root mean square of a sine over its length
    assert told(Trace(zigzag, 3.0, "valley"))["bend"] == pytest.approx(np.log(6 / np.sqrt(2) / 200), abs=0.15)


def test_neighbours_in_one_direction_run_beside_and_others_do_not():
    lines = [across(), across(((70.0, 20.0), (70.0, 220.0))), across(((10.0, 100.0), (110.0, 110.0)))]
    assert parallel_lines(lines) == [{1}, {0}, set()]
    assert told(parallel=2)["parallel"] == pytest.approx(np.log(3))


def test_an_etched_area_says_what_it_is_made_of():
    rng = np.random.default_rng(3)
    row, col = np.mgrid[:200, :220]
    height = rng.normal(0, 0.02, (200, 220))
    places = np.stack(np.meshgrid(np.arange(20, 190, 16), np.arange(20, 210, 16)), axis=-1).reshape(-1, 2)
    for r, c in places + rng.uniform(-3, 3, places.shape):  # one in each cell of 16 pixels
        height -= 6 * np.exp(-((row - r) ** 2 + (col - c) ** 2) / 8)
    grid = Grid((200, 220), 0.02)
    x, y = grid.to_plate_mm(np.array([5, 5, 194, 194, 5]), np.array([5, 214, 214, 5, 5]))
    outline = {"type": "Polygon", "coordinates": [np.stack([x, y], axis=1).tolist()]}
    area = Mark("m0001", "etched", 0.9, outline, 4.0, ("drawn",))
    pit = Mark("m0002", "pit", 0.9, outline, 4.0, ("drawn",))
    marks, facts = with_structure([area, pit], height.astype(np.float32), grid, 0.02)
    assert [one["id"] for one in facts] == ["m0001"]
    assert facts[0]["verdict"] == "grained"
    assert facts[0]["grains_per_mm2"] == pytest.approx(1 / 0.32**2, rel=0.12)
    assert len(marks[0].evidence) > 1
    assert marks[1] == pit
