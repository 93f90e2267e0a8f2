"""Requests that no page of ours sends: each refused with its code, nothing written, nothing from outside let out."""

import json
from uuid import uuid4

import pytest
from night_server import change, drawn, serving, write_night

from lightdome.publish.serve.findings import Findings

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    results = write_night(tmp_path_factory.mktemp("night"))
    (results / "TP-017/review/out.html").symlink_to(results.parent / "secret.html")
    with serving(results) as client:
        yield results, client


def everything_below(folder):
    return {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


PATHS = {
    "/../secret.html": 404,
    "/TP-017/../../secret.html": 404,
    "/TP-017/review/../../../secret.html": 404,
    "/%2e%2e/secret.html": 404,
    "/%2E%2E%2Fsecret.html": 404,
    "/..%2fsecret.html": 404,
    "/..%5csecret.html": 404,
    "/..\\secret.html": 404,
    "/%252e%252e/secret.html": 404,
    "/%c0%ae%c0%ae/secret.html": 400,
    "/%uff0e%uff0e/secret.html": 400,
    "/．．/secret.html": 404,
    "/....//secret.html": 404,
    "/;/../secret.html": 404,
    "/TP-017/review/index.html%00.png": 404,
    "/TP-017/review/index.html%0d%0aSet-Cookie:x": 404,
    "/%": 400,
    "/TP-017/%zz": 400,
    "/%ff": 400,
    "/TP-017/review/index.html#top": 400,
    "/TP-017/review/index.html/": 404,
    "/TP-017/review/index.html/../../../../secret.html": 404,
    "//etc/passwd": 404,
    "/etc/passwd": 404,
    "/proc/self/environ": 404,
    "/TP-017/.hidden/index.html": 404,
    "/TP-017/front/A/surface/.height.tif.part": 404,
    "/TP-017/front/A/surface/notes.exe": 404,
    "/TP-017/review/out.html": 404,
    "/TP-017/findings.sqlite": 404,
    f"/TP-017/review/{SCRIPT}": 404,
    "/TP-017/review/%3Cscript%3Ealert(1)%3C/script%3E": 404,
    "/" + "a" * 300: 404,
    "/" + "a/" * 3000: 404,
    "/" + "a" * 20000: 414,
    "/TP-017/review/index.html?" + "&".join(["a=1"] * 50): 400,
    "/TP-017/review/index.html?%ff=1": 400,
    "/api/status": 404,
    "/TP-017/api/findings": 404,
    "/TP-017/front/review/api/findings": 404,
    "/../review/api/findings": 404,
    "/TP-017/review/api/": 404,
    "/TP-017/review/api/nothing": 404,
    "/TP-017/review/api/findings/1": 404,
    "/TP-017/review/api/export/../findings": 404,
    "/TP-017/review/api/findings?since=-1": 400,
    "/TP-017/review/api/findings?since=1%20OR%201=1": 400,
    "/TP-017/review/api/findings?since=" + "9" * 400: 400,
    "/TP-017/review/api/findings?since=٣": 400,
    "/TP-017/review/api/findings?since=1&since=2": 400,
    "/TP-017/review/api/findings?until=1": 400,
}
"""Status by address."""


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path[:50].encode("ascii", "backslashreplace").decode())
def test_a_hostile_address_is_refused(night, path):
    _, client = night
    request = f"GET {path} HTTP/1.1\r\nHost: {client.host}\r\nConnection: close\r\n\r\n"
    status, back = client.wire(request.encode())
    assert status == PATHS[path]
    assert b"SECRET" not in back
    assert b"root:" not in back
    assert b"Set-Cookie" not in back
    # what was asked is not said back, so that it can do nothing wherever it is shown
    assert b"script>" not in back


