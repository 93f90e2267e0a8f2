"""The lamp on the margin: mouse, wheel, keys, numbers, and no flashing."""

import pytest

LAMP = """() => {
  const box = document.querySelector('.lamp-sign.lamp .body').getBoundingClientRect();
  return [box.x + box.width / 2, box.y + box.height / 2];
}"""
STAGE = """() => {
  const box = document.querySelector('.ruler').getBoundingClientRect();
  return [box.x, box.y, box.width, box.height];
}"""
WANTED = "() => [review.room.wanted.lamp.azimuth_deg, review.room.wanted.lamp.elevation_deg]"


def test_lamp_dragged_to_the_right_edge_stands_at_azimuth_zero(page):
    x, y, width, height = page.run(STAGE)
    page.ask("mouse", path=[page.run(LAMP), [x + width - 20, y + 60], [x + width - 20, y + height / 2]])
    azimuth, elevation = page.run(WANTED)
    assert min(azimuth, 360 - azimuth) < 0.5
    assert elevation == pytest.approx(20, abs=0.01)
    assert "Azimuth 0° · Elevation 20° · raking" in page.ask("text")


def test_lamp_follows_a_finger(page):
    x, y, width, height = page.run(STAGE)
    half_way = [x + width - 20, y + 60]
    page.ask("touch", path=[page.run(LAMP), half_way, [x + width - 20, y + height / 2]])
    azimuth, elevation = page.run(WANTED)
    assert min(azimuth, 360 - azimuth) < 0.5
    assert elevation == pytest.approx(20, abs=0.01)


def test_plate_is_moved_by_a_finger(page):
    before = page.run("() => review.view.getCenter()")
    x, y, width, height = page.run(STAGE)
    middle = [x + width / 2, y + height / 2]
    page.ask("touch", path=[middle, *([middle[0] - 10 * step, middle[1]] for step in range(1, 9))])
    page.ask("wait", script="() => !review.view.getAnimating() && !review.view.getInteracting()")
    after = page.run("() => review.view.getCenter()")
    resolution = page.run("() => review.view.getResolution()")
    # the first of the eight moves tells a drag from a tap, the plate follows the others
    assert after[0] - before[0] == pytest.approx(70 * resolution, abs=2 * resolution)
    assert after[1] == pytest.approx(before[1], abs=2 * resolution)


def test_lamp_dragged_inward_rises(page):
    x, y, width, height = page.run(STAGE)
    start = page.run(LAMP)
    page.ask("mouse", path=[start, [(start[0] + x + width / 2) / 2, (start[1] + y + height / 2) / 2]])
    azimuth, elevation = page.run(WANTED)
    assert azimuth == pytest.approx(135, abs=3)
    assert 50 < elevation < 75


def test_arrow_keys_move_the_lamp_and_say_so(page):
    page.run("() => document.querySelector('.lamp-sign.lamp').focus()")
    for keys in ("ArrowLeft", "ArrowLeft", "ArrowUp", "Shift+ArrowUp"):
        page.ask("press", keys=keys)
    assert page.run(WANTED) == [137, 26]
    said = page.run("() => document.querySelector('.lamp-sign.lamp').getAttribute('aria-valuetext')")
    assert said == "azimuth 137°, elevation 26°"


def test_a_lamp_lower_than_all_of_the_capture_is_said_to_be_guessed(page):
    page.ask("label", name="Elevation (°)", value="5")
    page.ask("press", keys="Enter")
    assert "Lower than any lamp of the capture (15°): the model only guesses here." in page.ask("text")
    page.ask("label", name="Elevation (°)", value="40")
    page.ask("press", keys="Enter")
    assert "only guesses" not in page.ask("text")


def test_a_named_position_is_still_there_after_the_page_is_loaded_again(page):
    page.ask("label", name="Azimuth (°)", value="222")
    page.ask("press", keys="Enter")
    page.ask("label", name="Name", value="wing side")
    page.ask("click", role="button", name="Keep this position")
    page.ask("reload")
    page.settle()
    options = page.run("() => [...document.querySelectorAll('option')].map((option) => option.textContent)")
    assert "wing side: azimuth 222°, elevation 20°" in options
    assert "L01: azimuth 45°, elevation 15°" in options


def test_a_lamp_thrown_to_and_fro_makes_at_most_three_flashes_a_second(page):
    # a flash is a pair of opposing changes of a tenth or more of the whole range (WCAG 2.3.1)
    changes, seconds = page.run(
        """async () => {
          const { room, panes } = review;
          const { canvas } = panes[0].picture;
          const small = Object.assign(document.createElement('canvas'), { width: 40, height: 30 });
          const pen = small.getContext('2d', { willReadFrequently: true });
          const levels = [];
          const start = performance.now();
          for (let turn = 0; performance.now() - start < 4000; turn += 1) {
            room.change((light) => {
              light.lamp = { azimuth_deg: (turn % 2) * 180, elevation_deg: turn % 2 ? 70 : 8 };
              light.stops = turn % 2 ? 2 : -2;
            });
            await new Promise(requestAnimationFrame);
            panes[0].map.renderSync();
            pen.drawImage(canvas, 0, 0, 40, 30);
            const { data } = pen.getImageData(0, 0, 40, 30);
            levels.push(data.reduce((sum, value, at) => (at % 4 === 3 ? sum : sum + (value / 255) ** 2.2), 0) / 3600);
          }
          const seconds = (performance.now() - start) / 1000;
          let [changes, from, way] = [0, levels[0], 0];
          for (const level of levels) {
            const sign = Math.sign(level - from);
            if (way !== 0 && sign === way) from = level;
            else if (Math.abs(level - from) >= 0.1) [changes, from, way] = [changes + 1, level, sign];
          }
          return [changes, seconds];
        }"""
    )
    assert changes / 2 <= 3 * seconds
