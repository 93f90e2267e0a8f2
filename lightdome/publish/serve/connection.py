"""Reads from a client with a deadline, so that one who sends slowly holds no thread."""

import io
import socket
import time
from http import HTTPStatus

from lightdome.publish.serve.request import RefusedError

LONGEST_HEAD = 16 * 1024
"""Bytes of request line and headers."""


class TimedReader(io.RawIOBase):
    """A socket that must have given what is read by a deadline."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._deadline = 0.0

    def allow(self, seconds: float) -> None:
        """Set the deadline anew."""
        self._deadline = time.monotonic() + seconds

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Wait for bytes, but not past the deadline (TimeoutError)."""
        left = self._deadline - time.monotonic()
        if left <= 0:
            raise TimeoutError("the client was too slow")
        before = self._connection.gettimeout()
        self._connection.settimeout(left)
        try:
            return self._connection.recv_into(buffer)
        finally:
            self._connection.settimeout(before)


def read_head(reader: "io.BufferedReader[TimedReader]") -> tuple[bytes, bytes]:
    """Request line, and headers with the empty line after them; both empty where the client has gone.

    RefusedError where they are longer than `LONGEST_HEAD`.
    """
    line = reader.readline(LONGEST_HEAD + 1)
    if len(line) > LONGEST_HEAD:
        raise RefusedError(HTTPStatus.REQUEST_URI_TOO_LONG, "the address is too long")
    headers = b""
    while line:
        header = reader.readline(LONGEST_HEAD + 1)
        headers += header
        if len(line) + len(headers) > LONGEST_HEAD:
            raise RefusedError(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE, "the headers are too long")
        if header in (b"\r\n", b"\n"):
            return line, headers
        if not header:
            break
    return b"", b""
