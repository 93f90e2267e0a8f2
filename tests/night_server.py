"""A server of the review page over a small night, and requests to it as they stand on the wire."""

import json
import socket
import threading
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection
from uuid import uuid4

from lightdome.publish.serve.server import LOOPBACK, open_server

PAGE = "<!DOCTYPE html><title>Review</title>"
TILE = bytes(range(256)) * 40
MARK = {
    "type": "Feature",
    "id": "m0001",
    "geometry": {"type": "LineString", "coordinates": [[-1.5, 0.5], [1.5, 0.75]]},
    "properties": {"id": "m0001", "class": "scratch", "confidence": 0.8},
}
AREA = {
    "type": "Feature",
    "id": "m0002",
    "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]},
    "properties": {"id": "m0002", "class": "etched", "confidence": 0.6},
}


def write_night(folder):
    """results/<session> with one plate's review folder, as small as can be; and a secret beside it."""
    results = folder / "results" / "tern-point-2031-05"
    plate = results / "TP-017"
    for name, text in {
        "review/index.html": PAGE,
        "review/plate.json": json.dumps(
            {
                "format": 1,
                "session": "tern-point-2031-05",
                "plate": "TP-017",
                "fields": [{"side": "front", "field": "A"}, {"side": "back", "field": "A"}],
            }
        ),
        "review/page/main.js": "document.title",
        "review/front+A-height.png": "picture",
        "front/A/marks/marks.geojson": json.dumps({"type": "FeatureCollection", "features": [MARK, AREA]}),
        "front/A/surface/.height.tif.part": "half",
        "front/A/surface/notes.exe": "no kind of a night",
        ".hidden/index.html": "hidden",
    }.items():
        path = plate / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    tile = plate / "review/tiles/front/A/height.tif"
    tile.parent.mkdir(parents=True)
    tile.write_bytes(TILE)
    (results / "index.html").write_text("the morning summary")
    (folder / "results/secret.html").write_text("SECRET")
    (folder / "results/outside").mkdir()
    (folder / "results/outside/secret.html").write_text("SECRET")
    return results


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict
    body: bytes

    @property
    def json(self):
        return json.loads(self.body)


@dataclass(frozen=True)
class Client:
    """Speaks to a server as a page of its own would."""

    port: int
    review: str = "/TP-017/review"

    @property
    def host(self):
        return f"127.0.0.1:{self.port}"

    def ask(self, method, path, body=None, **headers):
        connection = HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            connection.request(method, path, body, named)
            answer = connection.getresponse()
            return Answer(answer.status, {key.lower(): value for key, value in answer.getheaders()}, answer.read())
        finally:
            connection.close()

    def get(self, path, **headers):
        return self.ask("GET", path, **headers)

    def post(self, facts, path=None, **headers):
        body = facts if isinstance(facts, bytes) else json.dumps(facts).encode()
        named = {"Origin": f"http://{self.host}", "Content_Type": "application/json"} | headers
        return self.ask("POST", path or f"{self.review}/api/findings", body, **named)

    def wire(self, text):
        """Send bytes as they are; the status that comes back (0 where the connection is closed), and all of it."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=20) as connection:
            connection.sendall(text)
            connection.shutdown(socket.SHUT_WR)
            back = b""
            try:
                while block := connection.recv(65536):
                    back += block
            except ConnectionResetError:
                pass
        return int(back.split(b" ", 2)[1]) if back.startswith(b"HTTP/") else 0, back


@contextmanager
def serving(root, token=None):
    """A server in this process, on a port of its own."""
    with open_server(root, LOOPBACK, 0, token) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield Client(server.server_port)
        finally:
            server.shutdown()
            thread.join()


def change(kind="confirm", finding="front/A/m0001", reason="", body=None, author="A. Example", seen=0, **more):
    """A change as the page sends it."""
    facts = {"client_id": str(uuid4()), "finding": finding, "kind": kind, "author": author}
    return facts | {"reason": reason, "body": body or {}, "seen": seen} | more


def drawn(geometry=None, **more):
    """A draw of a new finding."""
    geometry = geometry or {"type": "LineString", "coordinates": [[0, 0], [1.25, 0.5]]}
    body = {"side": "front", "field": "A", "class": "scratch", "geometry": geometry}
    return change("draw", f"person:{uuid4()}", body=body) | more
