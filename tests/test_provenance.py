import hashlib
import json

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


def test_code_marks_differ_by_word_and_hold_still():
    assert provenance.code_mark("lights") == provenance.code_mark("lights")
    assert provenance.code_mark("lights") != provenance.code_mark("session")
