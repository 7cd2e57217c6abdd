"""The demo set as a Darwin Core archive: one occurrence a specimen, its photographs in Audiovisual Core.

Standards: Darwin Core text guide (meta.xml), Audiovisual Core (media terms, subjectOrientation), both by TDWG. Text is
tab-separated without quotes, as the large portals write it.
"""

import json
import zipfile
from collections.abc import Iterable, Mapping
from io import BytesIO
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

from tickvision.drawing.files import DESCRIPTION, write_bytes

DWC, DCTERMS, AC = "http://rs.tdwg.org/dwc/terms/", "http://purl.org/dc/terms/", "http://rs.tdwg.org/ac/terms/"
ORIENTATION = "http://rs.tdwg.org/acorient/values/"
VIEWS = {"dorsal": "r0006", "ventral": "r0007", "lateral": "r0003"}
EML = "https://eml.ecoinformatics.org/eml-2.2.0"
BENCH = "Larkmoor bench (invented)"
FILE_NAME = "larkmoor.zip"
OCCURRENCE_TERMS = (
    "occurrenceID", "organismID", "eventID", "basisOfRecord", "occurrenceStatus", "scientificName", "taxonRank",
    "verbatimIdentification", "lifeStage", "sex", "eventDate", "locality", "associatedTaxa", "dynamicProperties",
)  # fmt: skip
MEDIA_TERMS = (
    f"{DCTERMS}identifier", f"{AC}accessURI", f"{DCTERMS}type", f"{DCTERMS}format", f"{DCTERMS}creator",
    f"{DCTERMS}rights", f"{AC}captureDevice", f"{AC}subjectOrientation", f"{DCTERMS}description",
)  # fmt: skip
_LABEL = ("specimen_id", "scientific_name", "life_stage", "sex", "feeding")
_STAMP = (1980, 1, 1, 0, 0, 0)  # the same set gives the same bytes


def write_archive(folder: Path, labels: Iterable[Mapping[str, str]]) -> Path:
    """Write folder/larkmoor.zip from rows of labels.csv and return its path; photographs stay beside it."""
    occurrences: dict[tuple[str, ...], dict[str, str]] = {}
    media: list[dict[str, str]] = []
    taken: dict[str, int] = {}
    for row in labels:
        key = tuple(row[c] for c in _LABEL)  # planted duplicates give one specimen two labels: two finds of one tick
        if key not in occurrences:
            taken[row["specimen_id"]] = taken.get(row["specimen_id"], 0) + 1
            occurrences[key] = _occurrence(row, taken[row["specimen_id"]])
        media.append(_media(row, occurrences[key]["occurrenceID"]))
    tables = {
        "meta.xml": _meta(),
        "eml.xml": _eml(),
        "occurrence.txt": _table(OCCURRENCE_TERMS, list(occurrences.values())),
        "multimedia.txt": _table(("coreid", *MEDIA_TERMS), media),
    }
    buffer = BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in tables.items():
            packed.writestr(zipfile.ZipInfo(name, _STAMP), text.encode("utf-8"), zipfile.ZIP_DEFLATED)
    write_bytes(folder / FILE_NAME, buffer.getvalue())
    return folder / FILE_NAME


def _occurrence(row: Mapping[str, str], number: int) -> dict[str, str]:
    name = row["scientific_name"]
    genus_only = name.endswith(" sp.")
    facts = {"feeding": row["feeding"], "use": row["use"], "scaleBar": row["scale_bar"]}
    return {
        "occurrenceID": row["specimen_id"] + (f"-{number}" if number > 1 else ""),
        "organismID": row["specimen_id"],
        "eventID": row["submission_id"],
        "basisOfRecord": "HumanObservation",
        "occurrenceStatus": "present",
        "scientificName": "" if name == "not a tick" else name.removesuffix(" sp."),
        "taxonRank": "" if not name or name == "not a tick" else "genus" if genus_only else "species",
        "verbatimIdentification": name,
        "lifeStage": row["life_stage"],
        "sex": row["sex"],
        "eventDate": row["event_date"],
        "locality": row["place"],
        "associatedTaxa": f'"host":"{row["host"]}"' if row["host"] else "",
        "dynamicProperties": json.dumps({k: v for k, v in facts.items() if v}),
    }


def _media(row: Mapping[str, str], occurrence: str) -> dict[str, str]:
    view = VIEWS.get(row["view"], "")
    return {
        "coreid": occurrence,
        f"{DCTERMS}identifier": row["photo_id"],
        f"{AC}accessURI": row["file"],
        f"{DCTERMS}type": "http://purl.org/dc/dcmitype/StillImage",
        f"{DCTERMS}format": "image/jpeg",
        f"{DCTERMS}creator": row["creator"],
        f"{DCTERMS}rights": row["license_uri"],
        f"{AC}captureDevice": row["device"],
        f"{AC}subjectOrientation": ORIENTATION + view if view else "",
        f"{DCTERMS}description": DESCRIPTION,
    }


def _table(columns: tuple[str, ...], rows: list[dict[str, str]]) -> str:
    head = "\t".join(c.rsplit("/", 1)[-1] for c in columns)
    lines = ["\t".join(" ".join(row[c].split()) for c in columns) for row in rows]
    return "\n".join([head, *lines]) + "\n"


def _meta() -> str:
    form = 'encoding="UTF-8" fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" fieldsEnclosedBy="" ignoreHeaderLines="1"'
    core = "".join(f'<field index="{i}" term={quoteattr(DWC + t)}/>' for i, t in enumerate(OCCURRENCE_TERMS))
    media = "".join(f'<field index="{i}" term={quoteattr(t)}/>' for i, t in enumerate(MEDIA_TERMS, 1))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">\n'
        f'<core rowType="{DWC}Occurrence" {form}><files><location>occurrence.txt</location></files>'
        f'<id index="0"/>{core}</core>\n'
        f'<extension rowType="{AC}Multimedia" {form}><files><location>multimedia.txt</location></files>'
        f'<coreid index="0"/>{media}</extension>\n</archive>\n'
    )


def _eml() -> str:
    title, bench = f"Larkmoor bench, demo set: {DESCRIPTION}", f"<organizationName>{BENCH}</organizationName>"
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<eml:eml xmlns:eml="{EML}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{EML} {EML}/eml.xsd" packageId="larkmoor-demo" system="tickvision">'
        f"<dataset><title>{escape(title)}</title><creator>{bench}</creator>"
        "<abstract><para>Every picture is drawn by a program. Not for identification.</para></abstract>"
        f"<contact>{bench}</contact></dataset></eml:eml>\n"
    )
