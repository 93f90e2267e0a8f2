import numpy as np
import pytest
from made_section import section

from lightdome.errors import MarkError
from lightdome.marks.crossings import crossings
from lightdome.marks.line_facts import facts_of
from lightdome.marks.measured import Line
from lightdome.marks.outlines import outline_geometry
from lightdome.marks.records import CLASSES, Mark, Trace
from lightdome.marks.rules import judge_area, judge_line, judge_spot, ramp
from lightdome.raster import Grid

PITCH_MM = 0.006


def judged(inside=0.0, **changed):
    """The verdict on a straight line of a section that lies inside etched areas for some share of its length."""
    trace = Trace(np.array([[100.0, 20.0], [110.0, 220.0]]), 8.0, "valley")
    seen = section(**changed)
    row, col = np.mgrid[:200, :300]
    # where a pixel holds both walls of a V, or a floor and a wall, its slope is in doubt
    off = np.abs(row - 100 - (col - 20) / 20)
    doubted = off < 1 if seen.floor_ratio < 0.5 else np.abs(off - 4) < 1
    doubt = np.where(doubted, 0.5, 0.1)
    facts = facts_of(trace, seen, inside, np.full(doubt.shape, np.nan), doubt, 0, 0.1)
    return judge_line(Line(trace, seen, facts, (), 0, frozenset()), PITCH_MM)


def test_a_pointed_swelling_groove_without_ridges_is_tooled():
    verdict = judged(width_variation=0.15, depth_variation=0.15)  # it swells
    assert verdict.class_name == "tooled"
    assert verdict.confidence > 0.9
    assert any("0.30" in sentence for sentence in verdict.evidence)


def test_an_even_flat_groove_without_ridges_is_etched():
    verdict = judged(floor_ratio=0.85, end_share=1.0, edge_variation=0.05, wall_um_per_px=8.0, wall_angle_deg=53.1)
    assert verdict.class_name == "etched"
    assert verdict.confidence > 0.9


@pytest.mark.parametrize(("floor", "ends"), [(0.3, 1.0), (0.85, 1.0), (0.3, 0.3)])
def test_a_groove_with_ridges_that_hold_its_metal_is_a_scratch_whatever_its_floor(floor, ends):
    ridges = {"burr_left_um": 12.0, "burr_right_um": 11.0, "removed_fraction": 0.1}
    verdict = judged(0.3, **ridges, floor_ratio=floor, end_share=ends)
    assert verdict.class_name == "scratch"
    assert any("pushed aside" in sentence for sentence in verdict.evidence)
    assert any("ignoring the picture" in sentence for sentence in verdict.evidence)


def test_a_ridge_within_its_uncertainty_proves_nothing():
    ridges = {"burr_left_um": 6.0, "burr_right_um": 6.0, "removed_fraction": 0.3, "u_burr_um": 6.0}
    assert judged(**ridges).class_name != "scratch"


def test_confidence_is_lower_where_the_line_is_not_resolved():
    clear = judged()
    narrow = judged(width_px=1.4, mouth_px=3.0)
    assert narrow.confidence < clear.confidence
    assert "no width or depth" in narrow.evidence[0]


def test_ramp_widens_with_the_uncertainty():
    assert ramp(0.5, 0.0, 1.0) == pytest.approx(0.5)
    assert ramp(-0.1, 0.0, 1.0) == 0
    assert 0 < ramp(-0.1, 0.0, 1.0, u=0.2) < 0.5


def test_areas_and_spots_say_their_numbers():
    area = judge_area(20.0, 0.5, 4.0, 12.5)
    assert (area.class_name, area.confidence > 0.9) == ("etched", True)
    assert "12.50 mm²" in area.evidence[0]
    assert judge_spot(9.0, 0.5, 300, 1.1).class_name == "pit"
    assert judge_spot(-4.0, 0.5, 300, 1.1).class_name == "deposit"
    assert judge_spot(1.0, 1.0, 300, 1.1).confidence < 0.8


def test_records_refuse_nonsense():
    geometry = {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}
    with pytest.raises(MarkError, match="not a class"):
        Mark("m1", "gouge", 0.5, geometry, 1.0, ())
    with pytest.raises(MarkError, match="confidence"):
        Mark("m1", "scratch", float("nan"), geometry, 1.0, ())
    with pytest.raises(MarkError, match="no depth"):
        Mark("m1", "scratch", 0.5, geometry, 1.0, (), resolved=False, depth_um=3.0)
    with pytest.raises(MarkError, match="two points"):
        Trace(np.zeros((1, 2)), 3.0, "valley")
    assert CLASSES.index("friction-ridge print") == 5


def test_lines_that_meet_at_an_angle_cross_and_parallel_ones_do_not():
    across = np.array([[50.0, 0.0], [50.0, 100.0]])
    down = np.array([[0.0, 40.0], [100.0, 45.0]])
    beside = across + np.array([1.0, 0.0])
    assert crossings([across, down]) == [(0, 1)]
    assert crossings([across, beside]) == []
    assert crossings([across]) == []


def test_outline_of_a_ring_has_its_hole_and_its_area():
    # analytic: the areas of both circles
    row, col = np.mgrid[:80, :90]
    far = np.hypot(row - 40, col - 45)
    grid = Grid((200, 300), 0.1)
    shape = outline_geometry((far < 30) & (far > 12), 50, 100, grid)
    areas = []
    for ring in shape["coordinates"]:
        x, y = np.array(ring).T
        areas.append(0.5 * (x[:-1] * y[1:] - x[1:] * y[:-1]).sum())
    assert areas[0] == pytest.approx(np.pi * 3.0**2, rel=0.02)
    assert areas[1] == pytest.approx(-np.pi * 1.2**2, rel=0.05)
    x, y = np.array(shape["coordinates"][0]).T
    assert (x.min() + x.max()) / 2 == pytest.approx((145.5 - 150) * 0.1, abs=0.1)
    assert (y.min() + y.max()) / 2 == pytest.approx((100 - 90.5) * 0.1, abs=0.1)
