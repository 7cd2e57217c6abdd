"""Which columns of a table mean what: header patterns, what its words stand for, and what to take for blanks."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from tickvision.data.columns import READ, VERBATIM, check_known
from tickvision.domain.vocabulary import clean
from tickvision.errors import DataError, did_you_mean

SECTIONS = ("columns", "optional", "values", "defaults")
MAX_BYTES = 1_000_000


@dataclass(frozen=True)
class Record:
    """One photograph as its source tells it. fields: our column names; others: columns of the source that have none."""

    line: int
    fields: dict[str, str]
    others: dict[str, str]


@dataclass(frozen=True)
class ColumnMapping:
    """How a table is read.

    columns: ours -> patterns (regular expressions that a whole header matches, case ignored); of several that are
    there the first with a value counts. optional: ours that may be absent. values: ours -> their word -> our word.
    defaults: ours -> what a blank means. where: what a message calls it.
    """

    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    optional: frozenset[str] = frozenset()
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    defaults: Mapping[str, str] = field(default_factory=dict)
    where: str = "data.columns"


def read_mapping(path: Path | None, columns: Mapping[str, str], defaults: Mapping[str, str]) -> ColumnMapping:
    """Return the mapping of a TOML file (none: an empty one) with the config's own columns and defaults laid over it.

    columns: ours -> the header's exact name. Raises DataError that names the fault and the key.
    """
    made = _read(path) if path else ColumnMapping()
    check_known([*columns, *defaults], "data.columns / data.defaults")
    exact = {ours: (re.escape(theirs),) for ours, theirs in columns.items()}
    return replace(
        made,
        columns={**made.columns, **exact},
        optional=made.optional - set(exact),
        defaults={**made.defaults, **defaults},
    )


def _read(path: Path) -> ColumnMapping:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise DataError(f"{path}: longer than {MAX_BYTES:,} bytes; that is no mapping (data.mapping).")
        form = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise DataError(f"{path}: cannot be read: {error.strerror} (data.mapping).") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise DataError(f"{path}: not valid TOML: {error}") from None
    for key, section in form.items():
        if key not in SECTIONS:
            raise DataError(
                f"{path}: unknown section '{key}'.{did_you_mean(key, SECTIONS)} Known: {', '.join(SECTIONS)}"
            )
        if not isinstance(section, dict):
            raise DataError(f"{path}: [{key}] must be a section of key = value.")
        check_known(section, f"{path}, [{key}]")
    must, may = ({o: _patterns(path, o, p) for o, p in form.get(k, {}).items()} for k in ("columns", "optional"))
    words = {ours: _words(path, f"values.{ours}", said) for ours, said in form.get("values", {}).items()}
    return ColumnMapping(
        must | may,
        frozenset(may),
        {ours: {_key(theirs): our for theirs, our in said.items()} for ours, said in words.items()},
        _words(path, "defaults", form.get("defaults", {})),
        str(path),
    )


def _patterns(path: Path, ours: str, written: object) -> tuple[str, ...]:
    listed = [written] if isinstance(written, str) else written
    if not isinstance(listed, list) or not listed or not all(isinstance(p, str) for p in listed):
        raise DataError(f"{path}: '{ours}' must be a header pattern or a list of them, found {written!r}.")
    for pattern in listed:
        try:
            re.compile(pattern)
        except re.error as error:
            raise DataError(f"{path}: '{ours}': '{pattern}' is no regular expression ({error}).") from None
    return tuple(listed)


def _words(path: Path, where: str, written: object) -> dict[str, str]:
    if not isinstance(written, dict) or not all(isinstance(v, str) and "\0" not in v for v in written.values()):
        raise DataError(f'{path}: [{where}] must hold words in quotes, such as "Female" = "female".')
    return dict(written)


def _key(text: str) -> str:
    return clean(text).casefold()


def places(mapping: ColumnMapping, header: list[str], where: str) -> dict[str, tuple[int, ...]]:
    """Return ours -> positions in the header, in the order of the mapping's patterns.

    A column that the mapping does not name is found by our own name. Raises DataError, with the headers found, if a
    required column is not there or a pattern fits two of them.
    """
    found: dict[str, tuple[int, ...]] = {ours: (header.index(ours),) for ours in READ if ours in header}
    for ours, patterns in mapping.columns.items():
        its: list[int] = []
        for pattern in patterns:
            fits = [i for i, name in enumerate(header) if re.fullmatch(pattern, name, re.IGNORECASE)]
            if len(fits) > 1:
                two = " and ".join(f"'{header[i]}'" for i in fits[:2])
                raise DataError(f"{where}: {two} both fit '{pattern}' ({mapping.where}, {ours}); name one of them.")
            its += fits
        if its:
            found[ours] = tuple(dict.fromkeys(its))
        elif ours not in mapping.optional:
            plain = re.sub(r"\\(.)", r"\1", patterns[0])
            raise DataError(
                f"{where}: no column fits '{plain}' ({mapping.where}, {ours}).{did_you_mean(plain, header)} "
                f"The header has: {_listed(header)}"
            )
    return found


def _listed(header: list[str]) -> str:
    more = f" and {len(header) - 50:,} more" if len(header) > 50 else ""
    return ", ".join(header[:50]) + more


def translated(records: Iterable[Record], mapping: ColumnMapping) -> Iterator[Record]:
    """Yield the records with their words in ours and blanks filled; what was written stays as verbatim_*, or under x_*.

    Words are compared without regard to case and outer spaces; a blank may have an entry "" of its own.
    """
    for record in records:
        fields, others = dict(record.fields), dict(record.others)
        for ours, verbatim in VERBATIM.items():
            fields.setdefault(verbatim, fields.get(ours, ""))
        for ours, words in mapping.values.items():
            written = fields.get(ours, "")
            fields[ours] = words.get(_key(written), written)
            if fields[ours] != written and ours not in VERBATIM:
                others.setdefault(ours, written)
        fields |= {k: v for k, v in mapping.defaults.items() if not fields.get(k)}
        yield replace(record, fields=fields, others=others)
