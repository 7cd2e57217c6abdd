"""Who may read: names with passwords (argon2id), sessions, and a brake on guessing."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import sqlite3
import threading
from datetime import UTC, datetime, timedelta
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from tickvision.errors import DataError
from tickvision.review import store

SESSION_HOURS = 12
WINDOW_MINUTES = 15
TRIES_A_NAME, TRIES_AN_ADDRESS = 10, 40  # wrong passwords within the window, then nothing is tried
MIN_PASSWORD, MAX_PASSWORD, MAX_NAME = 10, 200, 60
_HASHER = PasswordHasher()  # argon2id with the library's defaults: RFC 9106, second recommended option


class TooManyTriesError(Exception):
    """Nobody's password is tried now; wait_s says for how long."""

    def __init__(self, wait_s: int) -> None:
        super().__init__(f"too many wrong passwords; try again in {wait_s // 60 + 1} minutes")
        self.wait_s = wait_s


_ONE_AT_A_TIME = threading.Lock()  # a hash takes 64 MiB and several cores: guesses must not starve those who work


@cache
def _nobody() -> str:
    """A hash that is checked where the name is unknown, so that the time of an answer tells nothing."""
    return _HASHER.hash(secrets.token_hex(8))


def clean_name(name: str) -> str:
    """Return a reader's name as it is kept. Raises DataError if it cannot be one."""
    kept = " ".join("".join(c for c in name if c.isprintable()).split())
    if not kept or len(kept) > MAX_NAME or "|" in kept:
        raise DataError(f"A reader's name has 1 to {MAX_NAME} letters and no '|'; found '{name[:80]}'.")
    return kept


def add(connection: sqlite3.Connection, name: str, password: str) -> None:
    """Add a reader, or give one a new password; open sessions of theirs end. Raises DataError on a bad one."""
    name = clean_name(name)
    if not MIN_PASSWORD <= len(password) <= MAX_PASSWORD:
        raise DataError(f"A password has {MIN_PASSWORD} to {MAX_PASSWORD} letters; this one has {len(password)}.")
    hashed = _HASHER.hash(password)
    with store.writing(connection):
        connection.execute(
            "INSERT INTO reader VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE "
            "SET password_hash = excluded.password_hash",
            (name, hashed, store.now()),
        )
        connection.execute("DELETE FROM session WHERE reader = ?", (name,))


def remove(connection: sqlite3.Connection, name: str) -> None:
    """Take a reader's password and sessions away; what they decided stays. Raises DataError if there is none."""
    with store.writing(connection):
        if not connection.execute("DELETE FROM reader WHERE name = ?", (name,)).rowcount:
            raise DataError(f"'{name}' is no reader of this desk. Known: {', '.join(known(connection)) or 'none'}.")
        connection.execute("DELETE FROM session WHERE reader = ?", (name,))


def known(connection: sqlite3.Connection) -> list[str]:
    """Return the readers that have a password."""
    return [r["name"] for r in connection.execute("SELECT name FROM reader ORDER BY name")]


def sign_in(connection: sqlite3.Connection, name: str, password: str, address: str, needs_password: bool) -> str:
    """Return the token of a new session, "" if name and password do not fit.

    needs_password: off only on loopback while no reader has a password; then the name alone signs in.
    Raises TooManyTriesError after too many wrong ones for the name or from the address.
    """
    if needs_password:
        _brake(connection, name, address)
        row = connection.execute("SELECT password_hash FROM reader WHERE name = ?", (name,)).fetchone()
        if not _fits(row["password_hash"] if row else _nobody(), password[:MAX_PASSWORD]) or row is None:
            connection.execute("INSERT INTO wrong_password VALUES (?, ?, ?)", (store.now(), name[:MAX_NAME], address))
            return ""
    else:
        try:
            name = clean_name(name)
        except DataError:
            return ""
    token = secrets.token_urlsafe(32)
    with store.writing(connection):
        connection.execute("DELETE FROM session WHERE seen_at < ?", (_ago(hours=SESSION_HOURS),))
        connection.execute("INSERT INTO session VALUES (?, ?, ?)", (_hashed(token), name, store.now()))
        connection.execute("DELETE FROM wrong_password WHERE name = ? OR at < ?", (name, _ago(hours=24)))
    return token


def _fits(password_hash: str, password: str) -> bool:
    try:
        with _ONE_AT_A_TIME:
            return _HASHER.verify(password_hash, password)
    except (VerificationError, InvalidHashError):
        return False


def _brake(connection: sqlite3.Connection, name: str, address: str) -> None:
    since = _ago(minutes=WINDOW_MINUTES)
    for column, value, most in (("name", name[:MAX_NAME], TRIES_A_NAME), ("address", address, TRIES_AN_ADDRESS)):
        count, first = connection.execute(
            f"SELECT count(*), min(at) FROM wrong_password WHERE {column} = ? AND at > ?",  # noqa: S608 (constants)
            (value, since),
        ).fetchone()
        if count >= most:
            waited = datetime.now(UTC) - datetime.fromisoformat(first)
            raise TooManyTriesError(max(1, WINDOW_MINUTES * 60 - int(waited.total_seconds())))


def _ago(**span: float) -> str:
    return store.stamp(datetime.now(UTC) - timedelta(**span))


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def of_token(connection: sqlite3.Connection, token: str) -> str:
    """Return the reader of a session, "" if the token is of none or has run out; a session in use goes on."""
    row = connection.execute("SELECT * FROM session WHERE token_hash = ?", (_hashed(token),)).fetchone()
    if row is None or row["seen_at"] < _ago(hours=SESSION_HOURS):
        return ""
    if row["seen_at"] < _ago(minutes=10):
        connection.execute("UPDATE session SET seen_at = ? WHERE token_hash = ?", (store.now(), row["token_hash"]))
    return str(row["reader"])


def sign_out(connection: sqlite3.Connection, token: str) -> None:
    """End a session."""
    connection.execute("DELETE FROM session WHERE token_hash = ?", (_hashed(token),))


def form_token(token: str) -> str:
    """Return what a form must carry to be taken from the holder of this session or visit."""
    return hashlib.blake2b(b"form", key=token.encode()[:64]).hexdigest()[:40]


def is_form_token(token: str, given: str) -> bool:
    """True if a form carries what form_token gave."""
    return hmac.compare_digest(form_token(token).encode(), given.encode())
