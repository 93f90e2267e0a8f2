"""The verdict on the spot: screen, page, exit code, checksums."""

import hashlib
import json
import re
import subprocess
from html.parser import HTMLParser

import numpy as np
import pytest
from captures import PLACES, grain

from lightdome.commands import main
from lightdome.session.steps import check_session


class Tags(HTMLParser):
    """Every tag with its attributes."""

    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


@pytest.fixture
def session(folder):
    """Two fields of one plate, five photographs each, and nothing of TP-018."""
    common = grain(99).astype(float)
    folder.frames = []
    for field in ("A", "B"):
        for index, name in enumerate(PLACES):
            noise = np.random.default_rng([index, ord(field)]).normal(0, 400, common.shape)
            picture = np.clip(common * (0.6 + 0.1 * index) + noise, 0, 65534).astype(np.uint16)
            folder.picture(f"frames/{field}-{name}.png", picture)
            folder.frames.append(f"frames/{field}-{name}.png,TP-017,front,{field},lit,{name}")
    folder.settings = folder.settings.replace("most_light_sensitive: none", "most_light_sensitive: high", 1)
    folder.settings += "exposure: {illuminance_lx: 900, seconds: 0.5}\n"
    folder.write()
    return folder


def judged(folder, capsys, *flags):
    page = folder.path.parent / "check.html"
    code = main(["check-session", str(folder.path), "--page", str(page), *flags])
    return code, capsys.readouterr(), page


