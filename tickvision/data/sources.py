"""Where records come from: a CSV with any column names, or a tree of folders. Both give plain records as text."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

from tickvision.data.columns import READ
from tickvision.data.mapping import ColumnMapping, Record, places
from tickvision.domain.spreadsheet import unguarded
from tickvision.domain.user_tables import refuse_zero_bytes
from tickvision.errors import DataError, did_you_mean
from tickvision.images.decode import SUFFIXES

MAX_COLUMNS = 2_000
MAX_CELL = 1_000_000
# photographs as phones and cameras keep them that are not read here: a row that says so, not a file passed over
UNREAD = frozenset([".heic", ".heif", ".avif", ".dng", ".cr2", ".cr3", ".nef", ".arw"])
# short words that a pattern may use for ours
PARTS = {"taxon": "scientific_name", "stage": "life_stage", "specimen": "specimen_id", "submission": "submission_id"}


def read_csv(path: Path, mapping: ColumnMapping = ColumnMapping()) -> Iterator[Record]:  # noqa: B008 (never changed)
    """Yield the records of a CSV, words as written. UTF-8 with or without mark; comma, semicolon or tab.

    Raises DataError on an unreadable file, a column that is not there, or one that names no photographs.
    """
    with _open(path) as handle:
        csv.field_size_limit(MAX_CELL)
        reader = csv.reader(handle, delimiter=_delimiter(path))
        try:
            header = [h.strip() for h in next(reader, [])]
            found = _map_header(path, header, mapping)
            for cells in reader:
                if any(c.strip() for c in cells):
                    yield _record(path, reader.line_num, header, cells, found)
        except csv.Error as error:
            raise DataError(f"{path}, line {reader.line_num}: not readable as CSV ({error}).") from None
        except UnicodeDecodeError:
            raise DataError(f"{path}: not UTF-8. Save the table as 'CSV UTF-8' and import again.") from None


def is_there(path: Path) -> bool:
    """True if this is a file; a name that no file can bear is none."""
    try:
        return path.is_file()
    except OSError:
        return False


def _open(path: Path):  # type: ignore[no-untyped-def]
    try:
        return path.open("r", encoding="utf-8-sig", newline="")
    except FileNotFoundError:
        raise DataError(f"{path}: no such file (data.path).") from None
    except IsADirectoryError:
        raise DataError(
            f"{path}: a folder, not a table; a tree of folders is read with data.source = 'folder'."
        ) from None
    except OSError as error:
        raise DataError(f"{path}: cannot be read ({error.strerror}).") from None


def _delimiter(path: Path) -> str:
    """Return the separator that the header line holds most of."""
    with path.open("rb") as handle:
        head = handle.readline(MAX_CELL)
    return max((",", ";", "\t"), key=lambda sign: head.count(sign.encode()))


def _map_header(path: Path, header: list[str], mapping: ColumnMapping) -> dict[str, tuple[int, ...]]:
    """Return our column -> positions, the first with a value counts."""
    if not any(header):
        raise DataError(f"{path}: no header in the first line; the file is empty or starts with a blank line.")
    if len(header) > MAX_COLUMNS:
        raise DataError(f"{path}: {len(header):,} columns; at most {MAX_COLUMNS:,} are read.")
    refuse_zero_bytes(header, f"{path}, header", DataError)
    twice = sorted({h for h in header if h and header.count(h) > 1})
    if twice:
        raise DataError(f"{path}: column '{twice[0]}' stands twice in the header.")
    found = places(mapping, header, str(path))
    if "file" not in found:
        raise DataError(
            f"{path}: no column 'file' that names the photographs. The header has: {', '.join(header)}. "
            'Say which column it is with data.columns = { file = "..." }.'
        )
    return found


def _record(path: Path, line: int, header: list[str], cells: list[str], found: dict[str, tuple[int, ...]]) -> Record:
    refuse_zero_bytes(cells, f"{path}, line {line}", DataError)
    if any(c.strip() for c in cells[len(header) :]):
        raise DataError(
            f"{path}, line {line}: {len(cells)} cells, the header has {len(header)}. "
            "A separator inside a text must be quoted."
        )
    cells = [unguarded(c.strip()) for c in cells[: len(header)]] + [""] * (len(header) - len(cells))
    taken = {ours: next((i for i in its if cells[i]), its[0]) for ours, its in found.items()}
    others = {h: cells[i] for i, h in enumerate(header) if i not in taken.values() and h}
    return Record(line, {ours: cells[i] for ours, i in taken.items()}, others)


def read_folder(top: Path, pattern: str, mapping: ColumnMapping = ColumnMapping()) -> Iterator[Record]:  # noqa: B008
    """Yield a record for each picture below a folder, its columns read from the path by a pattern.

    pattern: such as "{taxon}/{stage}/{specimen}_*.jpg": our columns, PARTS or words of the mapping in braces; {photo}
    and * stand for anything; without a suffix pictures of every kind are read. Pictures of a kind that is not read are
    records with a fault. Raises DataError if the folder is absent, the pattern is wrong or no picture fits it.
    """
    if not top.is_dir():
        raise DataError(f"{top}: no such folder (data.path).")
    expression, columns = _compile(pattern, mapping)
    pictures = sorted(p for p in top.rglob("*") if p.suffix.lower() in SUFFIXES | UNREAD and p.is_file())
    if all(p.suffix.lower() in UNREAD for p in pictures):
        raise DataError(f"{top}: no pictures below this folder ({', '.join(sorted(SUFFIXES))}).")
    fitting = 0
    for number, path in enumerate(pictures, 1):
        relative = path.relative_to(top).as_posix()
        match = expression.fullmatch(relative)
        fitting += match is not None
        found = {columns[k]: v for k, v in match.groupdict().items() if k in columns} if match else {}
        if "scientific_name" in found:
            found["scientific_name"] = found["scientific_name"].replace("_", " ")
        if path.suffix.lower() in UNREAD:
            fault = f"'{relative}': {path.suffix} is not read here; save it as JPEG or PNG"
            found = {"specimen_id": relative} | found | {"fault": fault}
        yield Record(number, {"file": relative, "photo_id": relative} | found, {})
    if not fitting:
        raise DataError(
            f"{top}: none of {len(pictures):,} pictures fits data.pattern '{pattern}', "
            f"e.g. '{pictures[0].relative_to(top).as_posix()}'."
        )


def _compile(pattern: str, mapping: ColumnMapping) -> tuple[re.Pattern[str], dict[str, str]]:
    """Return (expression for a relative path, group name -> our column)."""
    expression, columns = "", {}
    for part in re.split(r"(\{[^{}]*\}|\*)", pattern):
        if part == "*":
            expression += "[^/]*"
        elif part.startswith("{"):
            name = part[1:-1]
            if f"(?P<{name}>" in expression:
                raise DataError(f"data.pattern: '{{{name}}}' stands twice.")
            if name != "photo":
                columns[name] = _column_of(name, mapping)
            expression += f"(?P<{name}>[^/]+?)"
        else:
            expression += re.escape(part)
    suffix = "" if Path(pattern).suffix.lower() in SUFFIXES else r"\.[^./]+"
    return re.compile(expression + suffix, re.IGNORECASE), columns


def _column_of(name: str, mapping: ColumnMapping) -> str:
    own = [ours for ours, patterns in mapping.columns.items() if any(re.fullmatch(p, name) for p in patterns)]
    column = own[0] if own else PARTS.get(name, name)
    if column not in READ or not name.isidentifier():
        known = [*READ, *PARTS]
        raise DataError(f"data.pattern: '{{{name}}}' is no column of ours.{did_you_mean(name, known)}")
    return column
