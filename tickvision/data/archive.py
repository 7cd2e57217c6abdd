"""Darwin Core archives: occurrences or events with media become plain records, through python-dwca-reader.

The reader never sees the archive as it came: what archive_guard and archive_meta let pass lies in a work folder below
the output, its tables in UTF-8 and its meta.xml spelled out, and the reader opens that.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from dwca.exceptions import InvalidArchive
from dwca.read import DwCAReader

from tickvision.data import archive_guard, archive_meta
from tickvision.data.archive_media import MediaFinder, merge, photographs_of
from tickvision.data.archive_terms import (
    CORE_TERMS,
    VERBATIM_FIRST,
    extra_facts,
    first,
    host_of,
    is_still,
    name_with_doubt,
)
from tickvision.data.columns import READ, check_known
from tickvision.data.labels import Finding
from tickvision.data.mapping import Record
from tickvision.data.sources import MAX_CELL
from tickvision.errors import DataError, did_you_mean

Row = dict[str, str]


@dataclass
class _Contents:
    """Rows of an archive by term name, and the extension rows by the id of their core row."""

    core: list[tuple[str, Row]] = field(default_factory=list)
    occurrences: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))
    media: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))
    regions: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))
    terms: frozenset[str] = frozenset()
    is_event: bool = False


def read_archive(
    path: Path, work: Path, photographs: Path | None, columns: dict[str, str]
) -> tuple[list[Record], list[Finding]]:
    """Return (one record a photograph or region, findings about the archive itself).

    path: zip file or folder with meta.xml. work: folder for what is taken out; nothing is written elsewhere.
    photographs: folder of media that the archive only names; its own folder if None. columns: our column -> term, or
    another of our columns. Raises DataError, with one message, if the archive is unsafe, damaged or not what meta.xml
    says.
    """
    check_known(columns, "data.columns")
    archive = archive_guard.Archive(path)
    try:
        contents = _read(archive, work / "tables")
        _check_terms(path, columns, contents.terms)
        finder = MediaFinder(archive, work / "media", photographs or path.parent)
        findings: list[Finding] = []
        records = list(_records(contents, finder, columns, findings))
    finally:
        archive.close()
    if not records:
        raise DataError(f"{path}: {len(contents.core):,} records, but no photograph belongs to any of them.")
    return records, findings


def _read(archive: archive_guard.Archive, folder: Path) -> _Contents:
    """Return the rows of all tables that matter here."""
    where = str(archive.path)
    core, extensions = archive_meta.parse(archive.head(), where)
    if core.row_type not in (archive_meta.OCCURRENCE, archive_meta.EVENT):
        raise DataError(f"{where}: the core is '{core.row_type}'; archives of occurrences or of events are read.")
    wanted = {archive_meta.OCCURRENCE, archive_meta.REGION} | archive_meta.MEDIA
    extensions = tuple(e for e in extensions if e.row_type in wanted)
    names = [f"table{i}.txt" for i in range(1 + len(extensions))]
    for table, name in zip((core, *extensions), names, strict=True):
        archive_guard.copy_table(archive, list(table.files), table.header_lines, table.encoding, folder / name)
    archive_meta.write_plain(core, extensions, names, folder / archive_guard.META)
    csv.field_size_limit(MAX_CELL)
    terms = frozenset(_name(term) for table in (core, *extensions) for term, _, _ in table.fields)
    contents = _Contents(terms=terms, is_event=core.row_type == archive_meta.EVENT)
    try:
        with DwCAReader(str(folder), skip_metadata=True) as reader:
            _fill(contents, reader)
    except (InvalidArchive, csv.Error, IndexError, ValueError, LookupError, TypeError) as error:  # csv's, of bad signs
        raise DataError(f"{where}: a table is not what meta.xml says ({error}).") from None
    return contents


def _check_terms(path: Path, columns: dict[str, str], terms: frozenset[str]) -> None:
    known = sorted(terms | set(READ))
    for ours, term in columns.items():
        if _name(term) not in known:
            raise DataError(
                f"{path}: no table has the term '{term}' (data.columns, {ours}).{did_you_mean(term, known)}"
            )


def _fill(contents: _Contents, reader: DwCAReader) -> None:
    contents.core = [(r.id, _short(r.data)) for r in reader.core_file.iter_rows()]
    places = {archive_meta.OCCURRENCE: contents.occurrences, archive_meta.REGION: contents.regions}
    for extension in reader.extension_files:
        place = places.get(extension.file_descriptor.type, contents.media)
        for row in extension.iter_rows():
            place[row.core_id].append(_short(row.data))


def _name(term: str) -> str:
    return term.rsplit("/", 1)[-1].rsplit("#", 1)[-1]


def _short(row: Row) -> Row:
    """Return term name (last part of its URI) -> value; of two terms with one name the first that has a value."""
    short: Row = {}
    for term, value in row.items():
        name = _name(term)
        short[name] = short.get(name) or value.strip()
    return short


def _records(
    contents: _Contents, finder: MediaFinder, columns: dict[str, str], found: list[Finding]
) -> Iterator[Record]:
    without, other = [], 0
    used: dict[str, int] = defaultdict(int)
    line = 1
    for core_id, core in contents.core:
        line += 1
        media = merge(contents.media.get(core_id, []))
        other += sum(not is_still(m) for m in media)
        media = [m for m in media if is_still(m)] or _associated(core)
        pairs = list(_of_occurrences(contents, core_id, core, media))
        if not any(shown for _, shown in pairs):
            without.append(core_id)
        for occurrence, shown in pairs:
            label, rest = _label(occurrence, core_id)
            label["submission_id"] = label["submission_id"] or label["specimen_id"]
            for photo in photographs_of(shown, contents.regions.get(core_id, []), label["specimen_id"], used):
                fields = label | photo.fields
                row = fields | occurrence | photo.media
                fields |= {ours: row.get(_name(term), "") for ours, term in columns.items()}
                fields |= finder.find(fields["file"])
                kept = {k: v for k, v in (rest | photo.others).items() if v and k not in columns.values()}
                yield Record(line, fields, kept)
    if without:
        message = f"{len(without):,} of {len(contents.core):,} records have no photograph, e.g. '{without[0]}'"
        found.append(Finding("", "no_media", "note", message, "nothing to do, unless you expect some"))
    if other:
        found.append(Finding("", "no_media", "note", f"{other:,} media are no still images; they are left out"))


def _associated(core: Row) -> list[Row]:
    """Return media rows of associatedMedia, a list with " | " between."""
    listed = [m.strip() for m in core.get("associatedMedia", "").split("|")]
    return [{"identifier": m, "license": ""} for m in listed if m]


def _of_occurrences(contents: _Contents, core_id: str, core: Row, media: list[Row]) -> Iterator[tuple[Row, list[Row]]]:
    """Yield (occurrence, its media). In an event core media name their occurrence, or the event has but one."""
    inner = contents.occurrences.get(core_id, [])
    if not contents.is_event:
        verbatim = inner[0] if inner else {}
        changed = {k: verbatim[k] for k in VERBATIM_FIRST if verbatim.get(k)}
        if verbatim.get("scientificName") and not core.get("verbatimIdentification"):
            changed["verbatimIdentification"] = verbatim["scientificName"]
        yield core | changed, media
        return
    core = core | {"eventID": core.get("eventID") or core_id}
    if len(inner) == 1:
        yield core | inner[0], media or _associated(inner[0])
        return
    rest = media
    for occurrence in inner:
        mine = {occurrence.get(k) for k in ("occurrenceID", "catalogNumber", "materialSampleID")} - {"", None}
        its = [m for m in rest if {m.get("occurrenceID"), m.get("associatedSpecimenReference")} & mine]
        rest = [m for m in rest if m not in its]
        yield core | occurrence, its + _associated(occurrence)
    for number, photo in enumerate(rest):  # whose tick it is is not said: it keeps its place, without a label
        yield core | {"occurrenceID": f"{core['eventID']}#media{number}"}, [photo]


def _label(occurrence: Row, core_id: str) -> tuple[Row, Row]:
    """Return (our columns of the occurrence, all else it says)."""
    fields = {ours: first(occurrence, terms) for ours, terms in CORE_TERMS.items()}
    fields["specimen_id"] = fields["specimen_id"] or core_id
    fields["verbatim_name"] = fields["verbatim_name"] or fields["scientific_name"]
    fields["scientific_name"] = name_with_doubt(
        fields["scientific_name"], occurrence.get("identificationQualifier", "")
    )
    fields["host"] = host_of(occurrence.get("associatedTaxa", ""))
    fields |= extra_facts(occurrence.get("dynamicProperties", ""))
    return fields, occurrence
