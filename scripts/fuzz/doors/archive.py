"""Darwin Core archives."""

from __future__ import annotations

from pathlib import Path

from doors.parts import join, parts, zipped

MODULES = ("tickvision.data", "tickvision.domain", "dwca", "zipfile")


def attempt(content: bytes, folder: Path) -> str:
    """An archive as zip bytes, or as parts that are zipped here; nothing may be written outside the work folder."""
    from tickvision.data.archive import read_archive
    from tickvision.data.labels import read_label, read_licence

    path, work = folder / "set.zip", folder / "work"
    path.write_bytes(content if content.startswith(b"PK") else zipped(parts(content)))
    try:
        records, findings = read_archive(path, work, None, {})
    finally:
        outside = [p.name for p in folder.iterdir() if p.name not in ("set.zip", "work")]
        if outside:
            raise AssertionError(f"written outside the work folder: {outside}")
    for record in records:
        texts = [*record.fields.values(), *record.others.values()]
        if not all(isinstance(t, str) for t in texts):
            raise AssertionError("a value that is no text")
        read_label(record.fields, "ticks", "")
        read_licence(record.fields.get("license_uri", ""), ("CC0-1.0",))
        file = record.fields["file"]
        if not record.fields.get("fault") and not Path(file).resolve().is_relative_to(folder.resolve()):
            raise AssertionError(f"a photograph outside the folder: {file}")
    return f"{min(len(records), 3)} records, {min(len(findings), 3)} findings"


_DWC = "http://rs.tdwg.org/dwc/terms/"
_CORE = ("occurrenceID", "scientificName", "lifeStage", "sex", "identificationQualifier", "associatedTaxa")
_MEDIA = "http://rs.gbif.org/terms/1.0/Multimedia"


def _meta(kind: str = "Occurrence", shape: str = 'fieldsTerminatedBy="," fieldsEnclosedBy="&quot;"') -> bytes:
    fields = "".join(f'<field index="{i}" term="{_DWC}{term}"/>' for i, term in enumerate(_CORE))
    head = f'encoding="UTF-8" linesTerminatedBy="\\n" ignoreHeaderLines="1" {shape}'
    return (
        f'<archive xmlns="http://rs.tdwg.org/dwc/text/"><core {head} rowType="{_DWC}{kind}">'
        f'<files><location>o.csv</location></files><id index="0"/>{fields}</core>'
        f'<extension {head} rowType="{_MEDIA}"><files><location>m.csv</location></files><coreid index="0"/>'
        '<field index="1" term="http://purl.org/dc/terms/identifier"/>'
        '<field index="2" term="http://purl.org/dc/terms/license"/></extension></archive>'
    ).encode()


def seeds() -> list[bytes]:
    """Occurrences and events with media, in and beside the archive, comma and tab, as parts and as zip bytes."""
    rows = b'i,n,s,x,q,h\n1,Ixodes scapularis,adult,female,,\n2,Ixodes,Nymph,,cf.,"host: Canis"\n'
    media = b"i,f,l\n1,a.jpg,http://creativecommons.org/publicdomain/zero/1.0/\n2,https://x.example/b.jpg,CC-BY\n"
    plain = {"meta.xml": _meta(), "o.csv": rows, "m.csv": media, "a.jpg": b"\xff\xd8"}
    tabbed = {
        "meta.xml": _meta("Event", 'fieldsTerminatedBy="\\t" fieldsEnclosedBy=""'),
        "o.csv": rows.replace(b",", b"\t"),
        "m.csv": media.replace(b",", b"\t"),
    }
    return [join(plain), join(tabbed), zipped(plain)]
