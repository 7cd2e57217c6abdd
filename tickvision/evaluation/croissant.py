"""The data described as Croissant 1.0 (MLCommons): JSON-LD beside manifest.csv and splits.csv that other programs read.

Standard: https://docs.mlcommons.org/croissant/docs/croissant-spec.html; mlcroissant validates it in the tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from tickvision.domain import cautions
from tickvision.whole_files import sha256

_CONTEXT = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileProperty": "cr:fileProperty",
    "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "samplingRate": "cr:samplingRate",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}
_COLUMNS = {
    "photo_id": "one photograph",
    "specimen_id": "one animal, which may have several photographs",
    "scientific_name": "name of the label; a genus alone where the species is not known",
    "taxon_rank": "rank of the name",
    "life_stage": "larva, nymph or adult; blank if not recorded",
    "sex": "of adults; blank if not recorded",
    "feeding": "flat, partly or fully fed; blank if not recorded",
    "view": "side seen; blank if not recorded",
    "event_date": "day of collection, ISO 8601",
    "source": "where the record comes from",
    "device": "camera or microscope",
    "license_uri": "licence of the photograph",
    "creator": "who made the photograph",
    "rights_holder": "who holds the rights",
    "status": "ok, or why the photograph was left out",
}
_LIMITS = (
    "Labels are those of the bench and may be wrong in places. Only the listed names, sources, seasons and cameras are "
    "covered."
)


def describe(figures: Mapping[str, Any], frame: pd.DataFrame, manifest: Path, splits: Path) -> dict[str, Any]:
    """Return the description as JSON-LD. frame: the manifest. The two files are described where they lie, by hash."""
    used = frame[frame["status"] == "ok"]
    licences = sorted({u for u in used["license_uri"] if u} | set(used.loc[used["license_uri"] == "", "spdx"]))
    bench, name = figures.get("bench") or "a bench without a name", figures.get("name") or "photographs"
    drawn = f" {cautions.DRAWN}" if figures.get("drawn") else ""
    last = (figures.get("data") or {}).get("last_date")
    listed = {"manifest": manifest, "splits": splits}
    return {
        "@context": _CONTEXT,
        "@type": "sc:Dataset",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "name": name,
        "description": (
            f"{len(used):,} photographs of {used['specimen_id'].nunique():,} specimens, labelled by {bench}.{drawn} "
            f"{cautions.SHORT}"
        ),
        "creator": {"@type": "sc:Organization", "name": bench},
        "license": licences,
        "url": manifest.name,
        "version": "1.0.0",
        **({"datePublished": last} if last else {}),
        "citeAs": f"{bench}: {name}",
        "rai:dataLimitations": _LIMITS + drawn,
        "distribution": [_file(key, path) for key, path in listed.items()],
        "recordSet": [_photographs([c for c in _COLUMNS if c in frame.columns]), _parts()],
    }


def _file(key: str, path: Path) -> dict[str, Any]:
    return {
        "@type": "cr:FileObject",
        "@id": key,
        "name": key,
        "contentUrl": path.name,
        "encodingFormat": "text/csv",
        "sha256": sha256(path),
    }


def _photographs(columns: list[str]) -> dict[str, Any]:
    fields = [_field("photographs", c, _COLUMNS[c], "manifest") for c in columns]
    return _record_set("photographs", "One row a photograph, also those left out (status).", fields)


def _parts() -> dict[str, Any]:
    fields = [
        _field("parts", "photo_id", _COLUMNS["photo_id"], "splits"),
        _field("parts", "part", "train, val, calibration or test; no specimen or submission stands in two", "splits"),
    ]
    fields[0]["references"] = {"field": {"@id": "photographs/photo_id"}}
    return _record_set("parts", "Which part of the split each usable photograph is in.", fields)


def _record_set(name: str, description: str, fields: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": name,
        "name": name,
        "description": description,
        "key": {"@id": f"{name}/photo_id"},
        "field": fields,
    }


def _field(record: str, column: str, description: str, file: str) -> dict[str, Any]:
    return {
        "@type": "cr:Field",
        "@id": f"{record}/{column}",
        "name": column,
        "description": description,
        "dataType": "sc:Text",
        "source": {"fileObject": {"@id": file}, "extract": {"column": column}},
    }
