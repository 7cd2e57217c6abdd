"""Import: records of a source become the manifest and a list of findings. Bad rows keep a status."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from tickvision.data import tables
from tickvision.data.columns import CARRIED, MANIFEST, USES
from tickvision.data.labels import Finding, in_turn, read_label, read_licence
from tickvision.data.manifest import USABLE
from tickvision.data.mapping import Record
from tickvision.data.sources import is_there
from tickvision.domain.spreadsheet import guarded, unguarded
from tickvision.errors import DataError

# worst first: the status of a row is its worst fault
STATUSES = ("duplicate_id", "missing", "unknown_name", "unknown_value", "contradiction", "licence", "not_in_taxonomy")


def ingest(
    records: Iterable[Record],
    photographs: Path,
    kind: str,
    non_target: str = "",
    licences: tuple[str, ...] = ("any",),
    photo_is_specimen: bool = False,
    where: str = "the source",
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return (manifest, findings). photographs: folder that file names are relative to.

    Raises DataError if there are no records, or photographs without a specimen id where the config does not say that
    each photograph is a specimen of its own.
    """
    rows: list[dict[str, str]] = []
    findings: list[Finding] = []
    seen: set[str] = set()
    nameless: list[int] = []
    for record in records:
        row, found = _row(record, photographs, kind, non_target, licences, seen)
        if photo_is_specimen:
            row["specimen_id"] = row["photo_id"]
        elif not row["specimen_id"]:
            nameless.append(record.line)
        row["group_id"] = row["group_id"] or row["specimen_id"]
        rows.append(row)
        findings += found
    if not rows:
        raise DataError(f"{where}: no records. The file has a header but no rows.")
    if nameless:
        raise DataError(
            f"{where}, line {nameless[0]}: no specimen_id ({len(nameless):,} of {len(rows):,} rows have none). "
            "Photographs of one tick must share an id, or splits leak. If each photograph shows another specimen, set "
            'data.photo_is_specimen = true; otherwise name the column with data.columns = { specimen_id = "..." }.'
        )
    frame = pd.DataFrame(rows).fillna("")
    findings += _specimen_conflicts(frame)
    others = [c for c in frame.columns if c not in MANIFEST]
    return frame[[*MANIFEST, *others]], findings


def _row(
    record: Record, photographs: Path, kind: str, non_target: str, licences: tuple[str, ...], seen: set[str]
) -> tuple[dict[str, str], list[Finding]]:
    fields = record.fields
    path = photographs / fields["file"]
    photo_id = fields.get("photo_id") or fields["file"]
    label, faults = read_label(fields, kind, non_target)
    licence, licence_faults = read_licence(fields.get("license_uri", ""), licences)
    faults += licence_faults
    if fields.get("use", "") not in USES:
        faults.append(("unknown_value", "error", f"use '{fields['use']}' is neither blank nor 'train' nor 'test'"))
    if photo_id in seen:
        faults.append(("duplicate_id", "error", f"photo_id '{photo_id}' stands twice; the first row is kept"))
    seen.add(photo_id)
    if fields.get("fault"):
        faults.append(("missing", "error", fields["fault"]))
    elif not fields["file"] or not is_there(path):
        faults.append(("missing", "error", f"photograph '{fields['file']}' is not in {photographs}"))
    status, reason = _worst(faults)
    row = dict.fromkeys(MANIFEST, "") | {f"x_{k}": v for k, v in record.others.items()}
    row |= {c: fields.get(c, "") for c in CARRIED} | label | licence
    row |= {
        "photo_id": photo_id,
        "path": str(path),
        "specimen_id": fields.get("specimen_id", ""),
        "group_id": fields.get("submission_id", ""),
        "status": status,
        "reason": reason,
    }
    return row, [
        Finding(photo_id, f, severity, message, _ADVICE.get(f, ""), record.line) for f, severity, message in faults
    ]


def _worst(faults: list[tuple[str, str, str]]) -> tuple[str, str]:
    errors = {f: message for f, severity, message in reversed(faults) if severity == "error"}
    status = next((s for s in STATUSES if s in errors), USABLE)
    return status, errors.get(status, "")


