"""The page's sources: types hold, nothing in them asks for the outside, and the build says plainly why it fails."""

import importlib.util
import re
import shutil
from pathlib import Path

import pytest
from browser import PAGE, npm

TOP = Path(__file__).parents[3]
SOURCES = sorted(path for path in (PAGE / "src").rglob("*") if path.suffix in (".ts", ".glsl", ".css"))


def build_hook():
    spec = importlib.util.spec_from_file_location("hatch_build", TOP / "hatch_build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.usefixtures("built_page")
def test_types_hold():
    assert "error TS" not in npm("run", "check")


def test_lock_file_names_no_address():
    assert "://" not in (PAGE / "package-lock.json").read_text()


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.name)
def test_source_is_short_and_asks_nothing_of_the_outside(path):
    text = path.read_text()
    assert len(text.splitlines()) <= 400
    assert set(re.findall(r"https?://\S+", text)) <= {"http://www.w3.org/2000/svg',"}


def test_page_built_holds_no_inline_script_or_style_and_a_notice_of_licences(built_page):
    page = (built_page / "index.html").read_text()
    assert re.findall(r"<script(?![^>]*\bsrc=)", page) == []
    assert "<style" not in page
    assert " style=" not in page
    notice = (built_page / "page/licences.md").read_text()
    for package in ("ol", "geotiff", "zstddec", "lerc"):
        assert re.search(rf"^## {package} ", notice, re.M), package


def test_digest_tells_changed_sources_from_unchanged(tmp_path):
    digest_of = build_hook().digest_of
    copy = shutil.copytree(PAGE, tmp_path / "page", ignore=shutil.ignore_patterns("node_modules"))
    assert digest_of(copy) == digest_of(PAGE)
    (copy / "src/words.ts").write_text("export const words = {};\n")
    assert digest_of(copy) != digest_of(PAGE)


def test_build_that_fails_says_what_npm_said_and_what_a_proxy_needs(tmp_path):
    (tmp_path / "package.json").write_text('{"scripts": {"build": "echo no such thing && exit 3"}}')
    with pytest.raises(SystemExit, match="NODE_EXTRA_CA_CERTS") as failed:
        build_hook().run_npm(tmp_path, "run", "build")
    assert "no such thing" in str(failed.value)
