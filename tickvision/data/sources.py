"""Where records come from: a CSV with any column names, or a tree of folders. Both give plain records as text."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tickvision.errors import DataError, did_you_mean
from tickvision.images.decode import SUFFIXES

MAX_COLUMNS = 2_000
MAX_CELL = 1_000_000
CSV_COLUMNS = (
    "file",
    "photo_id",
    "specimen_id",
    "submission_id",
    "scientific_name",
    "life_stage",
    "sex",
    "feeding",
    "view",
    "event_date",
    "place",
    "host",
    "source",
    "device",
    "identified_by",
    "license_uri",
    "creator",
    "rights_holder",
    "region",
    "leg_count",
    "attached",
    "use",
)


@dataclass(frozen=True)
class Record:
    """One photograph as its source tells it. fields: our column names; others: columns of the source that have none."""

    line: int
    fields: dict[str, str]
    others: dict[str, str]


def read_csv(path: Path, columns: dict[str, str], defaults: dict[str, str]) -> Iterator[Record]:
    """Yield the records of a CSV. columns: our name -> the file's name. UTF-8 with or without mark; , ; or tab.

    Raises DataError on an unreadable file, a column that is not there, or one that names no photographs.
    """
    for ours in [*columns, *defaults]:
        if ours not in CSV_COLUMNS:
            raise DataError(
                f"data.columns / data.defaults: '{ours}' is no column of ours."
                f"{did_you_mean(ours, CSV_COLUMNS)} Known: {', '.join(CSV_COLUMNS)}"
            )
    with _open(path) as handle:
        csv.field_size_limit(MAX_CELL)
        reader = csv.reader(handle, delimiter=_delimiter(path))
        try:
            header = [h.strip() for h in next(reader, [])]
            mapping = _map_header(path, header, columns)
            for cells in reader:
                if any(c.strip() for c in cells):
                    yield _record(path, reader.line_num, header, cells, mapping, defaults)
        except csv.Error as error:
            raise DataError(f"{path}, line {reader.line_num}: not readable as CSV ({error}).") from None
        except UnicodeDecodeError:
            raise DataError(f"{path}: not UTF-8. Save the table as 'CSV UTF-8' and import again.") from None


def _open(path: Path):  # type: ignore[no-untyped-def]
    try:
        return path.open("r", encoding="utf-8-sig", newline="")
    except FileNotFoundError:
        raise DataError(f"{path}: no such file (data.path).") from None
    except OSError as error:
        raise DataError(f"{path}: cannot be read ({error.strerror}).") from None


def _delimiter(path: Path) -> str:
    """Return the separator that the header line holds most of."""
    with path.open("rb") as handle:
        head = handle.readline(MAX_CELL)
    return max((",", ";", "\t"), key=lambda sign: head.count(sign.encode()))


def _map_header(path: Path, header: list[str], columns: dict[str, str]) -> dict[str, int]:
    """Return our column -> position."""
    if len(header) > MAX_COLUMNS:
        raise DataError(f"{path}: {len(header):,} columns; at most {MAX_COLUMNS:,} are read.")
    twice = sorted({h for h in header if h and header.count(h) > 1})
    if twice:
        raise DataError(f"{path}: column '{twice[0]}' stands twice in the header.")
    mapping = {c: header.index(c) for c in CSV_COLUMNS if c in header}
    for ours, theirs in columns.items():
        if theirs not in header:
            raise DataError(
                f"{path}: column '{theirs}' (data.columns.{ours}) is not in the header."
                f"{did_you_mean(theirs, header)} The header has: {', '.join(header)}"
            )
        mapping[ours] = header.index(theirs)
    if "file" not in mapping:
        raise DataError(
            f"{path}: no column 'file' that names the photographs. The header has: {', '.join(header)}. "
            'Say which column it is with data.columns = { file = "..." }.'
        )
    return mapping


def _record(
    path: Path, line: int, header: list[str], cells: list[str], mapping: dict[str, int], defaults: dict[str, str]
) -> Record:
    if len(cells) > len(header):
        raise DataError(
            f"{path}, line {line}: {len(cells)} cells, the header has {len(header)}. "
            "A separator inside a text must be quoted."
        )
    cells = cells + [""] * (len(header) - len(cells))
    fields = {ours: cells[i].strip() for ours, i in mapping.items()}
    fields |= {k: v for k, v in defaults.items() if not fields.get(k)}
    used = set(mapping.values())
    others = {h: cells[i] for i, h in enumerate(header) if i not in used and h}
    return Record(line, fields, others)


def read_folder(top: Path, pattern: str, defaults: dict[str, str]) -> Iterator[Record]:
    """Yield a record for each picture below a folder, its columns read from the path by a pattern.

    pattern: such as "{scientific_name}/{life_stage}/{specimen_id}_{photo}"; {photo} and * stand for anything; the
    suffix is left out. Raises DataError if the folder is absent, the pattern is wrong or no picture fits it.
    """
    if not top.is_dir():
        raise DataError(f"{top}: no such folder (data.path).")
    expression = _compile(pattern)
    pictures = sorted(p for p in top.rglob("*") if p.suffix.lower() in SUFFIXES and p.is_file())
    if not pictures:
        raise DataError(f"{top}: no pictures below this folder ({', '.join(sorted(SUFFIXES))}).")
    fitting = 0
    for number, path in enumerate(pictures, 1):
        relative = path.relative_to(top).as_posix()
        match = expression.fullmatch(relative[: -len(path.suffix)])
        found = {
            k: v.replace("_", " ") if k == "scientific_name" else v
            for k, v in (match.groupdict() if match else {}).items()
            if k != "photo"
        }
        fitting += match is not None
        fields = {"file": relative, "photo_id": relative} | found
        yield Record(number, fields | {k: v for k, v in defaults.items() if not fields.get(k)}, {})
    if not fitting:
        raise DataError(
            f"{top}: none of {len(pictures):,} pictures fits data.pattern '{pattern}', "
            f"e.g. '{pictures[0].relative_to(top).as_posix()}'."
        )


def _compile(pattern: str) -> re.Pattern[str]:
    parts = re.split(r"(\{[a-z_]*\}|\*)", pattern)
    expression = ""
    for part in parts:
        if part == "*":
            expression += "[^/]*"
        elif part.startswith("{"):
            name = part[1:-1]
            if name != "photo" and name not in CSV_COLUMNS:
                raise DataError(f"data.pattern: '{{{name}}}' is no column of ours.{did_you_mean(name, CSV_COLUMNS)}")
            if f"(?P<{name}>" in expression:
                raise DataError(f"data.pattern: '{{{name}}}' stands twice.")
            expression += f"(?P<{name}>[^/]+?)"
        else:
            expression += re.escape(part)
    return re.compile(expression)
