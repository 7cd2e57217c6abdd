"""meta.xml of a Darwin Core archive: what each table holds (Darwin Core text guide, TDWG 2009, and its schema)."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element, ParseError, SubElement, tostring

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from tickvision.data.archive_guard import MAX_META, META, clean_name
from tickvision.errors import DataError

DWC = "http://rs.tdwg.org/dwc/terms/"
OCCURRENCE, EVENT = f"{DWC}Occurrence", f"{DWC}Event"
MEDIA = frozenset(["http://rs.gbif.org/terms/1.0/Multimedia", "http://rs.tdwg.org/ac/terms/Multimedia"])
REGION = "http://rs.tdwg.org/ac/terms/RegionOfInterest"
MAX_INDEX = 10_000
_ESCAPES = {"\\t": "\t", "\\n": "\n", "\\r": "\r", "\\r\\n": "\r\n", " ": "\t", "\\\\": "\\", "\\|": "|"}


@dataclass(frozen=True)
class Table:
    """One data file. key: column of id or coreid. fields: (term, column or None, default)."""

    row_type: str
    files: tuple[str, ...]
    key: int
    fields: tuple[tuple[str, int | None, str], ...]
    encoding: str
    separator: str
    line_end: str
    quote: str
    header_lines: int


def parse(content: bytes, where: str) -> tuple[Table, tuple[Table, ...]]:
    """Return (core, extensions). Raises DataError on entities, URLs, paths that climb out and what cannot be read."""
    if len(content) > MAX_META:
        raise DataError(f"{where}: {META} is longer than {MAX_META:,} bytes.")
    try:
        root: Element = fromstring(content, forbid_dtd=True)
    except DefusedXmlException:
        raise DataError(f"{where}: {META} declares entities or a document type; such an archive is refused.") from None
    except (ParseError, ValueError, LookupError) as error:
        raise DataError(f"{where}: {META} is not readable as XML ({error}).") from None
    for element in root.iter():
        element.tag = str(element.tag).rsplit("}", 1)[-1]
    cores = root.findall("core")
    if root.tag != "archive" or len(cores) != 1:
        raise DataError(f"{where}: {META} must hold one <core> in <archive>; it holds {len(cores)}.")
    extensions = root.findall("extension")
    core = _table(cores[0], where, needs_key=bool(extensions))
    return core, tuple(_table(e, where, needs_key=True) for e in extensions)


def _table(element: Element, where: str, needs_key: bool) -> Table:
    names = [(e.text or "").strip() for e in element.findall("files/location")]
    for name in names:
        if clean_name(name) is None:
            raise DataError(
                f"{where}: {META} names '{name}', a URL or a path outside the archive; only files of the archive are "
                "read."
            )
    if not names:
        raise DataError(f"{where}: {META} names no file for {element.get('rowType', 'a table')}.")
    fields = tuple(_field(f, where) for f in element.findall("field"))
    key = next((k for k in (element.find(t) for t in ("id", "coreid", "coreId")) if k is not None), None)
    if key is None and needs_key:
        raise DataError(f"{where}: {META} gives no <id> or <coreid> column for '{names[0]}'.")
    own = next((i for t, i, _ in fields if t == f"{DWC}occurrenceID" and i is not None), 0)
    encoding = element.get("encoding") or "UTF-8"
    try:
        codecs.lookup(encoding)
    except LookupError:
        raise DataError(f"{where}: encoding '{encoding}' of '{names[0]}' is not known.") from None
    separator, quote = _sign(element, "fieldsTerminatedBy", ","), _sign(element, "fieldsEnclosedBy", '"')
    if not separator or len(quote) > 1 or (quote and len(separator) > 1):
        raise DataError(f"{where}: fieldsTerminatedBy or fieldsEnclosedBy of '{names[0]}' cannot be used.")
    return Table(
        row_type=element.get("rowType", ""),
        files=tuple(str(clean_name(n)) for n in names),
        key=own if key is None else _number(key.get("index"), where),
        fields=fields,
        encoding=encoding,
        separator=separator,
        line_end=_sign(element, "linesTerminatedBy", "\n") or "\n",
        quote=quote,
        header_lines=_number(element.get("ignoreHeaderLines") or "0", where),
    )


def _field(element: Element, where: str) -> tuple[str, int | None, str]:
    term, index = element.get("term", ""), element.get("index")
    if not term:
        raise DataError(f"{where}: {META} holds a field without a term.")
    return term, _number(index, where) if index else None, element.get("default", "")


def _number(text: str | None, where: str) -> int:
    if text is None or not text.strip().isdecimal() or int(text) > MAX_INDEX:
        raise DataError(f"{where}: '{text}' in {META} is no column or line number (0 to {MAX_INDEX:,}).")
    return int(text)


def _sign(element: Element, attribute: str, default: str) -> str:
    """Return the sign that an attribute means: "\\t" is two letters in the file, and XML makes a bare tab a space."""
    written = element.get(attribute)
    return default if written is None else _ESCAPES.get(written, written)


def write_plain(core: Table, extensions: tuple[Table, ...], names: list[str], path: Path) -> None:
    """Write a meta.xml that leaves nothing to defaults: UTF-8, one file a table (names), lower-case coreid, no
    namespace."""
    root = Element("archive")
    for table, name, tag in zip((core, *extensions), names, ["core", *["extension"] * len(extensions)], strict=True):
        element = SubElement(
            root,
            tag,
            rowType=table.row_type,
            encoding="UTF-8",
            fieldsTerminatedBy=_escaped(table.separator),
            linesTerminatedBy=_escaped(table.line_end),
            fieldsEnclosedBy=table.quote,
            ignoreHeaderLines=str(table.header_lines),
        )
        SubElement(SubElement(element, "files"), "location").text = name
        SubElement(element, "id" if tag == "core" else "coreid", index=str(table.key))
        for term, index, default in table.fields:
            column = {} if index is None else {"index": str(index)}
            SubElement(element, "field", {"term": term, **column, **({"default": default} if default else {})})
    path.write_bytes(tostring(root))  # ASCII with character references: read alike under any locale


def _escaped(sign: str) -> str:
    return sign.replace("\\", "\\\\").replace("\t", "\\t").replace("\n", "\\n").replace("\r", "\\r")
