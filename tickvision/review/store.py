"""The store of a desk: one SQLite file. What a reader was told is saved is on the disk."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

from tickvision.errors import DataError, OutputError

FILE = "desk.sqlite"
SCHEMA = 2
BUSY_MS = 10_000


def now() -> str:
    """Return the time now, UTC, as the store writes it."""
    return stamp(datetime.now(UTC))


def stamp(when: datetime) -> str:
    """Return a time as the store writes it; a time without a zone is taken as local."""
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class _Connection(sqlite3.Connection):
    """Closed with whoever holds it: a thread of the web server, a command. Python 3.13 warns of what is left open."""

    def __del__(self) -> None:
        with suppress(sqlite3.ProgrammingError):  # it was never open
            self.close()


def open_store(folder: Path, create: bool = False) -> sqlite3.Connection:
    """Return a connection to the store in a folder, in autocommit; write inside `writing`.

    WAL with synchronous=FULL: a committed decision survives a kill and a power cut.
    Raises DataError if there is none (and create is off) or the file is not a desk's store.
    """
    path = folder / FILE
    if not path.is_file() and not create:
        raise DataError(f"{folder}: no desk here. Make it with: tickvision review import PREDICTIONS --desk {folder}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(
            path, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False, factory=_Connection
        )
        connection.row_factory = sqlite3.Row
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "trusted_schema = OFF"):
            connection.execute(f"PRAGMA {pragma}")
        if create:
            _make(connection)
        found = connection.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise DataError(f"{path}: not a desk's store ({error}).") from None
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror}).") from None
    if found != SCHEMA:
        connection.close()
        raise DataError(f"{path}: a store of schema {found}, this tickvision reads {SCHEMA}.")
    return connection


def _make(connection: sqlite3.Connection) -> None:
    with writing(connection):
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            script = resources.files("tickvision.review").joinpath("schema.sql").read_text(encoding="utf-8")
            statement = ""
            for line in script.splitlines(keepends=True):  # executescript would commit half-way
                statement += line
                if sqlite3.complete_statement(statement):
                    connection.execute(statement)
                    statement = ""
            connection.execute(f"PRAGMA user_version = {SCHEMA}")


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """Run the block as one transaction that has the store for itself: all of it is kept, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def log(connection: sqlite3.Connection, reader: str, specimen_id: str, what: str) -> None:
    """Add a line to the desk's log (inside a transaction or alone)."""
    connection.execute(
        "INSERT INTO event (at, reader, specimen_id, what) VALUES (?, ?, ?, ?)", (now(), reader, specimen_id, what)
    )
