"""The page for people: seams, two views, accessibility, and plain words where something is missing."""

import json

import numpy as np
import pytest
from browser import PAGE, SHOW
from range_server import serving
from review_light import LEVELS, grey, light_of

SETTLED_VIEWS = "() => review.panes.length === 2"


def test_no_seam_between_tiles_at_eight_times(page, plate):
    shown = plate[0]
    page.run(SHOW, ["lobe", 135, 30, False])
    # the corner of four tiles, pixel (512, 512), in the middle of the view but for a quarter of a screen pixel: one
    # whose centre lies on the border of two pixels belongs to either
    step, aside = shown.pitch_mm / 8, 0.25
    x, y = (512 - shown.grid.shape[1] / 2) * shown.pitch_mm, (shown.grid.shape[0] / 2 - 512) * shown.pitch_mm
    place = [x + aside * step, y - aside * step, step]
    page.run("([x, y, r]) => { review.view.setResolution(r); review.view.setCenter([x, y]); }", place)
    page.settle()
    pixels = page.pixels()[..., :3].astype(int)
    rows, cols = (512 + np.floor((np.arange(n) + 0.5 - n / 2 + aside) / 8).astype(int) for n in pixels.shape[:2])
    expected = np.rint(255 * grey(light_of(shown, "lobe", (135, 30))))[np.ix_(rows, cols)]
    assert np.abs(pixels - expected).max() <= LEVELS


def test_two_views_have_the_same_lamp_place_and_picture(page):
    page.run(SHOW, ["lobe", 135, 30, False])
    page.ask("choose", name="Views", value="beside")
    page.ask("wait", script=SETTLED_VIEWS)
    page.run("() => review.panes[1].show(review.panes[0].field, 'lobe')")
    page.run("() => review.room.change((light) => (light.lamp.azimuth_deg = 200))")
    page.ask("wait", script="() => review.room.shown.lamp.azimuth_deg === 200")
    page.run("() => review.view.setCenter([3, 2])")
    page.settle()
    assert (page.pixels(0) == page.pixels(1)).all()
    page.run("() => review.panes[1].show(review.panes[1].field, 'height')")
    page.settle()
    assert (page.pixels(0) != page.pixels(1)).any()
    page.ask("choose", name="Views", value="one")
    page.settle()
    assert page.run("() => document.querySelectorAll('.pane').length") == 1


WITHOUT_WEBGL2 = """
const { getContext } = HTMLCanvasElement.prototype;
HTMLCanvasElement.prototype.getContext = function (kind, ...more) {
  return kind === 'webgl2' ? null : getContext.call(this, kind, ...more);
};
"""


def test_a_browser_without_webgl2_is_told_so_and_shown_the_way_to_the_still_pictures(browser, plate):
    browser.ask("open", url=plate[1], width=1280, height=720, before=WITHOUT_WEBGL2)
    browser.ask("wait", script="() => document.body.innerText.includes('WebGL2')")
    assert "the still pictures need neither" in browser.ask("text")
    links = browser.run("() => [...document.querySelectorAll('a')].map((link) => link.getAttribute('href'))")
    assert links == ["pictures.html"]


def test_paper_gets_a_picture_of_what_is_seen(page):
    drawn = page.run(
        """() => {
          window.dispatchEvent(new Event('beforeprint'));
          const [canvas] = document.querySelectorAll('.on-paper canvas');
          const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          const levels = new Set(data.filter((_, at) => at % 4 === 0));
          window.dispatchEvent(new Event('afterprint'));
          return [levels.size, document.querySelectorAll('.on-paper canvas').length];
        }"""
    )
    assert drawn[0] > 50
    assert drawn[1] == 0


def test_a_lost_graphics_context_comes_back(page):
    before = page.pixels()
    page.run(
        """async () => {
          const gl = review.panes[0].picture.canvas.getContext('webgl2');
          const lose = gl.getExtension('WEBGL_lose_context');
          lose.loseContext();
          await new Promise((resolve) => setTimeout(resolve, 100));
          lose.restoreContext();
          await new Promise((resolve) => setTimeout(resolve, 100));
        }"""
    )
    page.settle()
    assert (page.pixels() == before).all()
    page.ask("said")


@pytest.mark.parametrize("tab", ["Light", "Measure", "Findings"])
def test_axe_finds_nothing_serious(page, tab):
    page.ask("click", role="tab", name=tab)
    if tab == "Findings":
        page.run("() => document.querySelector('.list').focus()")
        page.ask("press", keys="ArrowDown")
    page.ask("script", path=str(PAGE / "node_modules/axe-core/axe.min.js"))
    found = page.run(
        "async () => (await axe.run()).violations.map((v) => [v.impact, v.id, v.nodes.map((n) => n.html)])"
    )
    assert [each for each in found if each[0] in ("serious", "critical")] == []


def test_a_server_without_ranges_is_named_in_plain_words(browser, plate):
    with serving(plate[0].folder.parents[1], ranges=False) as address:
        browser.ask("open", url=f"{address}/TP-017/review/", width=1280, height=720)
        browser.ask("wait", script="() => document.querySelector('h1').textContent === 'Something is missing'")
        text = browser.ask("text")
    assert "does not hand out parts of files" in text
    assert "Still pictures" in text


def test_names_from_a_hostile_plate_are_text_and_nothing_else(browser, plate, tmp_path):
    import shutil

    folder = tmp_path / "TP-017"
    shutil.copytree(plate[0].folder.parents[0], folder)
    manifest = folder / "review/plate.json"
    facts = json.loads(manifest.read_text())
    evil = "<img src=x onerror=\"document.title='broken in'\">"
    facts |= {"title": evil, "plate": evil, "material": evil}
    facts["fields"][0]["title"] = evil
    manifest.write_text(json.dumps(facts))
    (folder / "front/A").mkdir(parents=True, exist_ok=True)
    with serving(tmp_path) as address:
        browser.open(f"{address}/TP-017/review/")
        assert evil in browser.ask("text")
        assert browser.run("() => document.title") == f"{evil} · review"
        assert browser.run("() => document.querySelectorAll('#page img').length") == 0
    browser.ask("said")
