import pytest
from finished import build, write_finished, write_log, write_session
from web_page import Page, check_page

from lightdome.publish.night import FIELD_STEPS, PLATE_STEPS, duration_words, measured, state_of
from lightdome.publish.steps import summarise_night, write_report
from lightdome.store import read_json, write_json


def summary(session, results):
    page = results / "index.html"
    code = summarise_night(results, session, page)
    return code, Page(page)


def test_a_night_that_went_well_links_to_page_and_report(tmp_path):
    done = write_finished(tmp_path)
    for step in FIELD_STEPS:
        write_log(done.field, step, f"{step}: done in 61.0 s, peak memory 321 MB\n", 61.0, 321.4)
    build(done)
    write_report(done.plate, done.session, done.plate / "report.pdf")
    for step in PLATE_STEPS:
        write_log(done.plate, step, "", 4.5, 100)
    code, page = summary(done.session, done.results)
    check_page(page)
    assert code == 0
    stills = "TP-017/review/pictures.html"
    assert {"TP-017/review/index.html", stills, "TP-017/report.pdf"} <= set(page.addresses())
    # 11 steps of 61 s and 2 of 4.5 s
    assert "11 min 20 s" in page.text
    assert "321" in page.text
    assert "11 of 11 steps done" in page.text
    assert page.all("img")[0]["src"].startswith("data:image/png;base64,")
    assert "2.0 % of the pixels are at white" in page.text
    assert "1 warned" in page.text


def test_a_doubt_about_the_lamps_stands_in_the_summary(tmp_path):
    done = write_finished(tmp_path)
    lobe = {"method": "microfacet", "lobe": None, "note": None, "warning": "the lamp table may be turned"}
    write_json(done.field / "surface/lobe.json", lobe)
    _, page = summary(done.session, done.results)
    check_page(page)
    assert "the lamp table may be turned" in page.text


def test_a_failed_step_is_named_with_its_sentence_and_what_it_stopped(tmp_path):
    done = write_finished(tmp_path)
    (done.field / "surface/height.tif").unlink()
    write_log(
        done.field, "integrate-height", "progress\nlightdome: error: normals.tif: holds no normal; look <b>there</b>\n"
    )
    (done.field / "marks/etched_height.tif").unlink()
    code, page = summary(done.session, done.results)
    check_page(page)
    assert code == 2
    assert "integrate-height failed:" in page.text
    assert "normals.tif: holds no normal; look <b>there</b>" in page.text
    assert "1 failed" in page.text
    assert "not reached" in page.text
    assert "no review page" in page.text


def test_a_fault_of_the_program_is_told_from_what_a_person_can_mend(tmp_path):
    done = write_finished(tmp_path)
    (done.field / "surface/height.tif").unlink()
    write_log(
        done.field, "integrate-height", "Traceback (most recent call last):\n  x\nZeroDivisionError: division by zero\n"
    )
    code, page = summary(done.session, done.results)
    assert code == 1
    assert "ZeroDivisionError: division by zero" in page.text


def test_a_killed_step_says_that_it_was_stopped():
    killed = state_of("stack-frames", "", None, complete=False)
    assert (killed.state, killed.mendable) == ("failed", False)
    assert "was stopped" in killed.why
    assert state_of("stack-frames", None, None, complete=False).state == "not reached"
    assert state_of("stack-frames", "stack-frames: done in 2 s\n", None, complete=True).state == "done"


def test_an_error_counts_although_an_older_product_is_there():
    state = state_of("map-curvature", "lightdome: error: the disk is full\n", None, complete=True)
    assert (state.state, state.why) == ("failed", "the disk is full")


def test_nothing_finished_at_all_is_said(tmp_path):
    session = write_session(tmp_path / "capture")
    code, page = summary(session, tmp_path / "results/tern-point-2031-05")
    check_page(page)
    assert code == 0
    assert "1 not finished" in page.text
    assert "0 of 11 steps done" in page.text
    assert "no picture yet" in page.text


def test_a_session_that_cannot_be_planned_gives_a_page_that_says_why(tmp_path):
    session = write_session(tmp_path / "capture")
    (session / "session.yaml").write_text("camara: 3\n")
    code, page = summary(session, tmp_path / "results/tern-point-2031-05")
    check_page(page)
    assert code == 2
    assert "could not be planned" in page.text
    assert "session.yaml" in page.text


def test_rows_that_belong_nowhere_are_listed(tmp_path):
    done = write_finished(tmp_path)
    with (done.session / "frames.csv").open("a") as file:
        file.write("frames/0.png,TP-017,../x,A,lit,L0\n")
    code, page = summary(done.session, done.results)
    check_page(page)
    assert code == 2
    assert "row 10" in page.text
    assert "Left out" in page.text


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ("s\th:m:s\tmax_rss\n12.5\t0:00:12\t345.67\n", (12.5, 345.67)),
        ("s\th:m:s\tmax_rss\n0.4\t0:00:00\tNA\n", (0.4, None)),
        ("", (None, None)),
        (None, (None, None)),
    ],
)
def test_time_and_memory_come_from_the_benchmark_table(table, expected):
    assert measured(table) == expected


def test_durations_are_said_as_people_say_them():
    assert [duration_words(seconds) for seconds in (None, 4.26, 75, 3725)] == ["–", "4.3 s", "1 min 15 s", "1 h 02 min"]


def test_many_warnings_are_cut_short(tmp_path):
    done = write_finished(tmp_path)
    quality = read_json(done.field / "frames/quality.json")
    write_json(done.field / "frames/quality.json", quality | {"warnings": [f"warning {n}." for n in range(40)]})
    _, page = summary(done.session, done.results)
    check_page(page)
    assert "warning 5." in page.text
    assert "warning 6." not in page.text
    assert "and 34 more" in page.text
