"""Serves a folder with byte ranges, or without, on the loopback: a static host."""

import functools
import http.server
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

POLICY = (
    "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self' blob: data:; worker-src 'self' blob:; font-src 'self'; base-uri 'none'; form-action 'none'"
)


class _Handler(http.server.SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def __init__(self, *args: Any, ranges: bool, **more: Any) -> None:
        self._ranges = ranges
        super().__init__(*args, **more)

    def log_message(self, *args: Any) -> None:
        pass

    def do_GET(self) -> None:
        path = Path(self.translate_path(self.path))
        path = path / "index.html" if path.is_dir() else path
        if not path.is_file():
            self.send_error(404)
            return
        size = path.stat().st_size
        asked = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", "")) if self._ranges else None
        start, end = (int(asked[1]), min(int(asked[2] or size - 1) + 1, size)) if asked else (0, size)
        with path.open("rb") as file:
            file.seek(start)
            part = file.read(end - start)
        self.send_response(206 if asked else 200)
        self.send_header("Content-Type", self.guess_type(str(path)))
        self.send_header("Content-Length", str(len(part)))
        self.send_header("Content-Security-Policy", POLICY)
        if asked:
            self.send_header("Content-Range", f"bytes {start}-{start + len(part) - 1}/{size}")
        self.end_headers()
        # the page calls back what it does not need any more
        try:
            self.wfile.write(part)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True


class _Server(http.server.ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *args: Any) -> None:
        pass


@contextmanager
def serving(folder: Path, ranges: bool = True) -> Iterator[str]:
    """Address of a server of the folder while the block runs."""
    server = _Server(("127.0.0.1", 0), functools.partial(_Handler, directory=str(folder), ranges=ranges))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
