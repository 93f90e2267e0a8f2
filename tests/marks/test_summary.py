import json
from itertools import pairwise
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from rasterio.features import rasterize
from scipy import stats

from lightdome.marks.axial import axes_of
from lightdome.marks.records import Mark
from lightdome.marks.regions import length_inside, regions_of
from lightdome.marks.summary import distribution, order_at_crossings, poisson_interval, summary_of
from lightdome.raster import Grid
from lightdome.store import read_json
from lightdome.surface.texture import texture_facts

SCHEMA = json.loads((Path(__file__).parent / "summary.schema.json").read_text(encoding="utf-8"))
GRID = Grid((240, 320), 0.05)


def fits(summary):
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(json.dumps(summary, allow_nan=False)))


def line(number, points, name="scratch", depth=5.0, crosses=(), resolved=True):
    points = np.array(points, float)
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    return Mark(
        id=f"m{number:04d}",
        class_name=name,
        confidence=0.9,
        geometry={"type": "LineString", "coordinates": points.tolist()},
        length_mm=length,
        evidence=("as drawn",),
        resolved=resolved,
        depth_um=depth if resolved else None,
        u_depth_um=0.3 if resolved else None,
        width_um=10 * depth if resolved else None,
        u_width_um=2.0 if resolved else None,
        crosses=tuple(crosses),
    )


def scattered(count=40, seed=1):
    rng = np.random.default_rng(seed)
    marks = []
    for number in range(count):
        x, y, turn = rng.uniform(-5, 5), rng.uniform(-4, 4), np.radians(170 + 15 * rng.standard_normal())
        half = rng.uniform(0.2, 1.5) * np.array([np.cos(turn), np.sin(turn)])
        marks.append(line(number, [np.array([x, y]) - half, [x, y], np.array([x, y]) + half], depth=rng.uniform(2, 20)))
    return marks


def test_mean_axis_is_the_halved_mean_of_the_doubled_angles():
    # scipy.stats.circmean of doubled angles, and directional_stats of unit vectors; lines of equal length
    degrees = np.random.default_rng(2).normal(172, 20, 300)
    ways = np.stack([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))], axis=1)
    axes = axes_of([np.array([[0, 0], way]) for way in ways])
    assert axes.mean_deg == pytest.approx(np.degrees(stats.circmean(np.radians(2 * degrees)) / 2) % 180, abs=1e-9)
    doubled = np.radians(2 * degrees)
    found = stats.directional_stats(np.stack([np.cos(doubled), np.sin(doubled)], axis=1))
    assert axes.resultant == pytest.approx(float(found.mean_resultant_length), abs=1e-12)
    bins = np.histogram(degrees % 180, bins=18, range=(0, 180))[0]
    np.testing.assert_allclose(axes.length_by_bin, bins)


def test_standard_error_of_the_mean_axis_is_its_scatter_over_many_plates():
    # Monte Carlo (JCGM 101): mean axes of 400 made plates of 60 scratches each
    rng = np.random.default_rng(3)
    means, errors = [], []
    for _ in range(400):
        turn = np.radians(rng.normal(30, 25, 60))
        axes = axes_of([np.array([[0, 0], [np.cos(t), np.sin(t)]]) for t in turn])
        means.append(axes.mean_deg)
        errors.append(axes.u_mean_deg)
    assert np.median(errors) == pytest.approx(np.std(means), rel=0.15)


def test_no_direction_stands_out_of_a_cross_and_none_of_no_line():
    cross = axes_of([np.array([[0, 0], [1, 0]]), np.array([[0, 0], [0, 1]])])
    assert np.isnan(cross.mean_deg)
    assert cross.resultant == pytest.approx(0, abs=1e-9)
    assert np.isnan(axes_of([]).resultant)
    assert axes_of([np.array([[0, 0], [-1, 0.0]])]).length_by_bin[0] == 1  # 180 degrees is 0


@pytest.mark.parametrize("count", [0, 1, 7, 40])
def test_poisson_interval_puts_a_fortieth_on_either_side(count):
    # by the definition of the exact interval, with scipy.stats.poisson
    low, high = poisson_interval(count)
    assert stats.poisson.cdf(count, high) == pytest.approx(0.025, abs=1e-9)
    assert (low == 0) if count == 0 else stats.poisson.sf(count - 1, low) == pytest.approx(0.025, abs=1e-9)


