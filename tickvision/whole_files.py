"""Files are written whole or not at all: a kill or a full disk leaves the old one. sha256 tells two of them apart."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal, TextIO

ESCAPED = "backslashreplace"  # half a character so written reads back from JSON as it was


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Give a temporary name beside path to write to; it takes path's place once all is written without an error.

    A link stays, and the file it names is written. What is no file (/dev/stdout, a pipe) is written to as it comes.
    """
    if path.exists() and not path.is_file():
        yield path
        return
    path = path.resolve() if path.is_symlink() else path
    temporary = path.with_name(path.name + ".tmp")
    try:
        yield temporary
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    temporary.replace(path)


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8, its line ends as they are."""
    with whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")


def write_bytes(path: Path, content: bytes) -> None:
    """Write bytes."""
    with whole(path) as temporary:
        temporary.write_bytes(content)


def open_text(path: Path, mode: Literal["w", "a"] = "w") -> TextIO:
    """Return the file, opened for text that may hold file names: those that are no UTF-8 are written as escapes."""
    return path.open(mode, encoding="utf-8", errors=ESCAPED, newline="")


def sha256(path: Path) -> str:
    """Return the hex sha256 of a file."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
