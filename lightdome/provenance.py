"""Who made this file, from what, with which settings."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from lightdome import __version__
from lightdome.errors import ProductError

HASH_BLOCK_BYTES = 1 << 20


def sha256_of(path: Path) -> str:
    """SHA-256 of a file as 64 hex digits, read in blocks; ProductError where it cannot be read."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(HASH_BLOCK_BYTES):
                digest.update(block)
    except OSError as error:
        raise ProductError(f"{path}: cannot be read ({error.strerror}); correct the path or make it again") from error
    return digest.hexdigest()


@dataclass(frozen=True)
class Provenance:
    """One product's origin; travels in the tags of rasters and in the `provenance` key of JSON products."""

    step: str
    """Verb-noun name of the step, as on the command line."""
    settings: Mapping[str, Any]
    """What the step was told, defaults included."""
    sources: Mapping[str, str]
    """File name of each input and its SHA-256."""
    software: str = "lightdome"
    version: str = __version__
    created: str = field(default_factory=lambda: datetime.now(UTC).isoformat(timespec="seconds"))

    @classmethod
    def of(cls, step: str, sources: Iterable[Path], settings: Mapping[str, Any]) -> "Provenance":
        """Provenance of a step that read `sources` (files) with `settings` (JSON values)."""
        return cls(step, dict(settings), {path.name: sha256_of(path) for path in sources})

    def as_dict(self) -> dict[str, Any]:
        """The record as JSON values."""
        return asdict(self)

    def as_json(self) -> str:
        """The record as one line of JSON."""
        return json.dumps(self.as_dict(), sort_keys=True)


CODE = ("*.py", "*/*.py", "templates/*", "page_built/*.sha256")


def code_mark(*words: str) -> str:
    """Short digest of the code of some package folders and of the base modules.

    The workflow passes it to each rule, so that a changed kernel, template or page reruns what it made.
    """
    return code_digest(Path(__file__).parent, words)


def code_digest(package: Path, words: Sequence[str]) -> str:
    """The digest of `code_mark`, of any package folder."""
    files = sorted(package.glob("*.py"))
    for word in words:
        # not below the page: what npm puts there is none of ours, and its stamp tells what the page was built from
        files += sorted({path for pattern in CODE for path in (package / word).glob(pattern)})
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.relative_to(package).as_posix().encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]
