import io

import imageio.v3 as iio
import numpy as np
import pytest
from finished import build, mark, write_finished, write_front_end
from pypdf import PdfReader

from lightdome.marks.records import Mark
from lightdome.marks.summary import summary_of
from lightdome.publish import chart, pictures
from lightdome.publish.gather import draw_field, read_plate
from lightdome.publish.records import Sheet
from lightdome.publish.statistics import TITLES, statistics_of
from lightdome.publish.steps import write_report
from lightdome.raster import Grid
from lightdome.store import write_json

GRID = Grid((60, 80), 0.05)


def look(png):
    return iio.imread(io.BytesIO(png))[..., :3].astype(int)


def scratch(number, points, depth=5.0, later=None):
    points = np.array(points, float)
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    geometry = {"type": "LineString", "coordinates": points.tolist()}
    crosses = ({"id": "m0009", "later": later},) if later else ()
    facts = {"width_um": 90.0, "u_width_um": 3.0, "depth_um": depth, "u_depth_um": 0.4, "crosses": crosses}
    return Mark(f"m{number:04d}", "scratch", 0.9, geometry, length, ("as drawn",), **facts)


def worked():
    etched = Mark("m0009", "etched", 0.9, {"type": "LineString", "coordinates": [[-1.9, 0], [1.9, 0]]}, 3.8, ("drawn",))
    marks = [scratch(k, [(-1.8 + 0.3 * k, -1.0), (-1.4 + 0.3 * k, 0.9)], 4.0 + k, later="m0001") for k in range(1, 8)]
    return [etched, *marks]


def statistics_in(folder):
    done = write_finished(folder)
    write_json(done.field / "marks/summary.json", summary_of(worked(), np.zeros(GRID.shape, np.uint8), GRID))
    return done


def test_sentences_carry_count_interval_area_and_order():
    told = statistics_of(summary_of(worked(), np.zeros(GRID.shape, np.uint8), GRID))
    density, etched, order = told["sentences"]
    # 7 on 0.0012 dm2; 2.81 to 14.42: the exact Poisson interval of 7 by published tables (from memory)
    assert density.startswith("7 scratches were found on 0.0012 dm²: 5833 per dm² (95 % interval 2345 to 12019, from")
    assert "0.0 ± 0.0 % of the field is etched" in etched
    assert order.startswith("The scratches are later than the etching at 1 of 7 decided crossings (0 undecided).")
    (row,) = [row for row in told["classes"] if row["class"] == "scratch"]
    assert row["depth"] == "8 (5 to 11), 5.3 to 10.7"
    assert row["direction"].startswith("mean 78.1° ± 0.0°") or row["direction"].startswith("mean 78.1° (U unknown)")
    assert [row["region"] for row in told["regions"]][:2] == ["whole", "row 1 column 1"]


def test_a_rose_points_where_the_lines_run():
    colour = np.array([0xD5, 0x5E, 0x00])

    def leaning(points):
        summary = summary_of([scratch(1, points)], np.zeros(GRID.shape, np.uint8), GRID)
        picture = look(chart.draw_rose(summary["by_class"], "Rose", "TP-017"))
        row, col = np.nonzero(np.abs(picture - colour).max(axis=2) < 12)
        return np.corrcoef(-row, col)[0, 1]

    assert leaning([(-1, -1), (1, 1)]) > 0.5
    assert leaning([(-1, 1), (1, -1)]) < -0.5


def test_the_region_with_the_scratches_is_the_light_one(monkeypatch):
    monkeypatch.setattr(pictures, "LONGEST_PX", 1200)
    marks = [scratch(k, [(1.0 + 0.1 * k, 0.6), (1.1 + 0.1 * k, 0.9)]) for k in range(5)]
    summary = summary_of(marks, np.zeros(GRID.shape, np.uint8), GRID)
    picture = look(chart.draw_density(summary["regions"], Sheet("Density", "TP-017", 4.0)))
    field = picture[64:964, 24:1224].sum(axis=2)  # 4 x 3 mm, three pixels a cell of 400 x 300
    upper_right, lower_left = field[15:40, -60:-20], field[-40:-15, 20:60]
    assert upper_right.mean() > lower_left.mean() + 200


@pytest.mark.parametrize("shape", [(4, 4), (60, 80)])
def test_no_mark_still_gives_pictures_and_sentences(shape):
    summary = summary_of([], np.zeros(shape, np.uint8), Grid(shape, 0.05))
    told = statistics_of(summary)
    assert told["sentences"][0].startswith("0 scratches were found on")
    assert "nothing is said" in told["sentences"][2]
    assert look(chart.draw_rose(summary["by_class"], "Rose", "TP-017")).shape[1] > 1000
    assert look(chart.draw_sections([], "Sections", "TP-017")).shape[1] > 1000
    assert look(chart.draw_density(summary["regions"], Sheet("Density", "TP-017", 0.2))).shape[1] > 1000


def test_page_and_report_tell_the_statistics_and_show_each_picture(tmp_path):
    done = statistics_in(tmp_path)
    facts, (field,) = read_plate(done.plate, done.session)
    shown = {item.key: item for item in draw_field(field, facts, tuple(TITLES))}
    assert set(TITLES) <= set(shown)
    assert all(item.alt for item in shown.values())
    write_report(done.plate, done.session, done.plate / "report.pdf")
    reader = PdfReader(io.BytesIO((done.plate / "report.pdf").read_bytes()))
    text = " ".join(" ".join(page.extract_text().split()) for page in reader.pages)
    for words in ("Statistics of the marks", "7 scratches were found", "row 3 column 3", *TITLES.values()):
        assert words in text, words
    write_front_end(done.session.parent / "front-end")
    build(done)
    page = (done.plate / "review/pictures.html").read_text(encoding="utf-8")
    for words in ("Statistics of the marks", "7 scratches were found", "front%2BA-rose.png", "front%2BA-density.png"):
        assert words in page, words


def test_without_a_summary_nothing_is_said_of_statistics(tmp_path):
    done = write_finished(tmp_path, [mark(1)])
    write_report(done.plate, done.session, done.plate / "report.pdf")
    reader = PdfReader(io.BytesIO((done.plate / "report.pdf").read_bytes()))
    assert not any("Statistics of the marks" in page.extract_text() for page in reader.pages)