def test_a_good_session_is_ready_on_one_screen_and_one_page(session, capsys):
    code, said, page = judged(session, capsys)
    lines = said.out.splitlines()
    assert code == 0
    assert "READY: session tern-point-2031-05, 2 fields" in lines[0]
    assert len(lines) < 25
    assert str(page) in lines[-1]
    tags = Tags(page.read_text(encoding="utf-8")).tags
    assert {tag for tag, _ in tags}.isdisjoint({"script", "link", "iframe", "object", "form"})
    pictures = [facts for tag, facts in tags if tag == "img"]
    assert len(pictures) >= 2 * (5 + 2)
    assert all(facts["alt"] and facts["src"].startswith("data:image/png;base64,") for facts in pictures)
    policy = next(facts["content"] for tag, facts in tags if facts.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")


def test_the_dose_of_a_plate_is_that_of_all_its_fields(session, capsys):
    _, said, page = judged(session, capsys)
    # H = sum of E t / 3600 over ten photographs of 0.5 s at 900 lx; a high class has 15 000 lx h a year (CIE 157)
    assert "1.2 lx h; 0.0083 % of a usual year's 15000 lx h for this class" in said.out
    assert "local rules govern" in said.out
    assert "1.2 lx h by 10 photographs" in page.read_text(encoding="utf-8")


def test_every_photograph_that_cannot_be_used_is_named_and_no_field_stops_another(session, capsys):
    (session.path / "frames/A-L2.png").write_bytes(b"")
    session.picture("frames/A-L4.png", grain(1, (60, 80)))
    for name in PLACES:
        (session.path / f"frames/B-{name}.png").unlink()
    session.frames.append("frames/x.png,TP-017,front,C,lit,L1")
    session.write()
    code, said, page = judged(session, capsys)
    assert code == 2
    assert said.out.startswith("✘ RETAKE")
    for text in ("B-L1.png: is not there", "TP-017/front/C has 1 lit photographs"):
        assert text in said.out
        assert text in page.read_text(encoding="utf-8")
    assert "A-L2.png: is empty" in said.out
    assert str(session.path) not in page.read_text(encoding="utf-8")  # it is handed round
    assert "Traceback" not in said.err


def test_one_bad_photograph_is_left_out_and_the_rest_of_the_field_is_judged(session, capsys):
    (session.path / "frames/A-L2.png").write_bytes(b"")
    code, said, _ = judged(session, capsys)
    assert code == 2
    assert "A-L2.png: is empty" in said.out
    assert "TP-017/front/A: retake; 4 lamps" in said.out
    assert "TP-017/front/B: ready; 5 lamps" in said.out


def test_a_session_that_cannot_be_read_ends_in_one_sentence(session, capsys):
    (session.path / "session.yaml").write_text("format: 7\n", encoding="utf-8")
    code, said, page = judged(session, capsys)
    assert code == 2
    assert said.err.strip().splitlines()[-1].startswith("lightdome: error: session.yaml, line 1")
    assert not page.exists()


def test_hostile_names_are_text_on_the_page(session, capsys):
    evil = "<script>alert(1)</script>"
    session.settings = session.settings.replace("title: tide table, upper half", f'title: "{evil}"')
    session.settings = session.settings.replace("operator: A. Example", f'operator: "{evil}"')
    session.frames = [row.replace("A-L1.png", "A-L1<b onload=x>&.png") for row in session.frames]
    (session.path / "frames/A-L1.png").rename(session.path / "frames/A-L1<b onload=x>&.png")
    session.write()
    _, _, page = judged(session, capsys)
    text = page.read_text(encoding="utf-8")
    assert {"script", "b"}.isdisjoint({tag for tag, _ in Tags(text).tags})
    assert "&lt;script&gt;alert(1)" in text


def test_the_verdict_is_a_word_and_never_a_colour_alone(session, capsys):
    _, _, page = judged(session, capsys)
    text = page.read_text(encoding="utf-8")
    assert re.search(r'class="state ready">✔ ready<', text)
    colours = {
        colour.lower()
        for colour in re.findall(r"#[0-9a-fA-F]{3,6}\b", re.search("<style>(.*?)</style>", text, re.S)[1])
    }
    # greys only: red, green and blue of every colour are the same
    assert all(len(set(colour[1:] if len(colour) == 4 else re.findall("..", colour[1:]))) == 1 for colour in colours)


def test_the_default_page_lies_in_the_results_folder(session, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert main(["check-session", str(session.path)]) == 0
    assert (tmp_path / "results/tern-point-2031-05/check.html").is_file()
    assert "results/tern-point-2031-05/check.html" in capsys.readouterr().out


def test_one_field_alone_needs_all_its_flags(session, capsys):
    code, said, _ = judged(session, capsys, "--plate", "TP-017")
    assert code == 2
    assert "needs --side, --field, --quality, --picture too" in said.err


def test_checksums_are_written_as_sha256sum_reads_them_and_verified_afterwards(session, capsys):
    code, said, _ = judged(session, capsys, "--write-checksums")
    manifest = session.path / "manifest-sha256.txt"
    assert code == 0
    assert "written for 10 photographs" in said.out
    digest = hashlib.sha256((session.path / "frames/A-L1.png").read_bytes()).hexdigest()
    assert manifest.read_text().splitlines()[0] == f"{digest}  frames/A-L1.png"
    checked = subprocess.run(
        ["sha256sum", "-c", "manifest-sha256.txt"], cwd=session.path, capture_output=True, text=True
    )
    assert checked.returncode == 0, checked.stderr
    assert judged(session, capsys, "--write-checksums")[0] == 0

    session.picture("frames/A-L3.png", grain(3))
    before = manifest.read_text()
    code, said, _ = judged(session, capsys)
    assert code == 2
    assert "A-L3.png: has changed since manifest-sha256.txt was written" in said.out
    code, said, _ = judged(session, capsys, "--write-checksums")
    assert code == 2
    assert "is there already and says otherwise; it is never written over" in said.err
    assert manifest.read_text() == before


def test_a_checksum_file_of_another_form_is_refused(session, capsys):
    (session.path / "manifest-sha256.txt").write_text("no digest here\n", encoding="utf-8")
    code, said, _ = judged(session, capsys)
    assert code == 2
    assert "manifest-sha256.txt, line 1: is no checksum and name" in said.out


def test_quality_json_keeps_its_keys_and_has_the_new_ones(session):
    out = session.path.parent / "out"
    products = (out / "quality.json", out / "layout.png", out / "check.html")
    check_session(session.path, "TP-017", "front", "A", *products)
    quality = json.loads(products[0].read_text())
    kept = "verdict reasons warnings lamp_layout pixels_with_too_few_lamps light_dose reference_frame frames provenance"
    new = "findings not_checked expected_tilt resolution room_light light_dose_of_plate"
    assert set(quality) >= {*kept.split(), *new.split()}
    assert quality["light_dose"]["photographs"] == 5
    assert quality["light_dose_of_plate"]["photographs"] == 10
    assert quality["lamp_layout"]["empty_cap"]["radius_deg"] > 10
    assert quality["expected_tilt"]["u_tilt_x_deg"] > 0
    assert quality["resolution"]["narrower"] == "presence and length only"
