"""Findings with the server of `lightdome review`: kept in the plate's results, shared between people."""

import json
import os
import shutil

import pytest
from browser import PIXEL, findings, sign
from night_server import change, serving

FIRST = "front/A/m0000"


@pytest.fixture
def server(plate, tmp_path):
    results = tmp_path / "results"
    shutil.copytree(plate[0].folder.parents[1], results)
    with serving(results) as client:
        yield client


@pytest.fixture
def page(browser, server):
    browser.open(f"http://{server.host}{server.review}/")
    findings(browser)
    yield browser
    assert browser.ask("said") == []


def test_a_confirmed_finding_and_a_drawn_one_are_with_the_server_and_come_back(page, server):
    sign(page)
    page.run("() => document.querySelector('.list').focus()")
    page.ask("press", keys="ArrowDown")
    page.ask("click", role="button", name="Confirm")
    page.ask("wait", script="() => review.findings.store.changes.length === 1")
    page.ask("click", role="button", name="Draw it")
    pixels = [page.run(PIXEL, place) for place in ((-6.0, 5.0), (2.0, 5.0))]
    page.ask("mouse", path=[pixels[0]], click=True)
    page.ask("double", place=pixels[1])
    page.ask("wait", script="() => review.findings.store.changes.length === 2")
    kept = server.get(f"{server.review}/api/findings?since=0").json["changes"]
    assert [each["kind"] for each in kept] == ["confirm", "draw"]
    assert {each["author"] for each in kept} == {"A. Example"}
    page.ask("reload")
    page.settle()
    findings(page)
    page.ask("wait", script="() => review.findings.store.changes.length === 2")
    assert page.run(f"() => review.findings.store.state('{FIRST}').status") == "confirmed"
    assert page.run("() => review.findings.shown.length") == 11
    assert "kept by the server" in page.ask("text")


def test_what_somebody_else_decides_is_seen_without_loading_again(page, server):
    assert server.post(change("reject", FIRST, reason="dust", author="B. Example")).status == 201
    page.ask("wait", script=f"() => review.findings.store.state('{FIRST}').status === 'rejected'")
    page.run("() => document.querySelector('.list').focus()")
    page.ask("press", keys="ArrowDown")
    assert "B. Example" in page.ask("text")
    assert "dust" in page.ask("text")


def test_a_change_that_the_server_missed_is_sent_again_and_kept_once(page, server):
    sign(page)
    # two answers are lost on the way back: the server has kept the change, the page does not know
    page.run(
        """() => {
          const { fetch } = globalThis;
          let lost = 2;
          globalThis.fetch = async (address, request) => {
            const answer = await fetch(address, request);
            if (request?.method === 'POST' && (lost -= 1) >= 0) throw new TypeError('lost');
            return answer;
          };
          document.querySelector('.list').focus();
        }"""
    )
    page.ask("press", keys="ArrowDown")
    page.ask("click", role="button", name="Confirm")
    page.ask("wait", script="() => review.findings.store.changes.length === 1 && localStorage.length > 0")
    page.ask("wait", script="() => Object.keys(localStorage).some((key) => localStorage[key] === '[]')")
    assert len(server.get(f"{server.review}/api/findings?since=0").json["changes"]) == 1


def test_what_was_said_of_a_mark_that_is_gone_is_listed_by_itself(browser, server, tmp_path):
    sent = server.post(change("reject", FIRST, reason="dust", author="B. Example"))
    assert sent.status == 201
    (path,) = (tmp_path / "results").glob("*/front/A/marks/marks.geojson")
    marks = json.loads(path.read_text())
    (first,) = (mark for mark in marks["features"] if mark["properties"]["id"] == "m0000")
    first["geometry"] = {"type": "LineString", "coordinates": [[-9.0, -6.0], [-8.0, -6.0]]}
    path.write_text(json.dumps(marks))
    os.utime(path, ns=(1, 1))
    browser.open(f"http://{server.host}{server.review}/")
    findings(browser)
    browser.ask("wait", script="() => review.findings.store.changes.length === 1")
    assert browser.run(f"() => review.findings.store.state('{FIRST}').status") == "proposed"
    assert browser.run("() => review.findings.shown.length") == 11
    assert browser.run("() => review.findings.marks.at(-1).id") == "m0000, no longer proposed"
    browser.run("() => review.findings.list.choose(10)")
    text = browser.ask("text")
    assert "proposes no mark in this place" in text
    assert "dust" in text
    assert browser.run("() => document.querySelectorAll('.card .actions').length") == 0
    assert browser.ask("said") == []