LONG = "x" * 5000
WIRES = {
    "no host": ("GET / HTTP/1.1\r\n\r\n", 400),
    "two hosts": ("GET / HTTP/1.1\r\nHost: {host}\r\nHost: {host}\r\n\r\n", 400),
    "another site's name": ("GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n", 403),
    "another site's name with our port": ("GET / HTTP/1.1\r\nHost: evil.example:{port}\r\n\r\n", 403),
    "a name that begins as ours": ("GET / HTTP/1.1\r\nHost: 127.0.0.1.evil.example:{port}\r\n\r\n", 403),
    "our name with another port": ("GET / HTTP/1.1\r\nHost: 127.0.0.1:1\r\n\r\n", 403),
    "an address in the host's place": ("GET / HTTP/1.1\r\nHost: user@{host}\r\n\r\n", 403),
    "the address of a proxy": ("GET http://evil.example/ HTTP/1.1\r\nHost: {host}\r\n\r\n", 400),
    "no address": ("GET HTTP/1.1\r\nHost: {host}\r\n\r\n", 400),
    "too many words": ("GET / / HTTP/1.1\r\nHost: {host}\r\n\r\n", 400),
    "an old protocol": ("GET /\r\n\r\n", 400),
    "a protocol between": ("GET / HTTP/1.7\r\nHost: {host}\r\n\r\n", 505),
    "a protocol to come": ("GET / HTTP/2.0\r\nHost: {host}\r\n\r\n", 505),
    "another protocol": ("GET / SPDY/1\r\nHost: {host}\r\n\r\n", 400),
    "no words": ("\x16\x03\x01\x02\x00\x01\r\n\r\n", 400),
    "a long header": ("GET / HTTP/1.1\r\nHost: {host}\r\nX: " + LONG * 4 + "\r\n\r\n", 431),
    "many headers": ("GET / HTTP/1.1\r\nHost: {host}\r\n" + "".join(f"X{n}: 1\r\n" for n in range(150)) + "\r\n", 431),
    "a header without a name": ("GET / HTTP/1.1\r\nHost: {host}\r\nnothing\r\n\r\n", 400),
    "a read with a body": ("GET / HTTP/1.1\r\nHost: {host}\r\nContent-Length: 5\r\n\r\nhello", 400),
    "a read in chunks": ("GET / HTTP/1.1\r\nHost: {host}\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", 501),
    "a write in chunks": ("POST {api} HTTP/1.1\r\nHost: {host}\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", 501),
    "no length": ("POST {api} HTTP/1.1\r\nHost: {host}\r\n\r\n", 411),
    "a length below zero": ("POST {api} HTTP/1.1\r\nHost: {host}\r\nContent-Length: -1\r\n\r\n", 400),
    "two lengths": ("POST {api} HTTP/1.1\r\nHost: {host}\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n{{}}", 400),
    "a length in words": ("POST {api} HTTP/1.1\r\nHost: {host}\r\nContent-Length: ten\r\n\r\n", 400),
    "too long by its length": ("POST {api} HTTP/1.1\r\nHost: {host}\r\nContent-Length: 65537\r\n\r\n", 413),
    "endless by its length": (
        "POST {api} HTTP/1.1\r\nHost: {host}\r\nContent-Length: " + "9" * 5000 + "\r\n\r\n",
        413,
    ),
    "less than its length": ("POST {api} HTTP/1.1\r\nHost: {host}\r\nContent-Length: 90\r\n\r\n{{}}", 0),
    "cut off": ("GET / HTTP/1.1\r\nHost: {host}\r\n", 0),
} | {
    f"method {method}": (f"{method} {{api}} HTTP/1.1\r\nHost: {{host}}\r\n\r\n", 405)
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "get", "BREW")
}
"""Request and status by what is wrong with it; 0 where the connection is closed without an answer."""


@pytest.mark.parametrize("wrong", WIRES)
def test_a_hostile_request_is_refused(night, wrong):
    results, client = night
    text, expected = WIRES[wrong]
    before = everything_below(results)
    api = f"{client.review}/api/findings"
    status, back = client.wire(text.format(host=client.host, port=client.port, api=api).encode("latin-1"))
    assert status == expected
    assert b"the morning summary" not in back
    assert everything_below(results) == before


