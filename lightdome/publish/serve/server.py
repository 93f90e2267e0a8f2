"""Starts the server of the review page: on this machine alone, or with a token on the network of the lab.

Folder served: results/<session>/<plate>, results/<session> or results/. Addresses are places below it; a plate's
findings are at <plate>/review/api/.
"""

import errno
import getpass
import os
import secrets
import socket
import sys
import threading
import webbrowser
from contextlib import suppress
from http.server import ThreadingHTTPServer
from pathlib import Path

from lightdome.errors import PublishError
from lightdome.publish.records import MANIFEST
from lightdome.publish.serve.files import PAGE
from lightdome.publish.serve.handler import TOKEN, ReviewHandler
from lightdome.publish.serve.plate import REVIEW

PORT = 8437
MOST_CONNECTIONS = 64
"""At a time; more are closed at once. A browser holds six."""
LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"
ELSEWHERE = ("192.0.2.1", 9)
"""An address of documentation (RFC 5737), to which nothing is sent: it shows which of our own the network would see."""


class ReviewServer(ThreadingHTTPServer):
    """Serves one results folder."""

    daemon_threads = True
    request_queue_size = 128

    def __init__(self, root: Path, host: str, port: int, token: str | None) -> None:
        self.root = root.resolve()
        self.token = token
        self.author = "" if token else _user()
        self._free = threading.BoundedSemaphore(MOST_CONNECTIONS)
        super().__init__((host, port), ReviewHandler)

    def process_request(self, request: socket.socket, client_address: tuple) -> None:  # type: ignore[override]
        """In a thread of its own, if one is free."""
        if self._free.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(self, request: socket.socket, client_address: tuple) -> None:  # type: ignore[override]
        """Answer all requests of a connection."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()


def serve(results: Path, *, port: int = PORT, browser: bool = True, lan: bool = False) -> None:
    """Serve a results folder until Ctrl-C, and open it in the browser.

    lan : serve the network too, to those who hold the token of the printed address.
    Fails with PublishError where there is no review page, or where the port is taken.
    """
    pages = find_pages(results)
    token = secrets.token_urlsafe(24) if lan else None
    with suppress(KeyboardInterrupt), open_server(results, EVERYWHERE if lan else LOOPBACK, port, token) as server:
        host = _own_address() if lan else LOOPBACK
        key = f"?{TOKEN}={token}" if token else ""
        addresses = [f"http://{host}:{server.server_port}/{page}{key}" for page in pages]
        print("Open in a browser:", *addresses, "Ctrl-C ends.", sep="\n  ", file=sys.stderr, flush=True)
        if browser:
            threading.Thread(target=webbrowser.open, args=(addresses[0],), daemon=True).start()
        server.serve_forever()


def open_server(root: Path, host: str, port: int, token: str | None) -> ReviewServer:
    """A server that listens, not yet answering; PublishError where it may not."""
    try:
        return ReviewServer(root, host, port, token)
    except OverflowError as error:
        raise PublishError(f"--port {port}: is none; choose one from 1024 to 65535") from error
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise PublishError(f"--port {port}: is in use, perhaps by another review; choose another port") from error
        raise PublishError(f"--port {port}: cannot be served on {host} ({error.strerror}); choose another") from error


def find_pages(results: Path) -> list[str]:
    """Where to begin, relative to a plate's, a session's or all results: a summary, or the pages of plates.

    Fails with PublishError where there is no review page.
    """
    if not results.is_dir():
        raise PublishError(f"{results}: is no folder; name results/<session> or results/<session>/<plate>")
    for depth in ("", "*/", "*/*/"):
        plates = sorted(path.parents[1] for path in results.glob(f"{depth}{REVIEW}/{MANIFEST}") if path.is_file())
        if not plates:
            continue
        whole = [plate for plate in plates if (plate / REVIEW / PAGE).is_file()]
        if not whole:
            raise PublishError(f"{plates[0] / REVIEW}: the page is not finished; run build-review again")
        return [_page_of(results, plate) for plate in whole]
    raise PublishError(
        f"{results}: holds no review page; run the workflow, or build-review, and name the plate's or session's results"
    )


def _page_of(results: Path, plate: Path) -> str:
    """Address of a plate's page below the results."""
    place = plate.relative_to(results).as_posix()
    return f"{REVIEW}/" if place == "." else f"{place}/{REVIEW}/"


def _user() -> str:
    """Who is at this machine, as a first guess at who speaks; empty where that is not known or nobody's name."""
    try:
        return "" if os.geteuid() == 0 else getpass.getuser()
    except (OSError, KeyError):
        return ""


def _own_address() -> str:
    """The address of this machine that the network sees; the loopback where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(ELSEWHERE)
        except OSError:
            return LOOPBACK
        return str(probe.getsockname()[0])
