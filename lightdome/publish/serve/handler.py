"""Answers requests: files of the night with ranges, and the findings of its plates."""

import io
import json
import sys
import traceback
from collections.abc import Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from lightdome.errors import ProductError, PublishError
from lightdome.publish.records import MANIFEST
from lightdome.publish.serve import export
from lightdome.publish.serve.changes import read_draft
from lightdome.publish.serve.connection import TimedReader, read_head
from lightdome.publish.serve.files import PAGE, find, open_file
from lightdome.publish.serve.findings import ConflictError, Findings
from lightdome.publish.serve.plate import REVIEW, read_plate
from lightdome.publish.serve.request import (
    POLICY,
    Address,
    RefusedError,
    check_host,
    check_origin,
    holds_token,
    media_type,
    read_address,
    read_range,
    same_token,
)

if TYPE_CHECKING:
    from lightdome.publish.serve.server import ReviewServer

REQUEST_S = 30.0
"""From the last answer until the next request is whole; a client that is slower is let go."""
LONGEST_BODY = 64 * 1024
BLOCK_BYTES = 256 * 1024
API = "api"
TOKEN = "token"


class ReviewHandler(BaseHTTPRequestHandler):
    """One connection; see `lightdome/publish/serve/server.py` for what it serves."""

    server: "ReviewServer"
    protocol_version = default_request_version = "HTTP/1.1"
    timeout = REQUEST_S
    wbufsize = -1

    def setup(self) -> None:
        """Read by a deadline."""
        super().setup()
        self._timed = TimedReader(self.connection)
        self._reader = io.BufferedReader(self._timed)

    def handle_one_request(self) -> None:
        """Read one request and answer it; any error of the request is an answer, any of ours a 500."""
        self.close_connection = True
        self._begun = False
        self.command, self.request_version, self.requestline = "", self.protocol_version, ""
        self._timed.allow(REQUEST_S)
        try:
            try:
                self.raw_requestline, head = read_head(self._reader)
                if not self.raw_requestline:
                    return
                self.rfile = io.BytesIO(head)
                if self.parse_request():
                    self._answer()
            except RefusedError as refused:
                self._say(refused.status, {"error": refused.why})
            except (ConnectionError, TimeoutError):
                raise
            except Exception:
                traceback.print_exc(file=sys.stderr)
                if self._begun:
                    raise ConnectionError("half an answer is none") from None
                self._say(HTTPStatus.INTERNAL_SERVER_ERROR, {"error": "this is a mistake in lightdome; see its window"})
            self.wfile.flush()
        except (ConnectionError, TimeoutError):
            self.close_connection = True

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:  # noqa: ARG002
        """What the base class finds wrong with a request, said as everything else is and without its own words."""
        self.close_connection = True
        self._say(HTTPStatus(code), {"error": HTTPStatus(code).description or HTTPStatus(code).phrase})

    def handle_expect_100(self) -> bool:
        """Let the body come; its length is judged before it is read."""
        super().handle_expect_100()
        self.wfile.flush()
        return True

    def log_message(self, format: str, *args: Any) -> None:
        """Requests are not logged."""

    # --- what is asked ------------------------------------------------------------------------------------------------

    def _answer(self) -> None:
        # until the request is read whole, what follows it is not the next one
        self.close_connection = True
        if self.request_version not in ("HTTP/1.0", "HTTP/1.1"):
            raise RefusedError(HTTPStatus.HTTP_VERSION_NOT_SUPPORTED, "speak HTTP/1.1")
        if self.headers.defects:
            raise RefusedError(HTTPStatus.BAD_REQUEST, "the headers cannot be read")
        own, port = self.connection.getsockname()[:2]
        host = check_host(self.headers.get_all("Host", []), own, port)
        address = read_address(self.path)
        at = _api_at(address)
        allowed = ("GET", "HEAD", "POST") if at and address.names[at:] == ("findings",) else ("GET", "HEAD")
        if self.command not in allowed:
            self._say(
                HTTPStatus.METHOD_NOT_ALLOWED, {"error": "this cannot be done here"}, {"Allow": ", ".join(allowed)}
            )
            return
        body = self._read_body()
        if not self._admit(address):
            return
        self.close_connection = (
            self.request_version == "HTTP/1.0" or "close" in self.headers.get("Connection", "").lower()
        )
        if at:
            self._answer_api(address, at, host, body)
        else:
            self._send_file(address)

    def _admit(self, address: Address) -> bool:
        """Whether the request holds the token, where there is one; the token in the address is put into a cookie."""
        token, cookie = self.server.token, f"lightdome-{self.server.server_port}"
        if token is None or holds_token(self.headers.get("Cookie"), cookie, token):
            return True
        given = address.query.get(TOKEN)
        if self.command != "POST" and given and len(given) == 1 and same_token(given[0], token):
            put = f"{cookie}={token}; Path=/; HttpOnly; SameSite=Strict"
            self._send(HTTPStatus.SEE_OTHER, b"", {"Location": _path(address), "Set-Cookie": put})
            return False
        raise RefusedError(HTTPStatus.FORBIDDEN, "open the whole address that was printed, with its token")

    def _read_body(self) -> bytes:
        """The body of a POST; other requests have none."""
        if "Transfer-Encoding" in self.headers:
            raise RefusedError(HTTPStatus.NOT_IMPLEMENTED, "send the body whole, with its length")
        lengths = self.headers.get_all("Content-Length", [])
        if self.command != "POST":
            if lengths not in ([], ["0"]):
                raise RefusedError(HTTPStatus.BAD_REQUEST, "such a request has no body")
            return b""
        if not lengths:
            raise RefusedError(HTTPStatus.LENGTH_REQUIRED, "say how long the body is")
        if len(lengths) > 1 or not (lengths[0].isascii() and lengths[0].isdigit()):
            raise RefusedError(HTTPStatus.BAD_REQUEST, "the length of the body cannot be read")
        if len(lengths[0]) > 9 or int(lengths[0]) > LONGEST_BODY:
            raise RefusedError(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"a change may have {LONGEST_BODY // 1024} KiB; write less"
            )
        body = self._reader.read(int(lengths[0]))
        if len(body) < int(lengths[0]):
            raise ConnectionError("the client has gone")
        return body

    # --- findings -----------------------------------------------------------------------------------------------------

    def _answer_api(self, address: Address, at: int, host: str, body: bytes) -> None:
        folder = find(self.server.root, address.names[: at - 2])
        if address.folder or not (folder / REVIEW / MANIFEST).is_file():
            raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such plate or list")
        what = address.names[at:]
        try:
            if self.command == "POST":
                self._add(folder, host, body)
            elif what == ("status",):
                writable = Findings(folder).writable
                self._say(
                    HTTPStatus.OK,
                    {"writable": writable, "author": self.server.author, "token_needed": self.server.token is not None},
                )
            elif what == ("findings",):
                after = _since(address)
                changes = [
                    one for one in read_plate(folder).sort_out(Findings(folder).since(0)) if one.sequence > after
                ]
                last = changes[-1].sequence if changes else after
                self._say(HTTPStatus.OK, {"last": last, "changes": [change.as_dict() for change in changes]})
            elif what in (("export", "annotations"), ("export", "geojson")):
                self._export(folder, what[1])
            else:
                raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file")
        except ConflictError as error:
            raise RefusedError(HTTPStatus.CONFLICT, str(error)) from error
        except PublishError as error:
            raise RefusedError(HTTPStatus.BAD_REQUEST, str(error)) from error
        except ProductError as error:
            raise RefusedError(HTTPStatus.INTERNAL_SERVER_ERROR, str(error)) from error

    def _add(self, folder: Path, host: str, body: bytes) -> None:
        check_origin(self.headers.get_all("Origin", []), host)
        if self.headers.get_content_type() != "application/json":
            raise RefusedError(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "send application/json")
        findings = Findings(folder)
        if not findings.writable:
            raise RefusedError(HTTPStatus.FORBIDDEN, "this folder may not be written; findings cannot be kept in it")
        sequence, new = findings.add(read_draft(_json(body)), read_plate(folder).check)
        self._say(HTTPStatus.CREATED if new else HTTPStatus.OK, {"sequence": sequence})

    def _export(self, folder: Path, what: str) -> None:
        plate = read_plate(folder)
        changes = plate.sort_out(Findings(folder).since(0))
        if what == "annotations":
            facts, kind = export.to_annotations(plate, changes), f'application/ld+json; profile="{export.CONTEXT}"'
        else:
            facts, kind = export.to_geojson(plate, changes), "application/geo+json"
        self._say(HTTPStatus.OK, facts, {"Content-Type": kind})

    # --- files --------------------------------------------------------------------------------------------------------

    def _send_file(self, address: Address) -> None:
        path = find(self.server.root, address.names)
        if path.is_dir():
            if not (path / PAGE).is_file():
                raise RefusedError(HTTPStatus.NOT_FOUND, "there is no page in this folder")
            if not address.folder and address.names:
                self._send(HTTPStatus.MOVED_PERMANENTLY, b"", {"Location": _path(address) + "/"})
                return
            path = find(self.server.root, (*address.names, PAGE))
        elif address.folder:
            raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such folder")
        # by the name of the file itself: a link of an innocent name opens nothing else
        kind = media_type(path.name)
        if kind is None or any(part.startswith(".") for part in path.relative_to(self.server.root).parts):
            raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file")
        opened = open_file(path)
        with opened.file:
            common = {"ETag": opened.tag, "Accept-Ranges": "bytes", "Content-Type": kind}
            if opened.tag in [tag.strip() for tag in self.headers.get("If-None-Match", "").split(",")]:
                self._send(HTTPStatus.NOT_MODIFIED, None, common)
                return
            wanted = self.headers.get("Range") if self.headers.get("If-Range", opened.tag) == opened.tag else None
            try:
                part = read_range(wanted, opened.size)
            except RefusedError as refused:
                self._say(refused.status, {"error": refused.why}, {"Content-Range": f"bytes */{opened.size}"})
                return
            first, last = part or (0, opened.size - 1)
            if part:
                common["Content-Range"] = f"bytes {first}-{last}/{opened.size}"
            self._head(HTTPStatus.PARTIAL_CONTENT if part else HTTPStatus.OK, last - first + 1, common)
            if self.command == "HEAD":
                return
            opened.file.seek(first)
            left = last - first + 1
            while left:
                block = opened.file.read(min(left, BLOCK_BYTES))
                if not block:
                    raise ConnectionError("the file has become shorter")
                self.wfile.write(block)
                left -= len(block)

    # --- answers ------------------------------------------------------------------------------------------------------

    def _say(self, status: HTTPStatus, facts: Mapping[str, Any], more: Mapping[str, str] | None = None) -> None:
        """Answer with JSON."""
        content = json.dumps(facts, allow_nan=False).encode()
        self._send(status, content, {"Content-Type": "application/json", **(more or {})})

    def _send(self, status: HTTPStatus, content: bytes | None, headers: Mapping[str, str]) -> None:
        self._head(status, None if content is None else len(content), headers)
        if content and self.command != "HEAD":
            self.wfile.write(content)

    def _head(self, status: HTTPStatus, length: int | None, headers: Mapping[str, str]) -> None:
        self._begun = True
        self.send_response_only(status)
        always = {
            "Cache-Control": "no-cache",
            "Content-Security-Policy": POLICY,
            "Cross-Origin-Resource-Policy": "same-origin",
            "Referrer-Policy": "no-referrer",
            "X-Content-Type-Options": "nosniff",
        }
        for name, value in {**always, **headers}.items():
            self.send_header(name, value)
        if length is not None:
            self.send_header("Content-Length", str(length))
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()


def _api_at(address: Address) -> int:
    """Where in the address the name after review/api/ stands; 0 where it leads to a file."""
    pairs = list(zip(address.names, address.names[1:], strict=False))
    return pairs.index((REVIEW, API)) + 2 if (REVIEW, API) in pairs else 0


def _path(address: Address) -> str:
    """The address without what stood after the question mark."""
    return "/" + "/".join(quote(name) for name in address.names) + ("/" if address.folder and address.names else "")


def _since(address: Address) -> int:
    given = address.query.get("since", ["0"])
    if set(address.query) - {"since"} or len(given) != 1 or not (given[0].isascii() and given[0].isdigit()):
        raise RefusedError(HTTPStatus.BAD_REQUEST, "since must be the sequence of a change")
    if len(given[0]) > 15:
        raise RefusedError(HTTPStatus.BAD_REQUEST, "since is larger than any sequence")
    return int(given[0])


def _json(body: bytes) -> Any:
    """JSON of a body; PublishError where it is none."""

    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no number")

    try:
        return json.loads(body.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise PublishError("the body is not JSON") from error