def test_density_length_and_counts_are_those_of_the_marks():
    marks = [*scattered(), line(90, [(0, 0), (1, 0)], "etched", resolved=False)]
    known = np.ones(GRID.shape, bool)
    known[:, :160] = False
    summary = summary_of(marks, np.zeros(GRID.shape, np.uint8), GRID, known)
    fits(summary)
    assert summary["density"]["per_dm2"] == pytest.approx(40 / (8 * 12 / 1e4))
    assert summary["density"]["u_per_dm2"] == pytest.approx(40**0.5 / (8 * 12 / 1e4))
    assert summary["counts"]["scratch"] == 40
    scratch, etched = summary["by_class"]["scratch"], summary["by_class"]["etched"]
    assert scratch["line_length_mm"] == pytest.approx(sum(mark.length_mm for mark in marks[:40]))
    assert sum(scratch["orientation"]["length_mm"]) == pytest.approx(scratch["line_length_mm"])
    assert (etched["resolved"], etched["unresolved"], etched["depth_um"]["count"]) == (0, 1, 0)
    assert etched["depth_um"]["percentiles"]["p50"] is None


def test_total_length_scatters_as_its_uncertainty_says():
    # Monte Carlo: lines along x whose ends are told to the pixel they fall in
    rng = np.random.default_rng(4)
    pitch, ends = 0.05, rng.uniform(0, 10, (2000, 30, 2))
    told = (np.floor(ends / pitch) + 0.5) * pitch
    error = ((told[..., 1] - told[..., 0]) - (ends[..., 1] - ends[..., 0])).sum(axis=1)
    marks = [line(number, [(0, number / 10), (1, number / 10)]) for number in range(30)]
    summary = summary_of(marks, np.zeros(GRID.shape, np.uint8), GRID)
    assert summary["by_class"]["scratch"]["u_line_length_mm"] == pytest.approx(error.std(), rel=0.1)


def test_percentiles_and_the_interval_of_the_median():
    values = np.random.default_rng(5).lognormal(2, 0.5, 41)
    found = distribution(list(values), [0.5] * 41)
    assert found["percentiles"]["p95"] == pytest.approx(np.quantile(values, 0.95))
    # ranks 14 and 28 of 41 by tables of the sign test: binomial(41, 1/2) leaves 2.8 % below 14
    ordered = np.sort(values)
    assert stats.binom.cdf(13, 41, 0.5) < 0.025 < stats.binom.cdf(14, 41, 0.5)
    assert found["median_interval_95"] == pytest.approx([ordered[13], ordered[27]])
    assert distribution([3.0, None], [])["median_interval_95"] == [None, None]


def test_regions_are_those_of_the_texture_and_hold_all_scratches():
    regions = regions_of(GRID)
    texture = texture_facts(np.zeros(GRID.shape, np.float32), [0.1] * 10, GRID, 0.1, 2.0)["regions"]
    for one, other in zip(regions, texture, strict=True):
        assert one.name == other["region"]
        assert list(one.x_mm) == pytest.approx(other["x_mm"])
        assert list(one.y_mm) == pytest.approx(other["y_mm"])
    summary = summary_of(scattered(), np.zeros(GRID.shape, np.uint8), GRID)
    whole, parts = summary["regions"][0], summary["regions"][1:]
    assert sum(part["scratches"] for part in parts) == whole["scratches"] == 40
    assert sum(part["scratch_length_mm"] for part in parts) == pytest.approx(whole["scratch_length_mm"])
    assert sum(part["area_dm2"] for part in parts) == pytest.approx(whole["area_dm2"]) == pytest.approx(192 / 1e4)


def test_length_inside_is_that_of_points_along_the_line():
    rng = np.random.default_rng(6)
    region = regions_of(GRID)[4]
    for _ in range(20):
        points = rng.uniform(-8, 8, (6, 2))
        fine = np.concatenate([np.linspace(a, b, 4001)[:-1] for a, b in pairwise(points)])
        steps = np.repeat(np.linalg.norm(np.diff(points, axis=0), axis=1) / 4000, 4000)
        inside = [region.holds(x, y) for x, y in fine]
        assert length_inside(points, region) == pytest.approx(steps[inside].sum(), abs=0.02)


