"""What a request asks for, and whether it may: addresses, ranges, hosts, tokens. Text in, answers out.

The rules are those of RFC 9110 (HTTP semantics) and RFC 3986 (addresses), and narrower where a night needs no more.
"""

import hmac
import re
from collections.abc import Sequence
from dataclasses import dataclass
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from urllib.parse import parse_qs, unquote_to_bytes

NAME = re.compile(r"[A-Za-z0-9_+-][A-Za-z0-9_.+-]*")
"""Every folder and file that lightdome writes is named so; none begins with a dot."""
TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "wasm": "application/wasm",
    "json": "application/json",
    "geojson": "application/geo+json",
    "csv": "text/csv; charset=utf-8",
    "txt": "text/plain; charset=utf-8",
    "log": "text/plain; charset=utf-8",
    "tsv": "text/plain; charset=utf-8",
    "png": "image/png",
    "svg": "image/svg+xml",
    "tif": "image/tiff",
    "pdf": "application/pdf",
    "zip": "application/zip",
    "woff2": "font/woff2",
}
"""Media type by ending; files of other endings are not served, the findings' own file among them."""
POLICY = (
    "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self' blob: data:; worker-src 'self' blob:; font-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""Content Security Policy (W3C CSP 3). WebAssembly is let in, since the tiles' decoders are compiled so, and with it
addresses that hold their own content (`data:`), which one of them is fetched from."""
LONGEST_NUMBER = 18
"""Digits of a position in a file."""


class RefusedError(Exception):
    """A request that is not answered: the status, and one sentence why."""

    def __init__(self, status: HTTPStatus, why: str) -> None:
        super().__init__(why)
        self.status = status
        self.why = why


@dataclass(frozen=True)
class Address:
    """Where a request goes."""

    names: tuple[str, ...]
    """Folders and file below the served folder."""
    folder: bool
    """True where the address ends in a slash."""
    query: dict[str, list[str]]


def read_address(target: str) -> Address:
    """The address of a request line; RefusedError where no file of a night can be named so."""
    path, _, query = target.partition("?")
    if not path.startswith("/") or "#" in target:
        raise RefusedError(HTTPStatus.BAD_REQUEST, "the address must begin with a slash and hold no fragment")
    names = [_decoded(part) for part in path.split("/")[1:]]
    folder = names[-1] == ""
    if folder:
        names.pop()
    if not all(NAME.fullmatch(name) for name in names):
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file")
    try:
        fields = parse_qs(query, keep_blank_values=True, strict_parsing=bool(query), errors="strict", max_num_fields=8)
    except ValueError as error:
        raise RefusedError(HTTPStatus.BAD_REQUEST, "the part after the question mark cannot be read") from error
    return Address(tuple(names), folder, fields)


def _decoded(part: str) -> str:
    if re.search(r"%(?![0-9A-Fa-f]{2})", part):
        raise RefusedError(HTTPStatus.BAD_REQUEST, "the address holds a percent sign without two digits")
    try:
        return unquote_to_bytes(part.encode("latin-1")).decode("utf-8")
    except UnicodeError as error:
        raise RefusedError(HTTPStatus.BAD_REQUEST, "the address is not UTF-8") from error


def media_type(name: str) -> str | None:
    """Of a file by its ending; None where it is not served."""
    return TYPES.get(name.rpartition(".")[2]) if "." in name else None


def read_range(header: str | None, size: int) -> tuple[int, int] | None:
    """First and last byte, or None for the whole: without a range, or where it is not one range of bytes.

    Several ranges at once are answered with the whole, as RFC 9110 (14.2) lets a server do. RefusedError (416) where
    the range begins after the last of `size` bytes.
    """
    match = re.fullmatch(r"bytes=[ \t]*(\d*)-(\d*)[ \t]*", header or "", flags=re.ASCII)
    if not match or match.group(1) == match.group(2) == "":
        return None
    first, last = (int(text) if len(text) <= LONGEST_NUMBER else 10**LONGEST_NUMBER for text in _digits(match))
    if match.group(1) == "":
        first, last = max(size - last, 0) if last else size, size - 1
    elif match.group(2) == "":
        last = size - 1
    elif first > last:
        return None
    if first >= size:
        raise RefusedError(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE, f"the file has {size} bytes")
    return first, min(last, size - 1)


def _digits(match: re.Match[str]) -> tuple[str, str]:
    return match.group(1) or "0", match.group(2) or "0"


def check_host(hosts: Sequence[str], own_address: str, port: int) -> str:
    """The host that a request names, if it is this machine; RefusedError (403) otherwise.

    Another site's name that was made to lead here (DNS rebinding) is refused: only names of the loopback are taken, and
    the address that the client did reach.
    """
    if len(hosts) != 1:
        raise RefusedError(HTTPStatus.BAD_REQUEST, "a request must name its host once")
    allowed = {f"{name}:{port}" for name in ("localhost", "127.0.0.1", "[::1]", _bracketed(own_address))}
    if port == 80:
        allowed |= {name.removesuffix(":80") for name in allowed}
    if hosts[0].lower() not in allowed:
        raise RefusedError(HTTPStatus.FORBIDDEN, "this host is not served here; open the address that was printed")
    return hosts[0]


def _bracketed(address: str) -> str:
    return f"[{address}]" if ip_address(address).version == 6 else address


def check_origin(origins: Sequence[str], host: str) -> None:
    """Refuse (403) what another site's page sends."""
    if [origin.lower() for origin in origins] != [f"http://{host.lower()}"]:
        raise RefusedError(HTTPStatus.FORBIDDEN, "only the page of this address may send findings")


def holds_token(cookies: str | None, name: str, token: str) -> bool:
    """Whether the cookie of this name is the token; compared in constant time."""
    try:
        morsel = SimpleCookie(cookies or "").get(name)
    except CookieError:
        return False
    return morsel is not None and same_token(morsel.value, token)


def same_token(given: str, token: str) -> bool:
    """Compare in constant time."""
    return hmac.compare_digest(given.encode("utf-8", "surrogatepass"), token.encode())
