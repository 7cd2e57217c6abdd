"""Decisions as Darwin Core: a CSV of occurrences, and an archive with their photographs as a multimedia extension.

A model is no person: identifiedBy is left for people, the status is `unverified`, and the model, its score and its
reason stand in identificationRemarks. Terms: http://rs.tdwg.org/dwc/terms/ and http://purl.org/dc/terms/.
"""

from __future__ import annotations

import csv
import json
import mimetypes
import tempfile
import zipfile
from collections.abc import Iterable
from html import escape
from pathlib import Path, PurePath
from typing import TextIO

from tickvision.deployment.decision import Decision
from tickvision.domain import cautions
from tickvision.domain.spreadsheet import guarded, row_writer
from tickvision.whole_files import open_text

DWC, DCTERMS = "http://rs.tdwg.org/dwc/terms/", "http://purl.org/dc/terms/"
OCCURRENCE = (
    "occurrenceID",
    "organismID",
    "basisOfRecord",
    "scientificName",
    "taxonRank",
    "genus",
    "lifeStage",
    "sex",
    "identifiedBy",
    "identificationVerificationStatus",
    "identificationRemarks",
    "previousIdentifications",
    "associatedMedia",
    "dynamicProperties",
)
MULTIMEDIA = ("occurrenceID", "type", "format", "identifier", "description")


def write_csv(decisions: Iterable[Decision], handle: TextIO) -> None:
    """Write one occurrence a line, columns OCCURRENCE; people open this form, so no cell of it is run as a formula."""
    write_row = row_writer(handle)
    write_row(OCCURRENCE)
    for decision in decisions:
        write_row(map(guarded, _occurrence(decision)))


def write_archive(decisions: Iterable[Decision], path: Path) -> None:
    """Write a Darwin Core Archive: occurrence.csv as core, multimedia.csv as extension, meta.xml and eml.xml."""
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        core, media = Path(folder) / "occurrence.csv", Path(folder) / "multimedia.csv"
        model = caution = ""
        with open_text(core) as one, open_text(media) as two:
            occurrences, pictures = csv.writer(one, lineterminator="\n"), csv.writer(two, lineterminator="\n")
            occurrences.writerow(OCCURRENCE)
            pictures.writerow(MULTIMEDIA)
            for decision in decisions:
                model, caution = decision.model, decision.caution
                occurrences.writerow(_occurrence(decision))
                pictures.writerows(_media(decision))
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.write(core, core.name)
            archive.write(media, media.name)
            archive.writestr("meta.xml", _meta())
            archive.writestr("eml.xml", _eml(model, caution or cautions.SHORT))


def _occurrence(d: Decision) -> list[str]:
    name, rank = ("", "") if d.taxon_rank == "none" else (d.scientific_name, d.taxon_rank)  # "not a tick" is no name
    genus = name.split(" ")[0] if rank in ("species", "genus") else ""
    extra = {
        "state": d.state,
        "confidence": d.confidence,
        "promise": d.promise,
        "lookAt": list(d.look_at),
        "furtherPhotographs": list(d.further_photographs),
        "referTo": d.refer_to,
        "removedAt": d.removed_at,
        "preventiveCareUntil": d.preventive_care_until,
        "inTraining": [p.path for p in d.photographs if p.in_training],
        "caution": d.caution,
    }
    return [
        _one_line(cell)
        for cell in (
            d.specimen_id,
            d.specimen_id,
            "HumanObservation",
            name,
            rank,
            genus,
            d.life_stage,
            d.sex,
            "",
            "unverified",
            _remarks(d),
            _suggestions(d),
            " | ".join(p.path for p in d.photographs),
            json.dumps(extra, ensure_ascii=False),
        )
    ]


def _remarks(d: Decision) -> str:
    said = f"confidence {d.confidence:.4f} ({d.promise})" if d.promise else f"not named: {d.reason}"
    found = f"{d.scientific_name}; " if d.taxon_rank == "none" else ""
    return f"{found}suggested by a model, not by a person: {d.model}; {said}; {d.caution}"


def _suggestions(d: Decision) -> str:
    """Return the names that the model suggests, so that they are kept when a person fills in the name."""
    shown = [(c.scientific_name, c.life_stage, c.sex, c.probability) for c in d.shortlist]
    shown = shown or [(d.scientific_name, d.life_stage, d.sex, d.confidence)] if d.scientific_name or shown else []
    return " | ".join(f"{' '.join(filter(None, one[:3]))} ({d.model}, {one[3]:.3f})" for one in shown)


def _media(d: Decision) -> list[list[str]]:
    rows = []
    for photo in d.photographs:
        form = mimetypes.guess_type(PurePath(photo.path).name)[0] or ""
        status = "" if photo.status == "ok" else f"{photo.status}: {photo.reason}"
        rows.append([_one_line(c) for c in (d.specimen_id, "StillImage", form, photo.path, status)])
    return rows


def _one_line(cell: str) -> str:
    """Readers of archives take a line for a record, quoted line breaks or not."""
    return " ".join(cell.splitlines()) if cell.splitlines() != [cell] else cell


def _meta() -> str:
    def fields(columns: tuple[str, ...], space: str) -> str:
        lines = [
            f'    <field index="{i}" term="{space}{term}"/>' for i, term in enumerate(columns) if space == DWC or i > 0
        ]
        return "\n".join(lines)

    shape = (
        'encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\\n" fieldsEnclosedBy="&quot;" '
        'ignoreHeaderLines="1"'
    )
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">
  <core {shape} rowType="{DWC}Occurrence">
    <files><location>occurrence.csv</location></files>
    <id index="0"/>
{fields(OCCURRENCE, DWC)}
  </core>
  <extension {shape} rowType="http://rs.gbif.org/terms/1.0/Multimedia">
    <files><location>multimedia.csv</location></files>
    <coreid index="0"/>
{fields(MULTIMEDIA, DCTERMS)}
  </extension>
</archive>
"""


def _eml(model: str, caution: str) -> str:
    maker = f"<organizationName>the model {escape(model)}</organizationName>"
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
  xsi:schemaLocation="https://eml.ecoinformatics.org/eml-2.2.0 https://eml.ecoinformatics.org/eml-2.2.0/eml.xsd"
  packageId="tickvision" system="tickvision">
  <dataset>
    <title>Names suggested from photographs, unverified</title>
    <creator>{maker}</creator>
    <abstract><para>Suggested by the model {escape(model)}. {escape(caution)}</para></abstract>
    <contact>{maker}</contact>
  </dataset>
</eml:eml>
"""