_ADVICE = {
    "unknown_name": "correct the name, or leave it blank for a specimen of unknown name",
    "unknown_value": "write one of the words of the vocabulary, or leave it blank",
    "contradiction": "look at the photograph again and correct the label",
    "missing": "bring the file, or take the row out",
    "licence": "ask the holder, or widen data.licences if you may use it",
    "not_in_taxonomy": "add it to [taxonomy] of the config if it shall be learnt; else nothing to do",
    "duplicate_id": "give each photograph its own photo_id",
}


def _specimen_conflicts(frame: pd.DataFrame) -> list[Finding]:
    """Mark specimens whose photographs say different things of one tick; none of them can be right alone."""
    findings = []
    good = frame[frame["status"] == USABLE]
    labels = good.drop_duplicates(["specimen_id", "scientific_name", "taxon_rank", "life_stage", "sex"])
    for specimen, rows in labels[labels.duplicated("specimen_id", keep=False)].groupby("specimen_id"):
        clash = next((c for c in ("life_stage", "sex") if rows.loc[rows[c] != "", c].nunique() > 1), "")
        names = rows.loc[rows["taxon_rank"].isin(["species", "none"]), "scientific_name"]
        genera = rows.loc[rows["taxon_rank"].isin(["species", "none", "genus"]), "scientific_name"].str.split().str[0]
        if names.nunique() > 1 or genera.nunique() > 1:
            clash = "scientific_name"
        if clash:
            said = ", ".join(sorted(set(rows[clash]) - {""}))
            message = f"specimen '{specimen}' bears two labels: {clash} is {said}"
            mine = (frame["specimen_id"] == specimen) & (frame["status"] == USABLE)
            findings += [
                Finding(p, "contradiction", "error", message, _ADVICE["contradiction"])
                for p in frame.loc[mine, "photo_id"]
            ]
            frame.loc[mine, ["status", "reason"]] = ["contradiction", message]
    return findings


def mark_misfits(frame: pd.DataFrame, reasons: list[str]) -> list[Finding]:
    """Mark usable rows whose label is none of the taxonomy's and return a finding for each.

    reasons: why, one a row; "" where the label fits.
    """
    why = np.array(reasons, object)
    mine = (frame["status"] == USABLE).to_numpy() & (why != "")
    frame.loc[mine, "status"] = "not_in_taxonomy"
    frame.loc[mine, "reason"] = why[mine]
    return [
        Finding(photo, "not_in_taxonomy", "warning", reason, _ADVICE["not_in_taxonomy"])
        for photo, reason in zip(frame.loc[mine, "photo_id"], why[mine], strict=True)
    ]


def summary(frame: pd.DataFrame) -> list[str]:
    """Return lines for a person: what came in, and how many rows have which status."""
    counts = Counter(frame["status"])
    lines = [
        f"{len(frame):,} photographs of {frame['specimen_id'].nunique():,} specimens "
        f"from {frame['group_id'].nunique():,} submissions; {counts[USABLE]:,} can be used."
    ]
    lines += [f"  {count:,} left out: {status}" for status, count in counts.most_common() if status != USABLE]
    return lines


def examples(findings: Iterable[Finding], at_most: int = 5) -> list[Finding]:
    """Return errors to show, every kind in turn."""
    return in_turn(f for f in findings if f.severity == "error")[:at_most]


def read_findings(path: Path) -> list[Finding]:
    """Return the findings of a file that write_findings wrote; none if it is not there."""
    if not path.is_file():
        return []
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    rows = frame[list(Finding.__dataclass_fields__)].to_numpy(str).tolist()
    return [
        Finding(unguarded(photo), kind, severity, unguarded(said), unguarded(advice), int(n))
        for photo, kind, severity, said, advice, n in rows
    ]


def write_findings(findings: Iterable[Finding], path: Path) -> None:
    """Write findings as CSV, worst severity first, through a temporary file; cells are guarded (domain.spreadsheet)."""
    frame = pd.DataFrame([vars(f) for f in findings], columns=list(Finding.__dataclass_fields__))
    order = {"error": 0, "warning": 1, "note": 2}
    frame = frame.sort_values("severity", key=lambda s: s.map(order), kind="stable")
    texts = ["photo_id", "message", "advice"]
    frame[texts] = frame[texts].map(guarded)
    tables.write(frame, path)
