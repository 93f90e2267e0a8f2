"""What is read by mouse on a plate of known truth."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from browser import PIXEL

PLACE = "([clientX, clientY]) => review.panes[0].map.getEventCoordinate({ clientX, clientY })"
PIXEL_OF_SECOND = PIXEL.replace("panes[0]", "panes[1]")
FIGURES = "() => review.measuring.measurements.map((each) => [each.points, each.figures])"
COUNT = "() => review.measuring.measurements.length > 0"


def draw(page, tool, places):
    """Clicks with a tool; where the clicks lie on the plate, mm, and the figures by name."""
    page.ask("click", role="tab", name="Measure")
    page.ask("click", role="button", name=tool)
    pixels = [page.run(PIXEL, place) for place in places]
    for pixel in pixels[:-1]:
        page.ask("mouse", path=[pixel], click=True)
    page.ask("double", place=pixels[-1])
    page.ask("wait", script=COUNT)
    figures = page.run(FIGURES)[-1][1]
    return [page.run(PLACE, pixel) for pixel in pixels], {figure["name"]: figure for figure in figures}


def test_distance_is_that_between_the_two_clicks(page, plate):
    (start, end), figures = draw(page, "Distance", [(-8.0, 3.0), (7.0, -4.0)])
    truth = np.hypot(end[0] - start[0], end[1] - start[1])
    length = figures["Length"]
    assert length["value"] == pytest.approx(truth, rel=1e-9)
    # the pitch known within 0.2 %, and each end read to the pixel: a rectangle one pixel wide
    assert length["u"] == pytest.approx(np.hypot(0.002 * truth, np.sqrt(2) * plate[0].pitch_mm / np.sqrt(12)))
    assert f"{truth:.2f}"[:4] in page.ask("text")
    assert "mm" in page.ask("text")


def test_area_of_a_drawn_outline(page):
    places, figures = draw(page, "Area", [(-8.0, 3.0), (7.0, 3.0), (7.0, -4.0), (-8.0, -4.0)])
    x, y = np.array(places).T
    truth = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2
    assert figures["Area"]["value"] == pytest.approx(truth, rel=1e-9)
    assert figures["Area"]["unit"] == "mm²"


def test_depth_and_width_of_a_groove_are_right_within_their_uncertainty(page):
    # 20 um deep and 400 um wide at half depth, on a slope of 3 um in a mm: `groove_um`
    _, figures = draw(page, "Cross-section", [(3.6, 1.0), (6.4, 1.0)])
    depth, width = figures["Depth"], figures["Width at half depth"]
    assert 0 < depth["u"] < 1
    assert abs(depth["value"] - 20) <= 2 * depth["u"]
    assert 0 < width["u"] < 40
    assert abs(width["value"] - 400) <= 2 * width["u"]


def test_a_section_is_handed_on_as_csv(page):
    draw(page, "Cross-section", [(3.6, 1.0), (6.4, 1.0)])
    file = page.ask("download", role="button", name="Section as CSV")
    rows = list(csv.DictReader(Path(file["path"]).read_text().splitlines()))
    assert set(rows[0]) == {"distance_mm", "height_um", "standard_uncertainty_um"}
    heights = [float(row["height_um"]) for row in rows]
    # the lowest of the groove and the highest of its shoulders
    assert max(heights) - min(heights) == pytest.approx(20 + 3 * (6.4 - 5.0), abs=1.5)
    assert float(rows[0]["standard_uncertainty_um"]) == pytest.approx(0.4, abs=1e-6)


def test_roughness_of_a_plane_is_none_and_of_the_groove_is_numpys(page, plate):
    from review_plates import groove_um

    grid = plate[0].grid
    page.run("() => review.measuring.take('roughness', [[-9, -3], [-5, -3], [-5, 3], [-9, 3]])")
    page.run("() => review.measuring.take('roughness', [[4, -3], [6, -3], [6, 3], [4, 3]])")
    (_, plane), (_, groove) = page.run(FIGURES)
    assert plane[0]["value"] == pytest.approx(0, abs=1e-4)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    inside = (abs(x - 5) <= 1) & (abs(y) <= 3)
    heights = groove_um(grid).astype(np.float32)[inside].astype(float)
    model = np.stack([np.ones(inside.sum()), x[inside], y[inside]], axis=1)
    rest = heights - model @ np.linalg.lstsq(model, heights, rcond=None)[0]
    assert groove[0]["value"] == pytest.approx(np.sqrt(np.mean(rest**2)), rel=1e-4)
    assert groove[1]["value"] == pytest.approx(np.mean(abs(rest)), rel=1e-4)
    page.ask("click", role="tab", name="Measure")
    assert "no uncertainty known" in page.ask("text")


def test_the_pixel_under_the_pointer_is_read_with_unit_and_uncertainty(page, plate):
    pixel = page.run(PIXEL, (-6.0, 2.0))
    page.ask("mouse", path=[pixel], click=True)
    page.ask("wait", script="() => document.querySelector('footer .reading').textContent.includes('height')")
    text = page.run("() => document.querySelector('footer .reading').textContent")
    x, y = page.run(PLACE, pixel)
    assert f"x −{abs(x):.3f} mm, y {y:.3f} mm" in text
    pixel_x = (np.floor(x / plate[0].pitch_mm) + 0.5) * plate[0].pitch_mm
    height, expanded = re.search(r"height −([\d.]+) ± ([\d.]+) µm", text).groups()
    assert float(height) == pytest.approx(-3 * pixel_x, abs=0.006)
    assert expanded == "0.80"


def test_what_is_drawn_in_the_second_view_is_measured_on_its_field(page):
    page.run("() => review.arrange('beside')")
    page.settle()
    fields = page.run("() => review.panes.map(({ field }) => [field.side, field.field])")
    assert fields[0] != fields[1]
    page.ask("click", role="tab", name="Measure")
    page.ask("click", role="button", name="Distance")
    # the view is shared by both: the same place, half a stage further to the right
    start, end = (page.run(PIXEL_OF_SECOND, place) for place in ((-2.0, 1.0), (2.0, 1.0)))
    page.ask("mouse", path=[start], click=True)
    page.ask("double", place=end)
    page.ask("wait", script=COUNT)
    (taken,) = page.run("() => review.measuring.measurements.map(({ side, field, figures }) => [side, field, figures])")
    assert taken[:2] == fields[1]
    resolution = page.run("() => review.view.getResolution()")
    assert taken[2][0]["value"] == pytest.approx(4.0, abs=2 * resolution)


def test_a_section_that_ends_on_the_wall_of_the_groove_says_how_little_it_knows(page):
    _, good = draw(page, "Cross-section", [(3.6, 1.0), (6.4, 1.0)])
    for end in (5.3, 5.35, 5.4):
        page.run(f"() => review.measuring.take('section', [[3.6, 1.0], [{end}, 1.0]])")
        depth = page.run(FIGURES)[-1][1][0]
        assert depth["u"] > 4 * good["Depth"]["u"]
        assert abs(depth["value"] - 20) <= 2 * depth["u"]