def test_etched_share_is_that_of_the_drawn_area_and_doubt_follows_confidence():
    outline = [(-4.0, -3.0), (2.0, -3.0), (2.0, 1.0), (-4.0, 1.0), (-4.0, -3.0)]
    to_pixel = [[GRID.to_pixel(np.array(x), np.array(y))[::-1] for x, y in outline]]
    ring = [(float(col) + 0.5, float(row) + 0.5) for col, row in to_pixel[0]]
    classes = rasterize([({"type": "Polygon", "coordinates": [ring]}, 1)], GRID.shape).astype(np.uint8)
    field = Mark("m0001", "etched", 0.8, {"type": "Polygon", "coordinates": [outline]}, 6.0, ("as drawn",))
    share = summary_of([field], classes, GRID)["etched_share"]
    assert share["value"] == pytest.approx(24 / 192, rel=0.01)
    assert share["u"] == pytest.approx(24 / 192 * (0.8 * 0.2) ** 0.5)  # a Bernoulli trial of the whole area
    assert summary_of([], classes, GRID, np.zeros(GRID.shape, bool))["etched_share"]["value"] is None


def test_order_is_counted_once_a_pair_and_said_in_a_sentence():
    def meets(other, later):
        return {"id": other, "later": later}

    scratch = line(
        1, [(0, 0), (5, 0)], crosses=[meets("m0002", "m0001"), meets("m0003", "m0001"), meets("m0004", None)]
    )
    other = line(5, [(0, 1), (5, 1)], crosses=[meets("m0002", "m0002"), meets("m0001", "m0001")])
    etched = [
        line(number, [(number, -1), (number, 1)], "etched", crosses=[meets("m0001", later)])
        for number, later in ((2, "m0001"), (3, "m0001"), (4, None))
    ]
    order = order_at_crossings([scratch, other, *etched])
    assert (order["crossings"], order["decided"], order["scratch_later"], order["undecided"]) == (4, 3, 2, 1)
    assert order["sentence"] == "The scratches are later than the etching at 2 of 3 decided crossings (1 undecided)."
    # Wilson's interval by its closed form, z = 1.959964
    n, p, z2 = 3, 2 / 3, 1.959964**2
    centre, half = (p + z2 / 2 / n) / (1 + z2 / n), (z2 * (p * (1 - p) / n + z2 / 4 / n**2)) ** 0.5 / (1 + z2 / n)
    assert order["interval_95"] == pytest.approx([centre - half, centre + half], abs=1e-6)
    assert "nothing is said" in order_at_crossings([])["sentence"]


def test_events_are_told_where_marks_have_one():
    class Told(Mark):
        event: str | None = None

    marks = []
    for number, event in enumerate(("e1", "e1", None)):
        mark = Told(**vars(line(number, [(0, number), (3, number + 0.3)])))
        object.__setattr__(mark, "event", event)
        marks.append(mark)
    (event,) = summary_of(marks, np.zeros(GRID.shape, np.uint8), GRID)["events"]
    assert (event["event"], event["marks"]) == ("e1", ["m0000", "m0001"])
    assert event["mean_deg"] == pytest.approx(np.degrees(np.arctan2(0.3, 3)))


@pytest.mark.parametrize("shape", [(1, 1), (8, 8), (240, 320)])
def test_a_field_without_marks_has_a_summary(shape):
    summary = summary_of([], np.zeros(shape, np.uint8), Grid(shape, 0.05))
    fits(summary)
    assert summary["density"]["per_dm2"] == 0
    assert summary["density"]["interval_95_per_dm2"][1] > 0
    assert len(summary["regions"]) == (10 if min(shape) >= 9 else 1)


def test_the_step_writes_a_summary_of_its_schema(examine, away, v_with_ridges):
    height = np.random.default_rng(7).normal(0, 0.1, (120, 160)) + v_with_ridges(
        away((120, 160), (60, 80), 20), 8, 14.0, 0.1
    )
    products = examine(height.astype(np.float32))
    summary = read_json(products.folder / "summary.json")
    fits(summary)
    (scratch,) = products.of_class("scratch")
    assert summary["counts"]["scratch"] == 1
    assert summary["by_class"]["scratch"]["orientation"]["mean_deg"] == pytest.approx(scratch["orientation_deg"], abs=1)
    assert summary["by_class"]["scratch"]["depth_um"]["percentiles"]["p50"] == scratch["depth_um"]
    assert summary["provenance"]["step"] == "classify-marks"
