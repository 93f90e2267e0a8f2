"""`new-session`: look at a folder of photographs and write the first sheet. It opens files, and overwrites none."""

import sys
from contextlib import ExitStack
from pathlib import Path, PurePosixPath

from lightdome import store
from lightdome.errors import FrameError, SessionError
from lightdome.provenance import sha256_of
from lightdome.session.exif import NO_EXIF
from lightdome.session.first_sheet import settings_text
from lightdome.session.naming import safe_name
from lightdome.session.photograph import (
    BITS,
    PHOTOGRAPH_ENDINGS,
    is_raw,
    photograph_size,
    read_exif,
    read_photograph,
)
from lightdome.session.proposal import Found, Proposal, propose
from lightdome.session.settings import SETTINGS_FILE
from lightdome.session.tables import FRAMES_FILE, LAMPS_FILE, PLACES
from lightdome.tiles import for_each

FRAME_COLUMNS = ("file", "plate", "side", "field", "role", "lamp", "sha256")
JPEG_ENDINGS = (".jpg", ".jpeg")


def new_session(folder: Path, *, threads: int = 2) -> None:
    """Write session.yaml, frames.csv and (unless spheres tell) lamps.csv of a folder of photographs.

    What must be decided by a person is left empty; what was guessed is printed. Fails with SessionError where one of
    the files is there, or no lit photograph is.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise SessionError(f"{folder}: is not a folder; name the folder that the photographs were copied to")
    for name in (SETTINGS_FILE, FRAMES_FILE, LAMPS_FILE):
        if (folder / name).exists():
            raise SessionError(f"{folder / name}: is there already, and nothing is overwritten; move it away first")
    found = _look_at(folder, threads)
    proposal = propose(found)
    lit = [row["file"] for row in proposal.rows if row["role"] == "lit"]
    if not lit:
        raise SessionError(
            f"{folder}: holds no photograph of a plate under a lamp; put those into a folder that is named as the plate"
        )
    by_name = {one.path.as_posix(): one for one in found}
    first = by_name[lit[0]]
    text = settings_text(
        safe_name(folder.absolute().name),
        proposal,
        [by_name[name].exif for name in lit],
        None if first.raw else _bits(folder / first.path),
        first.path.suffix.lower() in JPEG_ENDINGS,
    )
    _write(folder, text, proposal)
    for note in proposal.notes:
        print(f"new-session: {note}", file=sys.stderr)


def _look_at(folder: Path, threads: int) -> list[Found]:
    """Every photograph below a folder; hidden ones, and links that lead out of it, are not looked at."""
    paths = [
        path
        for path in sorted(folder.rglob("*"))
        if path.suffix.lower() in PHOTOGRAPH_ENDINGS
        and path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and path.resolve().is_relative_to(folder.resolve())
    ]
    found: dict[Path, Found] = {}

    def look(path: Path) -> None:
        try:
            shape, raw = photograph_size(path), is_raw(path)
        except FrameError:
            shape, raw = None, False
        exif = read_exif(path) if shape else NO_EXIF
        found[path] = Found(PurePosixPath(path.relative_to(folder).as_posix()), shape, raw, exif, sha256_of(path))

    for_each(look, paths, f"photographs in {folder}", threads)
    return [found[path] for path in paths]


def _bits(path: Path) -> int:
    """Of a channel; 16 where the photograph cannot be opened, which check-session says."""
    try:
        return BITS[read_photograph(path).dtype]
    except FrameError:
        return 16


def _write(folder: Path, text: str, proposal: Proposal) -> None:
    """All files, or none."""
    with ExitStack() as parts:
        parts.enter_context(store.beside(folder / SETTINGS_FILE)).write_text(text, encoding="utf-8")
        rows = parts.enter_context(store.beside(folder / FRAMES_FILE))
        store.write_table(rows, FRAME_COLUMNS, proposal.rows)
        if not proposal.from_spheres:
            lamps = parts.enter_context(store.beside(folder / LAMPS_FILE))
            store.write_table(lamps, ("lamp", *PLACES["near"]), [{"lamp": lamp} for lamp in proposal.lamps])
