import os
import socket
import time

import pytest
from night_server import PAGE, TILE, serving, write_night

from lightdome.publish.serve import handler
from lightdome.publish.serve.request import TYPES

TILE_AT = "/TP-017/review/tiles/front/A/height.tif"


@pytest.fixture
def night(tmp_path):
    results = write_night(tmp_path)
    with serving(results) as client:
        yield results, client


def test_the_page_comes_with_what_a_browser_must_know(night):
    _, client = night
    answer = client.get("/TP-017/review/")
    assert (answer.status, answer.body.decode()) == (200, PAGE)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["cache-control"] == "no-cache"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    policy = dict(part.split(" ", 1) for part in answer.headers["content-security-policy"].split("; "))
    assert policy["default-src"] == policy["base-uri"] == policy["form-action"] == policy["frame-ancestors"] == "'none'"
    assert policy["script-src"] == "'self' 'wasm-unsafe-eval'"
    assert policy["style-src"] == "'self'"


def test_a_folder_is_entered_by_its_slash_and_never_listed(night):
    _, client = night
    moved = client.get("/TP-017/review")
    assert (moved.status, moved.headers["location"]) == (301, "/TP-017/review/")
    assert client.get("/").body == b"the morning summary"
    for folder in ("/TP-017/", "/TP-017", "/TP-017/front/A/", "/TP-017/review/page/"):
        answer = client.get(folder)
        assert answer.status == 404
        assert b"main.js" not in answer.body


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [
        ("bytes=0-0", 0, 0),
        ("bytes=256-511", 256, 511),
        ("bytes=10000-", 10000, 10239),
        ("bytes=-100", 10140, 10239),
        ("bytes=-99999999", 0, 10239),
        ("bytes=10239-99999999999999999999999", 10239, 10239),
    ],
)
def test_a_range_gives_its_bytes(night, asked, first, last):
    answer = night[1].get(TILE_AT, Range=asked)
    assert answer.status == 206
    assert answer.headers["content-range"] == f"bytes {first}-{last}/10240"
    assert answer.body == TILE[first : last + 1]


@pytest.mark.parametrize("asked", ["bytes=0-1,5-9", "bytes=9-3", "bytes=-", "lines=0-5", "bytes=a-b", "bytes=٣-٤"])
def test_what_is_not_one_range_gives_the_whole(night, asked):
    answer = night[1].get(TILE_AT, Range=asked.encode())
    assert (answer.status, answer.body) == (200, TILE)


@pytest.mark.parametrize("asked", ["bytes=10240-", "bytes=10240-10250", "bytes=-0", "bytes=" + "9" * 5000 + "-"])
def test_a_range_beyond_the_file_is_refused_with_its_size(night, asked):
    answer = night[1].get(TILE_AT, Range=asked)
    assert (answer.status, answer.headers["content-range"]) == (416, "bytes */10240")


def test_a_range_of_an_older_file_gives_the_whole_new_one(night):
    results, client = night
    tag = client.get(TILE_AT).headers["etag"]
    assert client.get(TILE_AT, Range="bytes=0-9", If_Range=tag).status == 206
    assert client.get(TILE_AT, If_None_Match=tag).status == 304
    (results / TILE_AT[1:]).write_bytes(TILE[:-1] + b"!")
    assert client.get(TILE_AT, Range="bytes=0-9", If_Range=tag).status == 200
    assert client.get(TILE_AT, If_None_Match=tag).status == 200


def test_the_head_alone_is_the_same_head(night):
    _, client = night
    whole, head = client.get(TILE_AT), client.ask("HEAD", TILE_AT)
    assert head.body == b""
    assert head.headers == whole.headers
    assert client.ask("HEAD", TILE_AT, Range="bytes=5-9").headers["content-length"] == "5"


def test_an_empty_file_is_sent_empty(night):
    results, client = night
    (results / "TP-017/front/A/marks/marks.csv").write_bytes(b"")
    answer = client.get("/TP-017/front/A/marks/marks.csv")
    assert (answer.status, answer.body) == (200, b"")
    assert client.get("/TP-017/front/A/marks/marks.csv", Range="bytes=0-").status == 416


def test_many_requests_share_a_connection(night):
    _, client = night
    request = f"GET {TILE_AT} HTTP/1.1\r\nHost: {client.host}\r\nRange: bytes=0-3\r\n\r\n".encode()
    _, back = client.wire(request * 3)
    assert back.count(b"HTTP/1.1 206") == 3
    assert back.count(TILE[:4]) == 3


def test_a_field_may_be_called_api(night):
    results, client = night
    (results / "TP-017/front/api").mkdir()
    (results / "TP-017/front/api/lamps.json").write_text("{}")
    assert client.get("/TP-017/front/api/lamps.json").body == b"{}"


def test_the_findings_own_file_is_not_sent(night):
    results, client = night
    for name in ("findings.sqlite", "findings.sqlite-wal"):
        (results / "TP-017" / name).write_bytes(b"SQLite format 3")
        assert client.get(f"/TP-017/{name}").status == 404
    assert "sqlite" not in TYPES


def test_links_lead_nowhere_outside(night):
    results, client = night
    plate = results / "TP-017"
    (plate / "review/out.html").symlink_to(results.parent / "secret.html")
    (plate / "review/way").symlink_to(results.parent / "outside")
    (plate / "review/inside.html").symlink_to(plate / "review/index.html")
    (plate / "review/hidden.html").symlink_to(plate / ".hidden/index.html")
    (plate / "review/part.tif").symlink_to(plate / "front/A/surface/.height.tif.part")
    (plate / "review/round.html").symlink_to(plate / "review/round.html")
    os.mkfifo(plate / "review/pipe.html")
    for name in ("out.html", "way/secret.html", "way/", "hidden.html", "part.tif", "round.html", "pipe.html"):
        answer = client.get(f"/TP-017/review/{name}")
        assert answer.status == 404, name
        assert b"SECRET" not in answer.body
    assert client.get("/TP-017/review/inside.html").body.decode() == PAGE


def test_a_slow_client_is_let_go(night, monkeypatch):
    monkeypatch.setattr(handler, "REQUEST_S", 0.4)
    _, client = night
    start = time.monotonic()
    with socket.create_connection(("127.0.0.1", client.port), timeout=10) as connection:
        # a byte now and then does not buy more time
        with pytest.raises(OSError):  # noqa: PT011
            for byte in b"GET / HTTP/1.1\r\nHost: localhost\r\n" * 4:
                connection.sendall(bytes([byte]))
                time.sleep(0.05)
                connection.setblocking(False)
                try:
                    if connection.recv(1) == b"":
                        raise ConnectionResetError
                except BlockingIOError:
                    pass
                finally:
                    connection.setblocking(True)
    assert time.monotonic() - start < 3
    assert client.get("/").status == 200
