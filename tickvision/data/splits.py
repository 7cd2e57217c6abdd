"""Train, val, calibration and test: by group, stratified by cell, seeded, and never torn."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data import tables
from tickvision.domain import user_tables
from tickvision.errors import DataError, did_you_mean

PARTS = ("train", "val", "calibration", "test")


def tie_groups(frame: pd.DataFrame, pairs: list[tuple[str, str]] = []) -> NDArray[np.int64]:  # noqa: B006 (never changed)
    """Return (N,) group numbers: a shared specimen, submission or near-duplicate makes one group.

    pairs: photo_id pairs of near-duplicates.
    """
    parent = list(range(len(frame)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    for column in ("specimen_id", "group_id"):
        first: dict[str, int] = {}
        for i, value in enumerate(frame[column]):
            if value:
                parent[root(i)] = root(first.setdefault(value, i))
    place = {p: i for i, p in enumerate(frame["photo_id"])}
    for a, b in pairs:
        if a in place and b in place:
            parent[root(place[a])] = root(place[b])
    roots = [root(i) for i in range(len(frame))]
    return np.unique(roots, return_inverse=True)[1].astype(np.int64)


def assign(
    groups: NDArray[np.int64],
    strata: NDArray[np.int64],
    specimens: NDArray[np.str_],
    shares: Mapping[str, float],
    seed: int = 0,
    use: NDArray[np.str_] | None = None,
) -> NDArray[np.str_]:
    """Return the part of each photograph. Whole groups are dealt, rarest stratum first, to the part that lacks it most.

    groups, strata, specimens: (N,), one per photograph; a stratum is the cell or other label class to balance.
    shares: part -> share of the specimens. Deterministic for a seed. use: (N,) part that a photograph's group
    must go to, or blank; the free groups make up the shares as far as they can.
    Raises DataError if there are fewer groups than parts, or a group is wanted in two parts.
    """
    unit = pd.DataFrame({"group": groups, "stratum": strata, "specimen": specimens}).drop_duplicates(["specimen"])
    table = pd.crosstab(unit["group"], unit["stratum"])
    counts = table.to_numpy()
    if len(counts) < len(shares):
        raise DataError(
            f"{len(counts)} independent groups of photographs cannot be dealt to {len(shares)} parts. Groups are tied "
            "by specimen_id, submission_id and near-duplicates; check that these columns really tell groups apart."
        )
    order = _dealing_order(counts, np.random.default_rng(seed))
    names = list(shares)
    total = counts.sum(0)
    want = np.outer([shares[n] for n in names], total).astype(float)  # parts x strata
    part_share = np.array([[shares[n]] for n in names])
    size = part_share[:, 0] * counts.sum()
    got_size = np.zeros(len(names))
    part_of = np.empty(len(counts), int)

    def deal(row: int, part: int) -> None:
        part_of[row] = part
        want[part] -= counts[row]
        got_size[part] += counts[row].sum()

    bound = _bound_groups(table.index.to_numpy(), groups, use, names)
    for row, part in bound.items():
        deal(row, part)
    for row in (r for r in order if r not in bound):
        rare = counts[row] / total
        lack = (want[:, rare > 0] / part_share * rare[rare > 0]).sum(1) + 1e-3 * (size - got_size) / size
        lack = np.where(got_size + counts[row].sum() > 1.15 * size + 1, lack - 1e6, lack)
        deal(row, int(np.argmax(lack)))
    position = {g: i for i, g in enumerate(table.index)}
    return np.array([names[part_of[position[g]]] for g in groups])


def _bound_groups(
    order: NDArray[np.int64], groups: NDArray[np.int64], use: NDArray[np.str_] | None, names: list[str]
) -> dict[int, int]:
    """Return row of the group table -> part, for the groups whose part was given."""
    bound: dict[int, int] = {}
    for group, wanted in zip(groups, use if use is not None else [], strict=use is not None):
        if not wanted:
            continue
        row, part = int(np.searchsorted(order, group)), names.index(wanted)
        if bound.setdefault(row, part) != part:
            raise DataError(
                "photographs of one group are wanted in train and in test (column use). Groups are tied by "
                "specimen_id, submission_id and near-duplicates."
            )
    return bound


def _dealing_order(counts: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.intp]:
    """Return groups with the rarest strata first, then the largest; ties in seeded random order."""
    total = counts.sum(0)
    rarity = np.array([total[row > 0].min() for row in counts])
    return np.lexsort((rng.random(len(counts)), -counts.sum(1), rarity))


def check_no_leak(frame: pd.DataFrame, groups: NDArray[np.int64], parts: NDArray[np.str_]) -> None:
    """Raise DataError if a group stands in two parts. groups, parts: (N,), a row of the frame each."""
    seen = pd.DataFrame({"group": groups, "part": parts, "photo": frame["photo_id"].to_numpy()})
    torn = seen.groupby("group")["part"].nunique()
    torn = torn[torn > 1]
    if len(torn):
        photos = seen.loc[seen["group"] == torn.index[0]].drop_duplicates("part")
        where = ", ".join(f"{photo} in {part}" for photo, part in zip(photos["photo"], photos["part"], strict=True))
        raise DataError(
            f"The split leaks: {len(torn):,} of {len(np.unique(groups)):,} groups stand in several parts, e.g. "
            f"{where}. Groups are tied by specimen_id, submission_id and near-duplicates. Nothing was written; deal "
            "again with tickvision split, or mend split.file."
        )


def own(frame: pd.DataFrame, path: Path) -> NDArray[np.str_]:
    """Return the parts that a split of the user's own gives the photographs of the frame.

    Raises DataError if the file is no split, or a photograph is missing, in two parts or in an unknown one.
    """
    part_of: dict[str, str] = {}
    for line, row in user_tables.read(path, ("photo_id", "part"), "a split, split.file", DataError):
        photo, part = row["photo_id"], row["part"]
        if part_of.setdefault(photo, part) != part:
            raise DataError(f"{path}, line {line}: photograph '{photo}' is in {part_of[photo]} and in {part}.")
    missing = [p for p in frame["photo_id"] if p not in part_of]
    if missing:
        raise DataError(f"{path}: {len(missing):,} of {len(frame):,} photographs are in no part, e.g. '{missing[0]}'.")
    parts = np.array([part_of[p] for p in frame["photo_id"]], dtype=str)
    unknown = sorted(set(parts) - set(PARTS))
    if unknown:
        raise DataError(f"{path}: part '{unknown[0]}' is none of {', '.join(PARTS)}.{did_you_mean(unknown[0], PARTS)}")
    return parts


def write(
    frame: pd.DataFrame,
    groups: NDArray[np.int64],
    strata: NDArray[np.str_],
    parts: NDArray[np.str_],
    path: Path,
    fold: NDArray[np.int64] | None = None,
) -> None:
    """Write splits.csv: photo_id, specimen_id, group, stratum, part, and the fold where there are folds; (N,) each."""
    table = pd.DataFrame(
        {
            "photo_id": frame["photo_id"],
            "specimen_id": frame["specimen_id"],
            "group": groups,
            "stratum": strata,
            "part": parts,
        }
    )
    if fold is not None:
        table["fold"] = fold
    tables.write(table, path)


def needed_to_certify(max_error: float, failure_rate: float) -> int:
    """Return how many specimens without one error it takes to promise max_error: (1 - max_error)^n <= failure_rate.

    Source: Clopper and Pearson 1934, with no error among n.
    """
    return math.ceil(math.log(failure_rate) / math.log1p(-max_error))


def too_small(
    specimens: NDArray[np.str_], classes: NDArray[np.str_], parts: NDArray[np.str_], needed: int
) -> list[dict[str, str | int]]:
    """Return the classes with fewer calibration specimens than needed, the smallest first.

    specimens, classes, parts: (N,), one per photograph; the class is "" where the label leaves it open.
    """
    settled = pd.DataFrame({"specimen": specimens, "class": classes, "part": parts})[classes != ""]
    found: list[dict[str, str | int]] = []
    for name, rows in settled.drop_duplicates("specimen").groupby("class"):
        counts = {p: int((rows["part"] == p).sum()) for p in ("train", "calibration", "test")}
        if counts["calibration"] < needed:
            found.append({"class": str(name), **counts, "needed": needed})
    return sorted(found, key=lambda c: (int(c["calibration"]), c["class"]))


def read(path: Path) -> dict[str, str]:
    """Return photo_id -> part. Raises DataError if the file is absent or no split."""
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
    except FileNotFoundError:
        raise DataError(f"{path}: no split. Make it with: tickvision split CONFIG") from None
    if not {"photo_id", "part"} <= set(table.columns):
        raise DataError(f"{path}: not a split (columns photo_id and part are missing).")
    return dict(zip(table["photo_id"], table["part"], strict=True))


def most_telling(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a row a specimen: that of its photographs whose label says most."""
    telling = (frame[["scientific_name", "life_stage", "sex"]] != "").sum(axis=1) + (frame["taxon_rank"] == "species")
    return frame.loc[telling.sort_values(ascending=False, kind="stable").index].drop_duplicates("specimen_id")


def strata_of(frame: pd.DataFrame) -> NDArray[np.str_]:
    """Return (N,) the label class of each photograph's specimen: its most telling label among its photographs."""
    best = most_telling(frame)
    said = best["scientific_name"] + "|" + best["life_stage"] + "|" + best["sex"]
    of_specimen = dict(zip(best["specimen_id"], said, strict=True))
    return np.array([of_specimen[s] for s in frame["specimen_id"]], dtype=str)
