"""Small CSV tables that a user writes: the columns asked for, each row with its line, one message for what is wrong."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

from tickvision.domain.spreadsheet import unguarded
from tickvision.errors import TickvisionError


def read(
    path: Path, columns: tuple[str, ...], what: str, error: type[TickvisionError], optional: tuple[str, ...] = ()
) -> list[tuple[int, dict[str, str]]]:
    """Return (line, {column: text, "" where blank}) of each row; further columns are left out.

    Cells that our own forms guard from being run as a formula come back as they were.

    what: the table in words, for messages. optional: columns that may be absent, and are blank then.
    Raises error if it cannot be read, lacks a column or holds a zero byte.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle)
            missing = [c for c in columns if c not in (reader.fieldnames or ())]
            if missing:
                further = f" (and perhaps {', '.join(optional)})" if optional else ""
                raise error(
                    f"{path}: no column {', '.join(missing)}; expected {', '.join(columns)}{further}; "
                    f"found {', '.join(map(str, reader.fieldnames or ())) or 'none'}."
                )
            rows = [(reader.line_num, {k: unguarded(row.get(k) or "") for k in columns + optional}) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        reason = fault.strerror if isinstance(fault, OSError) else fault
        raise error(f"{path}: cannot be read as {what} ({reason}).") from None
    for line, row in rows:
        refuse_zero_bytes(row.values(), f"{path}, line {line}", error)
    return rows


def refuse_zero_bytes(cells: Iterable[str], where: str, error: type[TickvisionError]) -> None:
    """Raise error if a cell holds a zero byte, as UTF-16 read as UTF-8 does: it would not read back from our files."""
    if any("\0" in cell for cell in cells):
        raise error(f"{where}: holds a zero byte. Save the table as 'CSV UTF-8'.")
