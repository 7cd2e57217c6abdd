"""Small CSV tables that a user writes: the columns asked for, each row with its line, one message for what is wrong."""

from __future__ import annotations

import csv
from pathlib import Path

from tickvision.errors import TickvisionError


def read(
    path: Path, columns: tuple[str, ...], what: str, error: type[TickvisionError]
) -> list[tuple[int, dict[str, str]]]:
    """Return (line, {column: text, "" where blank}) of each row; further columns are left out.

    what: the table in words, for messages. Raises error if it cannot be read or lacks a column.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle)
            missing = [c for c in columns if c not in (reader.fieldnames or ())]
            if missing:
                raise error(f"{path}: no column {', '.join(missing)}; expected {', '.join(columns)}.")
            rows = [(reader.line_num, {k: row[k] or "" for k in columns}) for row in reader]
            broken = next((line for line, row in rows if any("\0" in cell for cell in row.values())), None)
            if broken is not None:
                raise error(f"{path}, line {broken}: holds a zero byte. Save the table as 'CSV UTF-8'.")
            return rows
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise error(f"{path}: cannot be read as {what} ({fault}).") from None