def test_what_follows_a_refused_request_is_not_taken_for_the_next(night):
    _, client = night
    inner = f"GET / HTTP/1.1\r\nHost: {client.host}\r\n\r\n"
    outer = f"GET / HTTP/1.1\r\nHost: {client.host}\r\nContent-Length: {len(inner)}\r\n\r\n{inner}"
    _, back = client.wire(outer.encode())
    assert back.count(b"HTTP/1.1 ") == 1


def line(*coordinates, kind="LineString"):
    return drawn({"type": kind, "coordinates": list(coordinates)})


BODIES = {
    "no JSON": b"{",
    "no object": [1, 2],
    "nothing": b"",
    "no UTF-8": b'{"kind": "\xff"}',
    "half a character": b'{"kind": "\\ud800"}',
    "NaN": json.dumps(change()).replace('"seen": 0', '"seen": NaN').encode(),
    "deep": b"[" * 30000,
    "a huge number": json.dumps(change()).replace('"seen": 0', f'"seen": {"9" * 5000}').encode(),
    "a key too many": change(sequence=7),
    "a key too few": {key: value for key, value in change().items() if key != "seen"},
    "an unknown kind": change("delete"),
    "a kind that is no text": change() | {"kind": {}},
    "an unknown mark": change(finding="front/A/m9999"),
    "a mark of a field that has none": change(finding="back/A/m0001"),
    "a path for a finding": change(finding="front/../../secret"),
    "SQL for a finding": change(finding="x'; DROP TABLE changes; --"),
    "script for a finding": change(finding=SCRIPT),
    "an unknown person's finding": change(finding=f"person:{uuid4()}"),
    "an id that is none": change(client_id="1"),
    "an id that is no text": change(client_id=7),
    "no author": change(author="  "),
    "an author of two lines": change(author="A\nB"),
    "an author with a NUL": change(author="A\u0000"),
    "a long author": change(author="A" * 81),
    "a reason that is no text": change(reason=None),
    "a long reason": change(reason="x" * 8001),
    "no reason to reject": change("reject"),
    "no reason for a class": change("reclassify", body={"class": "pit"}, reason=" "),
    "an unknown class": change("reclassify", body={"class": SCRIPT}, reason="so"),
    "a class that is a list": change("reclassify", body={"class": ["pit"]}, reason="so"),
    "a body too many": change(body={"class": "pit"}),
    "an empty comment": change("comment", body={"text": " \n"}),
    "a long comment": change("comment", body={"text": "x" * 8001}),
    "seen below zero": change(seen=-1),
    "seen that is true": change(seen=True),
    "seen beyond all": change(seen=2**63),
    "a mark drawn over": change("draw", "front/A/m0001", body=drawn()["body"]),
    "a field that is not there": drawn(body=drawn()["body"] | {"field": "../.."}),
    "a field that is no text": drawn(body=drawn()["body"] | {"field": ["A"]}),
    "no geometry": drawn(body=drawn()["body"] | {"geometry": None}),
    "a geometry of another kind": line([0, 0], kind="MultiPoint"),
    "a line of one point": line([0, 0]),
    "a point of text": line(["0", "0"], [1, 1]),
    "a point of three": line([0, 0, 0], [1, 1, 1]),
    "a point at infinity": json.dumps(line([0, 0], [1, 1])).replace("[1, 1]", "[1e999, 1]").encode(),
    "a point that is far away": line([0, 0], [1e6, 0]),
    "a ring that is open": line([[0, 0], [1, 0], [1, 1], [0, 1]], kind="Polygon"),
    "a polygon without rings": line(kind="Polygon"),
}
"""Bodies of a POST by what is wrong with them."""


