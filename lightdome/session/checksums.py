"""The checksum file beside frames.csv: one line a photograph, as BagIt (RFC 8493) and `sha256sum -c` have it."""

import re
from collections.abc import Mapping
from pathlib import Path

from lightdome.errors import SessionError
from lightdome.provenance import sha256_of

MANIFEST = "manifest-sha256.txt"
LARGEST_BYTES = 20_000_000
LINE = re.compile(r"([0-9a-fA-F]{64}) [ *](.+)")


def manifest_text(files: Mapping[str, Path]) -> str:
    """Text of the checksum file of files, by their name in the session folder."""
    return "".join(f"{sha256_of(path)}  {name}\n" for name, path in sorted(files.items()))


def read_manifest(folder: Path) -> dict[str, str]:
    """Digests by name, none where there is no checksum file; SessionError where it is no such file."""
    path = folder / MANIFEST
    if not path.exists():
        return {}
    try:
        content = path.read_bytes()
        if len(content) > LARGEST_BYTES:
            raise SessionError(f"{MANIFEST}: is larger than {LARGEST_BYTES // 1_000_000} MB; is it the right file?")
        text = content.decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SessionError(f"{MANIFEST}: cannot be read ({error}); put it back as it was written") from error
    known = {}
    for number, line in enumerate(text.splitlines(), 1):
        match = LINE.fullmatch(line)
        if not match:
            raise SessionError(f"{MANIFEST}, line {number}: is no checksum and name; put it back as it was written")
        known[match[2].removeprefix("./")] = match[1].lower()
    return known
