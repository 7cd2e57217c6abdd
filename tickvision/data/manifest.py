"""The manifest: one row a photograph, with its label, its group, its licence, and whether it can teach."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data import tables
from tickvision.data.columns import MANIFEST
from tickvision.domain import user_tables
from tickvision.domain.taxonomies import flat_taxonomy, table_taxonomy, tick_taxonomy
from tickvision.domain.taxonomy import Taxon, Taxonomy, settled
from tickvision.errors import DataError

USABLE = "ok"


def read(path: Path) -> pd.DataFrame:
    """Return the manifest, all columns as text. Raises DataError if it is absent or not a manifest."""
    try:
        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except FileNotFoundError:
        raise DataError(f"{path}: no manifest. Make it with: tickvision import CONFIG") from None
    except ValueError as error:  # pandas' faults of parsing, and bytes that are no UTF-8
        raise DataError(f"{path}: not readable as a manifest ({error}). Run: tickvision import CONFIG") from None
    missing = [c for c in MANIFEST if c not in frame.columns]
    if missing:
        raise DataError(f"{path}: not a manifest, columns missing: {', '.join(missing)}.")
    return frame


def write(frame: pd.DataFrame, path: Path) -> None:
    """Write the manifest through a temporary file, so that a full disk leaves the old one."""
    tables.write(frame, path)


def usable(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that can teach or be judged, index reset."""
    return frame[frame["status"] == USABLE].reset_index(drop=True)


def build_taxonomy(
    kind: str,
    frame: pd.DataFrame,
    taxa: tuple[str, ...] = (),
    non_target: str = "",
    table: Path | None = None,
    stages: dict[str, tuple[str, ...]] | None = None,
) -> Taxonomy:
    """Return the taxonomy of the config, its taxa taken from the usable labels where the config leaves them open."""
    rows = usable(frame)
    if kind == "flat":
        triples = zip(rows["scientific_name"], rows["life_stage"], rows["sex"], strict=True)
        return flat_taxonomy(triples, non_target)
    if kind == "table":
        states = [(st, sx) for st, sexes in (stages or {}).items() for sx in (sexes or ("",))] or [("", "")]
        return table_taxonomy(_read_taxa(table), states, non_target)
    found = rows.loc[rows["taxon_rank"] == "species", "scientific_name"]
    return tick_taxonomy(taxa or sorted(set(found) - {non_target, ""}), non_target)


def _read_taxa(path: Path | None) -> list[Taxon]:
    if path is None:
        raise DataError("taxonomy.table names no file.")
    rows = user_tables.read(path, ("name", "rank", "parent"), "a table of taxa, taxonomy.table", DataError)
    return [Taxon(row["name"], row["rank"], row["parent"]) for _, row in rows]


def label_masks(frame: pd.DataFrame, taxonomy: Taxonomy) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return (taxon masks (N, T), state masks (N, S)) of the rows' labels. Raises DataError if one does not fit."""
    known: dict[tuple[str, str, str], tuple[NDArray[np.bool_], NDArray[np.bool_]]] = {}
    taxon_rows, state_rows = [], []
    for name, stage, sex in zip(frame["scientific_name"], frame["life_stage"], frame["sex"], strict=True):
        key = (name, stage, sex)
        if key not in known:
            known[key] = taxonomy.label_masks(name, stage, sex)
        taxon_rows.append(known[key][0])
        state_rows.append(known[key][1])
    if not taxon_rows:
        return np.zeros((0, len(taxonomy.taxa)), bool), np.zeros((0, len(taxonomy.states)), bool)
    return np.stack(taxon_rows), np.stack(state_rows)


def misfits(frame: pd.DataFrame, taxonomy: Taxonomy) -> NDArray[np.object_]:
    """Return (N,) why a row's label is none of the taxonomy's, "" where it is one."""
    said: dict[tuple[str, str, str], str] = {}
    labels = list(zip(frame["scientific_name"], frame["life_stage"], frame["sex"], strict=True))
    for label in set(labels):
        try:
            taxonomy.label_masks(*label)
            said[label] = ""
        except DataError as error:
            said[label] = str(error)
    return np.array([said[label] for label in labels], object)


def classes(frame: pd.DataFrame, taxonomy: Taxonomy) -> NDArray[np.str_]:
    """Return (N,) the one cell that a row's label settles, as "name stage sex"; "" where it leaves several open."""
    taxon, state = label_masks(frame, taxonomy)
    cells = np.array([[" ".join(filter(None, (name, *of))) for of in taxonomy.states] for name in taxonomy.taxa])
    its, of = settled(taxon), settled(state)
    return np.where((its >= 0) & (of >= 0), cells[its, of], "")
