import re
from urllib.parse import unquote

import pytest
from finished import Finished, build, mark, write_finished, write_front_end, write_session
from web_page import Page, check_page

from lightdome.errors import ProductError, PublishError
from lightdome.publish.steps import build_review
from lightdome.store import write_json

HOSTILE = "<script>alert(1)</script> & 'quotes' {{ 7 * 7 }} </title>"


def review(done):
    return Page(build(done).with_name("pictures.html"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    done = write_finished(tmp_path_factory.mktemp("whole"))
    return done, review(done)


def test_the_page_keeps_to_the_rules_of_the_web(whole):
    check_page(whole[1])
    # one level 3 heading for light, marks, four groups of maps, texture and lamps; one field, and the cautions
    assert [whole[1].headings.count(level) for level in (1, 2, 3)] == [1, 2, 8]


def test_every_map_is_shown(whole):
    _, page = whole
    shown = {image["src"].removeprefix("front%2BA-").removesuffix(".png") for image in page.all("img")}
    lights = {f"light_{side}" for side in ("right", "above", "left", "below", "high")}
    curvatures = {f"curvature_{name}" for name in ("mean", "k1", "k2", "gaussian")}
    heights = {"height", "height_uncertainty", "etched_height", "scratch_height"}
    others = {"slope_x", "slope_y", "tilt_uncertainty", "flags", "reflectance", "classes", "lamp_layout"}
    assert shown == lights | curvatures | heights | others


def test_the_page_says_what_a_conservator_asks(whole):
    text = whole[1].text
    for words in (
        "TP-017",
        "tide table, upper half",
        "zinc",
        "160 × 120 mm",
        "Tern Point harbour office",
        "usable with warnings",
        "2.0 % of the pixels are at white",
        "18.2 ± 1.2",
        "120 ± 10",
        "metal was pushed aside",
        "not traceable",
        "S-filter 0.08 mm, L-filter 2 mm",
        "lengths have none yet",
        "No uncertainty is given",
        "31.2",
        "method = robust",
        "highlights and shadows left out by rank",
        "Read with care",
    ):
        assert words in text, words


def test_each_lamp_has_its_button_and_one_is_lit_at_first(whole):
    _, page = whole
    buttons = [button for button in page.all("input") if button["type"] == "radio"]
    assert len(buttons) == 5
    assert len([button for button in buttons if "checked" in button]) == 1
    assert {label["for"] for label in page.all("label")} == {button["id"] for button in buttons}


def test_the_style_lies_beside_the_page_and_nothing_is_inline(whole):
    text = whole[1].path.read_text(encoding="utf-8")
    assert [link["href"] for link in whole[1].all("link")] == ["style.css"]
    assert "style-src 'self'" in re.sub("&#39;", "'", text)
    assert not whole[1].all("style")


def test_ink_on_paper_has_contrast_enough(whole):
    # relative luminance and contrast ratio by WCAG 2.2; 4.5 is level AA for text
    style = whole[1].path.with_name("style.css").read_text(encoding="utf-8")

    def luminance(colour):
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert "background: #e4e4e4; color: #1a1a1a" in style
    for ink in ("#1a1a1a", "#003f7d", "#444444"):
        assert (luminance("#e4e4e4") + 0.05) / (luminance(ink) + 0.05) > 4.5


def test_a_hostile_title_stays_text(tmp_path):
    page = review(write_finished(tmp_path, title=HOSTILE.replace("\\", "")))
    check_page(page)
    assert HOSTILE in page.text


def test_hostile_evidence_stays_text(tmp_path):
    page = review(write_finished(tmp_path, [mark(1, evidence=["<img src=x onerror=alert(1)>"])]))
    check_page(page)
    assert "<img src=x onerror=alert(1)>" in page.text


def test_hostile_names_of_a_mark_stay_text(tmp_path):
    named = mark(1, id="</td><script>m()</script>", **{"class": "<img src=x>"}) | {"id": "'><svg onload=x>"}
    page = review(write_finished(tmp_path, [named]))
    check_page(page)
    assert "</td><script>m()</script>" in page.text
    assert "<img src=x>" in page.text


def test_no_mark_is_said_to_be_a_result(tmp_path):
    page = review(write_finished(tmp_path, marks=[]))
    check_page(page)
    assert "No mark was found" in page.text
    assert not [caption for caption in page.all("caption") if "Evidence" in caption]


def test_a_narrow_mark_has_no_depth(tmp_path):
    narrow = mark(1, depth_um=None, u_depth_um=None, width_um=None, u_width_um=None, resolved=False)
    page = review(write_finished(tmp_path, [narrow]))
    assert "too narrow to measure" in page.text


def test_many_marks_are_counted_and_the_longest_shown(tmp_path):
    page = review(write_finished(tmp_path, [mark(number) for number in range(1, 331)]))
    assert "330 marks" in page.text
    assert "m0330" in page.text
    assert "m0001" not in page.text
    assert "../front/A/marks/marks.csv" in page.addresses()


def test_what_is_missing_is_named_and_the_rest_is_shown(tmp_path):
    done = write_finished(tmp_path)
    for gone in ("surface/height.tif", "marks/marks.geojson", "relight/coefficients.tif", "frames/quality.json"):
        (done.field / gone).unlink()
    (done.field / "surface/curvature.tif").write_bytes(b"not a raster")
    page = review(done)
    check_page(page)
    for gone in ("surface/height.tif", "marks/marks.geojson", "relight/coefficients.tif", "frames/quality.json"):
        assert gone in page.text
    assert "cannot be read as a raster" in page.text
    assert "front%2BA-reflectance.png" in page.addresses()


def test_a_doubt_about_the_lamps_stands_on_the_page(tmp_path):
    done = write_finished(tmp_path)
    lobe = {"method": "microfacet", "lobe": None, "note": "a <note>", "warning": "lamps are mixed up"}
    write_json(done.field / "surface/lobe.json", lobe)
    page = review(done)
    check_page(page)
    assert "lamps are mixed up" in page.text
    assert "a <note>" in page.text
    assert "whole lobe of the metal" in page.text


def test_a_plate_of_which_nothing_was_made_still_has_a_page(tmp_path):
    session = write_session(tmp_path / "capture")
    plate = tmp_path / "results/tern-point-2031-05/TP-017"
    page = review(Finished(session, plate.parent))
    check_page(page)
    assert "Height (surface/height.tif): it was not made" in page.text


def test_pictures_of_an_older_page_are_taken_away(tmp_path):
    done = write_finished(tmp_path)
    review(done)
    (done.field / "surface/height.tif").unlink()
    (done.field / "relight/coefficients.tif").unlink()
    page = review(done)
    left = {path.name for path in page.path.parent.glob("*.png")}
    assert left == {unquote(image["src"]) for image in page.all("img")}


def test_a_plate_that_the_session_does_not_know_is_refused(tmp_path):
    session = write_session(tmp_path / "capture")
    with pytest.raises(PublishError, match="has no field of a plate of this name"):
        build_review(tmp_path / "results/TP-999", session, tmp_path / "index.html", write_front_end(tmp_path / "built"))
    assert not (tmp_path / "index.html").exists()


def test_a_lamp_record_that_cannot_be_understood_is_named_as_missing(tmp_path):
    done = write_finished(tmp_path)
    (done.field / "lights/lamps.json").write_text('{"lamps": 3}')
    (done.field / "marks/marks.geojson").write_text("{ cut off")
    page = review(done)
    check_page(page)
    assert "Marks were not judged" in page.text


def test_without_its_front_end_the_page_is_refused_before_anything_is_written(tmp_path):
    done = write_finished(tmp_path)
    page = done.plate / "review/index.html"
    with pytest.raises(PublishError, match=r"front end of the review page is not built; run: pip install -e \."):
        build_review(done.plate, done.session, page, tmp_path / "nothing")
    assert not page.parent.exists()


def test_a_page_that_could_not_be_finished_is_not_there(tmp_path):
    done = write_finished(tmp_path)
    page = build(done)
    page.with_name("style.css").unlink()
    page.with_name("style.css").mkdir()
    with pytest.raises(ProductError, match=r"style\.css"):
        build(done)
    assert not page.exists()


def test_assets_and_layers_of_an_older_page_are_taken_away(tmp_path):
    done = write_finished(tmp_path)
    page = build(done)
    assert page.with_name("tiles").joinpath("front/A/height.tif").is_file()
    front_end = done.session.parent / "front-end"
    (front_end / "page/main.js").rename(front_end / "page/other.js")
    (done.field / "surface/height.tif").unlink()
    build(done)
    assert [path.name for path in page.with_name("page").iterdir()] == ["other.js"]
    assert not page.with_name("tiles").joinpath("front/A/height.tif").exists()
    assert page.is_file()
