"""Which photographs are one specimen: by a table, by folder, by a pattern in the name, or each alone; and shards."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePath
from typing import BinaryIO

from tickvision.deployment.reader import parse_region
from tickvision.deployment.sources import URL, find_photographs
from tickvision.domain import user_tables
from tickvision.errors import DataError
from tickvision.images.decode import Box


@dataclass(frozen=True, slots=True)  # there may be 10^5 of them
class Specimen:
    """Photographs of one tick.

    regions: one for each path, or () for whole pictures. removed_at: when the tick was taken off, "" if not known,
    else ISO 8601 with a time.
    """

    specimen_id: str
    paths: tuple[Path | str, ...]
    regions: tuple[Box | None, ...] = ()
    removed_at: str = ""


def check_grouping(by: str) -> re.Pattern[str] | None:
    """Return the pattern of a grouping, None for "photo" and "folder". Raises DataError if it is neither."""
    if by in ("photo", "folder"):
        return None
    try:
        pattern = re.compile(by)
    except re.error as error:
        raise DataError(f"--group-by '{by}': not a regular expression ({error}).") from None
    if pattern.groups != 1:
        raise DataError(
            f"--group-by '{by}': neither photo nor folder, and a pattern needs one pair of brackets around the part of "
            r"the file name that tells the specimen, such as '(.+)-\d+\.jpg'."
        )
    return pattern


def group(paths: Sequence[Path | str], by: str) -> list[Specimen]:
    """Return specimens of photographs, in order of first appearance.

    by: "photo" (each its own), "folder" (all in one folder are one specimen) or a regular expression whose one group,
    found in the file name, is the specimen; a name that does not fit is a specimen of its own.
    """
    pattern = check_grouping(by)
    if by == "photo":
        return [Specimen(str(p), (str(p),)) for p in paths]
    together: dict[str, list[str]] = {}
    for path in map(str, paths):
        found = pattern.search(PurePath(path).name) if pattern else None
        folder = path.rsplit("/", 1)[0] if URL.match(path) else str(PurePath(path).parent)
        key = folder if pattern is None else (found.group(1) or path) if found else path
        together.setdefault(key, []).append(path)
    return [Specimen(key, tuple(inside)) for key, inside in together.items()]


def named(photographs: Sequence[str], table: Path | None, by: str, stdin: BinaryIO | None = None) -> list[Specimen]:
    """Return the specimens that a command was given: those of a table, else of photographs, grouped.

    Raises DataError as read_list, find_photographs (which reads stdin) and group do.
    """
    return read_list(table) if table is not None else group(find_photographs(photographs, stdin), by)


def read_list(table: Path) -> list[Specimen]:
    """Return the specimens of a CSV: columns file and specimen_id; optional region ("x y width height", fractions) and
    removed_at (ISO 8601, date and time). Files are relative to the CSV; zip members and URLs may be named.

    Raises DataError that names the line if a column is missing or a cell is wrong, or the specimen if its rows give two
    times of removal.
    """
    rows: dict[str, list[tuple[str, Box | None, str]]] = {}
    wanted = ("file", "specimen_id"), "a list of photographs", DataError, ("region", "removed_at")
    for line, row in user_tables.read(table, *wanted):
        rows.setdefault(row["specimen_id"] or row["file"], []).append(_row(table, line, row))
    return [
        Specimen(key, tuple(n for n, _, _ in all_), tuple(r for _, r, _ in all_), _one_time(table, key, all_))
        for key, all_ in rows.items()
    ]


def _one_time(table: Path, specimen_id: str, rows: Sequence[tuple[str, Box | None, str]]) -> str:
    times = list(dict.fromkeys(time for *_, time in rows if time))
    if len(times) > 1:
        raise DataError(f"{table}: removed_at of specimen '{specimen_id}' is both {times[0]} and {times[1]}; give one.")
    return times[0] if times else ""


def _row(table: Path, line: int, row: dict[str, str]) -> tuple[str, Box | None, str]:
    if not row["file"]:
        raise DataError(f"{table}, line {line}: no file is named.")
    removed = row["removed_at"].strip()
    try:
        region = parse_region(row["region"])
        if removed:
            removed = parse_time(removed).isoformat(timespec="minutes")
    except ValueError as error:
        raise DataError(f"{table}, line {line}: {error}.") from None
    return (row["file"] if URL.match(row["file"]) else str(table.parent / row["file"])), region, removed


def parse_time(text: str) -> datetime:
    """Return the time of "2026-05-03T18:30" (zone optional). Raises ValueError, also on a date without a time."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"'{text}' is no time; expected one such as 2026-05-03T18:30") from None
    if not 1900 <= when.year <= 2999:
        raise ValueError(f"'{text}' is in no year in which a tick was taken off")
    if len(text) <= 10:
        raise ValueError(f"'{text}' is a date without a time; expected one such as 2026-05-03T18:30")
    return when


def shard(specimens: list[Specimen], number: int, of: int) -> list[Specimen]:
    """Return the number-th (from 1) of `of` runs of neighbours, which together are the whole list in its order."""
    low, high = ((number - 1 + i) * len(specimens) // of for i in (0, 1))
    return specimens[low:high]


def parse_shard(text: str) -> tuple[int, int]:
    """Return (i, n) of "i/n" with 1 <= i <= n. Raises DataError."""
    found = re.fullmatch(r"(\d+)/(\d+)", text)
    number, of = (int(found[1]), int(found[2])) if found else (0, 0)
    if not 1 <= number <= of:
        raise DataError(f"--shard '{text}': expected i/n with i from 1 to n, such as 2/8.")
    return number, of
