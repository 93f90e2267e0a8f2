"""Keeps the changes of one plate in one SQLite file; see `changes.py` for what they mean.

One row a change, added and never altered: the file itself refuses it. A change is on the disk before its sender hears
of it (write-ahead log, synchronous FULL), so that a killed server loses none that was answered; the sender's own id
makes sending again harmless. Several processes may write at once.
"""

import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from lightdome.errors import ProductError, PublishError
from lightdome.publish.serve.changes import BODY_KEYS, Change, Draft

FILE = "findings.sqlite"
VERSION = 1
BUSY_S = 20.0
"""How long a writer waits for another."""
AGAIN_S = 0.01
COLUMNS = "sequence, time, finding, kind, author, reason, body, client_id, seen, about"
SCHEMA = f"""
CREATE TABLE changes (
    sequence INTEGER PRIMARY KEY AUTOINCREMENT,
    time TEXT NOT NULL,
    finding TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ({", ".join(f"'{kind}'" for kind in BODY_KEYS)})),
    author TEXT NOT NULL,
    reason TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body)),
    client_id TEXT NOT NULL UNIQUE,
    seen INTEGER NOT NULL,
    about TEXT CHECK (about IS NULL OR json_valid(about))
);
CREATE INDEX changes_of_finding ON changes (finding);
CREATE TRIGGER no_update BEFORE UPDATE ON changes BEGIN SELECT RAISE(ABORT, 'a change is never altered'); END;
CREATE TRIGGER no_delete BEFORE DELETE ON changes BEGIN SELECT RAISE(ABORT, 'a change is never deleted'); END;
CREATE TRIGGER no_replace BEFORE INSERT ON changes
    WHEN EXISTS (SELECT 1 FROM changes WHERE sequence = NEW.sequence OR client_id = NEW.client_id)
    BEGIN SELECT RAISE(ABORT, 'a change is never replaced'); END;
PRAGMA user_version = {VERSION};
"""


class ConflictError(PublishError):
    """The sender's id was used for another change."""


class Findings:
    """The changes of one plate. The file is opened for each call, so that it is whole whenever nobody writes."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE

    @property
    def writable(self) -> bool:
        """Whether changes can be kept here."""
        there = [self.path] if self.path.exists() else []
        return all(os.access(path, os.W_OK, effective_ids=True) for path in (self.path.parent, *there))

    def add(self, draft: Draft, known: Callable[[Draft, bool], Mapping[str, Any] | None]) -> tuple[int, bool]:
        """Keep a change; its sequence, and whether it is new.

        known : called with the change, and whether its finding was spoken of before; gives what the mark is now, which
            is kept beside the change, and raises where there is none.
        Fails with ConflictError where the sender's id belongs to a change that says something else.
        """
        with self._open() as connection, _transaction(connection):
            row = connection.execute(f"SELECT {COLUMNS} FROM changes WHERE client_id = ?", [draft.client_id]).fetchone()
            if row:
                return _check_same(draft, _change(row)), False
            spoken_of = connection.execute("SELECT 1 FROM changes WHERE finding = ? LIMIT 1", [draft.finding])
            about = known(draft, spoken_of.fetchone() is not None)
            now = datetime.now(UTC).isoformat(timespec="milliseconds")
            body = json.dumps(dict(draft.body), allow_nan=False)
            mark = None if about is None else json.dumps(dict(about), allow_nan=False)
            values: list[Any] = [now, draft.finding, draft.kind, draft.author, draft.reason, body]
            values += [draft.client_id, draft.seen, mark]
            added = connection.execute(
                "INSERT INTO changes (time, finding, kind, author, reason, body, client_id, seen, about) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                values,
            )
            return int(added.lastrowid or 0), True

    def since(self, sequence: int) -> list[Change]:
        """All changes after one, in order; none where nobody has spoken yet."""
        if not self.path.exists():
            return []
        with self._open() as connection:
            rows = connection.execute(
                f"SELECT {COLUMNS} FROM changes WHERE sequence > ? ORDER BY sequence", [sequence]
            ).fetchall()
        return [_change(row) for row in rows]

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(_connect(self.path, self.writable)) as connection:
                yield connection
        except sqlite3.Error as error:
            raise ProductError(
                f"{self.path.name}: cannot be read or written ({error}); keep a copy of the file, then see that "
                f"its folder may be written and the disk has room"
            ) from error


def _connect(path: Path, writable: bool) -> sqlite3.Connection:
    if not writable:
        # without a log nobody is writing, and one could not be made to read by
        how = "ro" if path.with_name(f"{FILE}-wal").exists() else "ro&immutable=1"
        return _checked(sqlite3.connect(f"{path.resolve().as_uri()}?mode={how}", uri=True), path)
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    connection.execute("PRAGMA synchronous = FULL")
    if _version(connection) == 0:
        _keep_a_log(connection)
        with _transaction(connection):
            # another process may have made the table meanwhile
            if _version(connection) == 0:
                for statement in _statements(SCHEMA):
                    connection.execute(statement)
    return _checked(connection, path)


def _keep_a_log(connection: sqlite3.Connection) -> None:
    """Turn on the write-ahead log; SQLite does not wait by itself where another one does the same at that moment."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(AGAIN_S)


def _checked(connection: sqlite3.Connection, path: Path) -> sqlite3.Connection:
    found = _version(connection)
    if found != VERSION:
        connection.close()
        raise ProductError(
            f"{path.name}: is of version {found}, this lightdome knows {VERSION}; use the one that wrote it"
        )
    return connection


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _statements(script: str) -> Iterator[str]:
    """Statements of a script one by one, so that they share a transaction."""
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing; other writers wait from the start."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _change(row: tuple) -> Change:
    sequence, time, finding, kind, author, reason, body, client_id, seen, about = row
    mark = json.loads(about) if about else None
    return Change(client_id, finding, kind, author, reason, json.loads(body), seen, sequence, time, mark)


def _check_same(draft: Draft, kept: Change) -> int:
    same = all(getattr(draft, key) == getattr(kept, key) for key in ("finding", "kind", "author", "reason", "body"))
    if not same:
        raise ConflictError("client_id: belongs to another change; make a new one")
    return kept.sequence
