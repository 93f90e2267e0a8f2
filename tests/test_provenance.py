import hashlib
import json

import pytest

from lightdome import provenance


def test_sources_carry_their_sha256(tmp_path):
    (tmp_path / "normals.tif").write_bytes(b"abc")
    origin = provenance.Provenance.of("integrate-height", [tmp_path / "normals.tif"], {"cutoff_mm": 2})
    # FIPS 180-4's own example: SHA-256 of "abc"
    assert origin.sources == {"normals.tif": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"}
    assert json.loads(origin.as_json())["step"] == "integrate-height"


def test_a_long_file_is_hashed_in_blocks(tmp_path):
    content = b"0123456789" * 300_000
    (tmp_path / "a").write_bytes(content)
    assert provenance.sha256_of(tmp_path / "a") == hashlib.sha256(content).hexdigest()


@pytest.mark.parametrize(
    "file",
    ["tiles.py", "publish/a.py", "publish/serve/b.py", "publish/templates/c.html", "publish/page_built/d.sha256"],
)
def test_code_mark_changes_with_code_template_and_page(tmp_path, file):
    path = tmp_path / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("one")
    before = provenance.code_digest(tmp_path, ["publish"])
    other = tmp_path / "publish/page/node_modules/gyp/e.py"
    other.parent.mkdir(parents=True)
    other.write_text("of npm")
    assert provenance.code_digest(tmp_path, ["publish"]) == before
    path.write_text("two")
    assert provenance.code_digest(tmp_path, ["publish"]) != before


def test_code_marks_differ_by_word_and_hold_still():
    assert provenance.code_mark("lights") == provenance.code_mark("lights")
    assert provenance.code_mark("lights") != provenance.code_mark("session")
