"""CSV that people open in a spreadsheet: no cell is run as a formula, and a row stays a row.

Source: OWASP, CSV injection (from memory): a cell that begins with = + - @, tab or a line end may be run; a leading
apostrophe shows it as text. It can be taken off again, so that a file which we read back loses nothing.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from typing import TextIO

MARKS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def guarded(cell: str) -> str:
    """Return the cell, with an apostrophe before what a spreadsheet would run (apostrophes that stand there count)."""
    return f"'{cell}" if cell.lstrip("'").startswith(MARKS) else cell


def unguarded(cell: str) -> str:
    """Return the cell that `guarded` was given."""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(MARKS) else cell


def row_writer(handle: TextIO) -> Callable[[Iterable[str]], None]:
    """Return a function that writes one row of CSV, lines ending in a line feed.

    Python's writer leaves a bare carriage return unquoted then, and every reader takes it for the end of a row.
    """
    plain = csv.writer(handle, lineterminator="\n")
    quoted = csv.writer(handle, lineterminator="\n", quoting=csv.QUOTE_ALL)

    def write(cells: Iterable[str]) -> None:
        row = list(cells)
        (quoted if any("\r" in str(cell) for cell in row) else plain).writerow(row)

    return write
