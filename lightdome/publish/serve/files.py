"""Opens files below the served folder, and only those."""

import os
import stat
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import BinaryIO

from lightdome.publish.serve.request import RefusedError

PAGE = "index.html"


@dataclass(frozen=True)
class Opened:
    """A file that may be sent."""

    file: BinaryIO
    size: int
    tag: str
    """Entity tag: changes whenever the file does."""


def find(root: Path, names: tuple[str, ...]) -> Path:
    """The file or folder of these names below `root`, links followed; RefusedError (404) where it lies outside."""
    try:
        path = root.joinpath(*names).resolve(strict=True)
    except (OSError, RuntimeError, ValueError) as error:
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file") from error
    if not path.is_relative_to(root):
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file")
    return path


def open_file(path: Path) -> Opened:
    """Open a plain file; RefusedError where it is another thing or may not be read."""
    try:
        # a pipe would wait for a writer, and a link was followed and judged before
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file, or it may not be read") from error
    file = os.fdopen(descriptor, "rb")
    state = os.fstat(descriptor)
    if not stat.S_ISREG(state.st_mode):
        file.close()
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no such file")
    return Opened(file, state.st_size, f'"{state.st_ino:x}-{state.st_mtime_ns:x}-{state.st_size:x}"')
