"""Other ways to part a set than by lot: folds, a held-out source or season; and what a random split would hide."""

from __future__ import annotations

import warnings
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data.mislabels import MIN_ROWS, doubts
from tickvision.data.splits import assign
from tickvision.errors import DataError, did_you_mean

_QUARTERS = {"Dec-Feb": ("12", "01", "02"), "Mar-May": ("03", "04", "05"), "Jun-Aug": ("06", "07", "08"),
             "Sep-Nov": ("09", "10", "11")}  # fmt: skip
SEASONS = {month: name for name, months in _QUARTERS.items() for month in months}


def fold_of(groups: NDArray[np.int64], strata: NDArray[np.int64], folds: int, seed: int = 0) -> NDArray[np.int64]:
    """Return (N,) the fold of each photograph, 0 to folds - 1; no group is torn, strata are spread evenly.

    Raises DataError if there are fewer groups than folds, or fewer than 2 folds.
    """
    from sklearn.model_selection import StratifiedGroupKFold

    if folds < 2 or len(np.unique(groups)) < folds:
        raise DataError(f"{len(np.unique(groups))} independent groups cannot be dealt to {folds} folds (at least 2).")
    fold = np.empty(len(groups), np.int64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a stratum with fewer members than folds
        parts = StratifiedGroupKFold(folds, shuffle=True, random_state=seed).split(groups, strata, groups)
        for number, (_, test) in enumerate(parts):
            fold[test] = number
    return fold


def values_of(frame: pd.DataFrame, column: str) -> NDArray[np.str_]:
    """Return (N,) what a photograph has in a column; `submitter`, `season` and `year` are made from others.

    season: the quarter in which the tick was found, such as "Jun-Aug", blank without a month.
    """
    if column == "submitter":
        return frame["creator"].where(frame["creator"] != "", frame["rights_holder"]).to_numpy(str)
    if column in ("season", "year"):
        date = frame["event_date"].str.extract(r"^(\d{4})(?:-(\d{2}))?").fillna("")
        if column == "year":
            return date[0].to_numpy(str)
        return np.array([SEASONS.get(m, "") for m in date[1]], dtype=str)
    if column not in frame.columns:
        raise DataError(
            f"split.hold_out: no column '{column}' in the manifest."
            f"{did_you_mean(column, [*frame.columns, 'submitter', 'season', 'year'])}"
        )
    return frame[column].to_numpy(str)


def held_out(frame: pd.DataFrame, groups: NDArray[np.int64], column: str, values: tuple[str, ...]) -> NDArray[np.bool_]:
    """Return (N,) True for whole groups that bear one of the values in the column.

    Raises DataError if the column or a value is not there, or every group would be held out.
    """
    its = values_of(frame, column)
    known = sorted(set(its) - {""})
    for value in values:
        if value not in known:
            raise DataError(
                f"split.hold_out: no photograph has {column} '{value}'.{did_you_mean(value, known)} "
                f"Found: {', '.join(known[:20]) or 'none; the manifest leaves it blank'}"
            )
    marked = np.isin(groups, groups[np.isin(its, values)])
    if marked.all():
        raise DataError(f"split.hold_out: {column} in {', '.join(values)} takes every group; none is left to train on.")
    return marked


def numbered(
    groups: NDArray[np.int64], strata: NDArray[np.int64], folds: int, seed: int, use: NDArray[np.str_]
) -> NDArray[np.int64]:
    """Return (N,) the fold of each photograph, 1 to folds; 0 for groups that may only train (column use)."""
    free = ~np.isin(groups, groups[use == "train"])
    fold = np.zeros(len(groups), np.int64)
    fold[free] = 1 + fold_of(groups[free], strata[free], folds, seed)
    return fold


def assign_around(
    is_test: NDArray[np.bool_],
    groups: NDArray[np.int64],
    strata: NDArray[np.int64],
    specimens: NDArray[np.str_],
    shares: Mapping[str, float],
    seed: int,
    use: NDArray[np.str_],
) -> NDArray[np.str_]:
    """Return the part of each photograph: test where is_test (whole groups), the others dealt by their shares.

    Raises DataError where the column use wants another photograph in test.
    """
    rest = ~is_test
    if (use[rest] == "test").any():
        raise DataError("the column use marks photographs as test that the held-out part or fold does not hold.")
    others = {part: share for part, share in shares.items() if part != "test"}
    total = sum(others.values())
    parts = np.full(len(groups), "test", dtype="U11")
    parts[rest] = assign(
        groups[rest], strata[rest], specimens[rest], {p: s / total for p, s in others.items()}, seed, use[rest]
    )
    return parts


def deal(
    frame: pd.DataFrame,
    groups: NDArray[np.int64],
    strata: NDArray[np.str_],
    shares: Mapping[str, float],
    seed: int = 0,
    hold_out: Mapping[str, tuple[str, ...]] | None = None,
    folds: int = 0,
    fold: int = 1,
) -> tuple[NDArray[np.str_], NDArray[np.int64] | None]:
    """Return (part, fold or None) of each photograph: by lot, by one held-out column, or by folds."""
    number = np.unique(strata, return_inverse=True)[1].astype(np.int64)
    specimens, use = frame["specimen_id"].to_numpy(str), frame["use"].to_numpy(str)
    if folds:
        its = numbered(groups, number, folds, seed, use)
        return assign_around(its == fold, groups, number, specimens, shares, seed, use), its
    if hold_out:
        ((column, values),) = hold_out.items()
        is_test = held_out(frame, groups, column, values)
        return assign_around(is_test, groups, number, specimens, shares, seed, use), None
    return assign(groups, number, specimens, shares, seed, use), None


def optimism(features: NDArray[np.float32], said: NDArray[np.str_], group: NDArray[np.int64]) -> dict[str, float]:
    """Return accuracy on a random split, on a grouped split, and their difference, of one linear head on features.

    A photograph's own specimen, submission and near-duplicates may stand in training on the random split, as they do
    wherever photographs are dealt one by one. Five folds each; {n} alone if there are too few rows.
    features: (N, D), said: (N,) class or "", group: (N,), as for mislabels.doubts.
    """
    apart = np.arange(len(said), dtype=np.int64)
    right = [doubts(features, said, g)[0] for g in (apart, group)]
    both = np.isfinite(right[0]) & np.isfinite(right[1])
    if both.sum() < MIN_ROWS:
        return {"n": float(both.sum())}
    random, grouped = (float((r[both] < 0).mean()) for r in right)
    return {"n": float(both.sum()), "random": random, "grouped": grouped, "optimism": random - grouped}
