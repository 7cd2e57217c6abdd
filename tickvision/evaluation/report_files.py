"""The report's tables as data frames and CSV, its pictures as SVG and PNG."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from tickvision.data.tables import csv_text
from tickvision.domain.spreadsheet import guarded
from tickvision.evaluation import figures as pictures
from tickvision.evaluation.report_format import find
from tickvision.whole_files import write_bytes

_TABLES = {
    "ladder": "/decisions/rungs",
    "of_100": "/of_100",
    "per_taxon": "/decisions/per_taxon",
    "what_if": "/what_if",
    "expected_shares": "/expected/shares",
    "given_wrong": "/given_wrong",
    "risk_coverage": "/curve",
    "findings": "/data/findings",
    "sources": "/data/sources",
    "licences": "/data/licences",
    "next": "/next/listed",
    "history": "/history",
    "novelty": "/novelty/trials",
    "confusions": "/confusions/listed",
    "mistakes": "/photographs/worst",
    "nearest_referred": "/photographs/nearest",
    "doubtful_labels": "/photographs/labels",
}


def tables(figures: Mapping[str, Any]) -> dict[str, pd.DataFrame]:
    """Return name -> table of everything that the report shows; intervals as two columns, nested values flattened."""
    found = {name: _frame(find(figures, pointer)) for name, pointer in _TABLES.items()}
    for name, head in (figures.get("heads") or {}).items():
        found[f"per_class_{name}"] = _frame(head["per_class"])
        found[f"outcomes_{name}"] = _frame(find(figures, f"/outcomes/{name}"))
        found[f"confusion_{name}"] = pd.DataFrame(head["confusion"], index=head["classes"], columns=head["classes"])
    for name, head in (figures.get("reliability") or {}).items():
        found[f"reliability_{name}"] = _frame(head.get("bins"))
    held = figures.get("coverage") or {"columns": [], "rows_of_names": []}
    counts = [[row["name"], *row["counts"], row["all"]] for row in held["rows_of_names"]]
    found["coverage"] = pd.DataFrame(counts, columns=["name", *held["columns"], "all"])
    facets = find(figures, "/slices/facets") or []
    found["slices"] = _frame([{"facet": facet["facet"], **level} for facet in facets for level in facet["levels"]])
    return {name: table for name, table in found.items() if len(table)}


def _frame(rows: Sequence[Mapping[str, Any]] | None) -> pd.DataFrame:
    return pd.DataFrame([_flat(row) for row in rows or []])


def _flat(row: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return a row without nested values: interval_low, interval_high; candidates_1_name; example_photo_id."""
    flat: dict[str, Any] = {}
    for key, value in row.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{name}_")
        elif isinstance(value, list) and len(value) == 2 and ("interval" in key or key == "band"):
            flat |= {f"{name}_low": value[0], f"{name}_high": value[1]}
        elif isinstance(value, list):
            flat |= _flat({str(i): v for i, v in enumerate(value, 1)}, f"{name}_")
        else:
            flat[name] = value
    return flat


def to_csv(table: pd.DataFrame, index_label: str | None = None) -> str:
    """Return the table as CSV, with its index first if that has a label.

    Texts that a spreadsheet would run as a formula get a leading quote; numbers stay as they are.
    """
    frame = table if index_label is None else table.rename_axis(index_label).reset_index()
    return csv_text(frame.map(_guarded).rename(columns=_guarded))


def _guarded(cell: Any) -> Any:
    return guarded(cell) if isinstance(cell, str) else cell


def write_files(figures: Mapping[str, Any], folder: Path) -> list[Path]:
    """Write tables/*.csv, figures/*.svg and figures/*.png into the folder and return their paths."""
    drawn, written = folder / "figures", folder / "tables"
    drawn.mkdir(parents=True, exist_ok=True)
    written.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, table in tables(figures).items():
        text = to_csv(table, "truth" if name.startswith("confusion_") else None)
        paths.append(_write(written / f"{name}.csv", text.encode("utf-8")))
    for name, picture in pictures.draw(figures).items():
        paths.append(_write(drawn / f"{name}.svg", pictures.svg(picture).encode("utf-8")))
        paths.append(_write(drawn / f"{name}.png", pictures.png(picture)))
    return paths


def _write(path: Path, content: bytes) -> Path:
    write_bytes(path, content)
    return path
