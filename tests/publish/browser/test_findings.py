"""Findings on a static host: list, filter, steps, decisions, a new one; kept by the browser."""

import json
from pathlib import Path

import pytest
from browser import PIXEL, findings, sign

OPENED = "() => document.querySelector('.card h2')?.textContent ?? ''"


def test_marks_are_stepped_through_by_keyboard(page):
    findings(page)
    page.run("() => document.querySelector('.list').focus()")
    page.ask("press", keys="ArrowDown")
    assert page.run(OPENED) == "m0000 · scratch"
    page.ask("press", keys="ArrowDown")
    assert page.run(OPENED) == "m0001 · etched"
    text = page.ask("text")
    assert "Depth 18.3 um (u = 0.6 um)." in text
    assert "18.2 ± 1.2 µm" in text or "18.3 ± 1.2 µm" in text


def test_filters_leave_what_they_say(page):
    findings(page)
    counts = page.run(
        """() => {
          const { filter } = review.findings;
          const count = (change) => {
            change();
            review.findings.refilter();
            return review.findings.shown.length;
          };
          return [
            count(() => filter.classes.delete('scratch')),
            count(() => (filter.least_length_mm = 2.025)),
            count(() => (filter.least_confidence = 0.9)),
          ];
        }"""
    )
    # ten marks (two sides share the file); one class in five; lengths 2.00 ... 2.04; confidence 0.8
    assert counts == [8, 4, 0]


def test_a_decision_is_still_there_after_the_page_is_loaded_again(page):
    findings(page)
    sign(page)
    page.run("() => document.querySelector('.list').focus()")
    page.ask("press", keys="ArrowDown")
    page.ask("click", role="button", name="Confirm")
    page.ask("press", keys="Escape")
    page.ask("reload")
    page.settle()
    findings(page)
    assert page.run("() => review.findings.store.state('front/A/m0000').status") == "confirmed"
    assert "kept in this browser only" in page.ask("text")
    file = page.ask("download", role="button", name="Download the changes")
    (change,) = json.loads(Path(file["path"]).read_text())["changes"]
    assert (change["kind"], change["author"]) == ("confirm", "A. Example")


def test_a_rejection_needs_a_reason(page):
    findings(page)
    sign(page)
    page.run("() => document.querySelector('.list').focus()")
    page.ask("press", keys="ArrowDown")
    page.ask("click", role="button", name="Reject")
    assert "Give a reason first." in page.ask("text")
    assert page.run("() => review.findings.store.changes.length") == 0
    page.ask("label", name="Reason", value="a hair on the plate")
    page.ask("click", role="button", name="Reject")
    assert page.run("() => review.findings.store.state('front/A/m0000').status") == "rejected"
    assert "a hair on the plate" in page.ask("text")


def test_nothing_is_kept_without_a_name(page):
    findings(page)
    page.run("() => document.querySelector('.list').focus()")
    page.ask("press", keys="ArrowDown")
    page.ask("click", role="button", name="Confirm")
    assert page.run("() => review.findings.store.changes.length") == 0
    assert "Write your name first" in page.ask("text")


def test_a_new_finding_is_drawn_by_mouse_and_lies_where_it_was_drawn(page):
    findings(page)
    sign(page)
    page.ask("click", role="button", name="Draw it")
    places = [(-6.0, 5.0), (-2.0, 6.0), (2.0, 5.0)]
    pixels = [page.run(PIXEL, place) for place in places]
    for pixel in pixels[:-1]:
        page.ask("mouse", path=[pixel], click=True)
    page.ask("double", place=pixels[-1])
    page.ask("wait", script="() => review.findings.store.changes.length === 1")
    change = page.run("() => review.findings.store.changes[0]")
    assert change["finding"].startswith("person:")
    line = change["body"]["geometry"]["coordinates"]
    assert len(line) == 3
    # as near as a screen pixel
    nearest = page.run("() => review.view.getResolution()")
    assert all(
        abs(a - b) <= nearest
        for drawn, meant in zip(line, places, strict=True)
        for a, b in zip(drawn, meant, strict=True)
    )
    assert page.run("() => review.findings.shown.length") == 11


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        ("an area", {"type": "Polygon", "coordinates": [[[-3, 2], [1.25, 2.5], [0, 4], [-3, 2]]]}),
        ("a point", {"type": "Point", "coordinates": [-3, 2]}),
    ],
)
def test_a_new_finding_can_be_an_area_or_a_point(page, shape, expected):
    findings(page)
    sign(page)
    page.ask("choose", name="as", value=shape)
    page.run("() => [...document.querySelectorAll('.findings input')].find((i) => i.placeholder).focus()")
    page.ask("type", words="-3, 2; 1.25, 2.5; 0, 4")
    page.ask("click", role="button", name="Add it")
    assert page.run("() => review.findings.store.changes[0].body.geometry") == expected
    assert page.run("() => review.findings.shown.length") == 11


def test_a_new_finding_can_be_given_by_its_coordinates(page):
    findings(page)
    sign(page)
    page.run("() => [...document.querySelectorAll('.findings input')].find((i) => i.placeholder).focus()")
    page.ask("type", words="-3, 2; 1.25, 2.5")
    page.ask("click", role="button", name="Add it")
    change = page.run("() => review.findings.store.changes[0]")
    assert change["body"]["geometry"] == {"type": "LineString", "coordinates": [[-3, 2], [1.25, 2.5]]}
    assert change["body"]["class"] == "scratch"