@pytest.mark.parametrize("wrong", BODIES)
def test_a_change_that_makes_no_sense_is_refused_in_one_sentence(night, wrong):
    results, client = night
    answer = client.post(BODIES[wrong])
    assert answer.status == 400
    assert set(answer.json) == {"error"}
    assert answer.json["error"].count("\n") == 0
    assert SCRIPT not in answer.json["error"]
    assert Findings(results / "TP-017").since(0) == []


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "https://{host}"}, 403),
        ({"Origin": "http://localhost:{port}"}, 403),
        ({"Origin": "http://{host}.evil.example"}, 403),
        ({"Content_Type": "text/plain"}, 415),
        ({"Content_Type": "application/x-www-form-urlencoded"}, 415),
        ({"Host": "evil.example"}, 403),
    ],
)
def test_what_another_site_sends_is_refused(night, headers, status):
    results, client = night
    named = {key: value.format(host=client.host, port=client.port) for key, value in headers.items()}
    assert client.post(change(), **named).status == status
    assert Findings(results / "TP-017").since(0) == []


def test_a_request_without_origin_may_not_write(night):
    results, client = night
    body = json.dumps(change()).encode()
    answer = client.ask("POST", f"{client.review}/api/findings", body, Content_Type="application/json")
    assert answer.status == 403
    assert Findings(results / "TP-017").since(0) == []


def test_a_large_change_is_refused_before_it_is_read(night):
    _, client = night
    body = json.dumps(change(reason="x" * 70000)).encode()
    head = f"POST {client.review}/api/findings HTTP/1.1\r\nHost: {client.host}\r\nContent-Length: {len(body)}\r\n\r\n"
    assert client.wire(head.encode())[0] == 413


TOKEN = "a-token-of-the-lab"


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    results = write_night(tmp_path_factory.mktemp("guarded"))
    with serving(results, TOKEN) as client:
        yield results, client


@pytest.mark.parametrize(
    ("path", "cookie"),
    [
        ("/", None),
        ("/TP-017/review/", None),
        ("/TP-017/review/api/status", None),
        ("/TP-017/review/api/findings", None),
        ("/?token=", None),
        ("/?token=wrong", None),
        (f"/?token={TOKEN}x", None),
        (f"/?token={TOKEN[:-1]}", None),
        (f"/?token={TOKEN}&token={TOKEN}", None),
        ("/", "lightdome-{port}=wrong"),
        ("/", "lightdome-{port}="),
        ("/", f"lightdome={TOKEN}"),
        ("/", f"lightdome-1={TOKEN}"),
        ("/", '"; bad=cookie; lightdome-{port}=é'),
    ],
)
def test_without_the_token_nothing_is_shown(guarded, path, cookie):
    _, client = guarded
    named = {"Cookie": cookie.format(port=client.port)} if cookie else {}
    answer = client.get(path, **named)
    assert answer.status == 403
    assert "set-cookie" not in answer.headers
    assert b"summary" not in answer.body


def test_without_the_token_nothing_is_written(guarded):
    results, client = guarded
    assert client.post(change()).status == 403
    assert client.post(change(), path=f"{client.review}/api/findings?token={TOKEN}").status == 403
    assert not (results / "TP-017/findings.sqlite").exists()


def test_the_token_is_taken_once_and_then_lies_in_a_cookie(guarded):
    results, client = guarded
    entered = client.get(f"/TP-017/review/?token={TOKEN}")
    assert (entered.status, entered.headers["location"]) == (303, "/TP-017/review/")
    put = entered.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(put.split("; "))
    cookie = put.split(";")[0]
    assert client.get("/TP-017/review/", Cookie=cookie).status == 200
    status = client.get("/TP-017/review/api/status", Cookie=cookie).json
    assert status == {"writable": True, "author": "", "token_needed": True}
    assert client.post(change(), Cookie=cookie).status == 201
    assert len(Findings(results / "TP-017").since(0)) == 1


def test_the_tables_are_as_long_as_they_should_be():
    assert len(PATHS) + len(WIRES) + len(BODIES) >= 45
