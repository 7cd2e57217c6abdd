"""Other ways to part a set than by lot: folds, a held-out source or season; and what a random split would hide."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data.mislabels import MIN_ROWS, doubts
from tickvision.errors import DataError, did_you_mean


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


def hold_out(
    frame: pd.DataFrame, groups: NDArray[np.int64], column: str, values: tuple[str, ...], use: NDArray[np.str_]
) -> NDArray[np.str_]:
    """Return (N,) the part wanted of each photograph: test for whole groups that bear one of the values in the column.

    use: (N,) what was wanted before, kept for the rest; feeds splits.assign, so that the others are dealt as always.
    Raises DataError if the column or a value is not there, or every group would be held out.
    """
    if column not in frame.columns:
        raise DataError(f"split: no column '{column}' in the manifest.{did_you_mean(column, frame.columns)}")
    known = sorted(set(frame[column]) - {""})
    for value in values:
        if value not in known:
            raise DataError(f"split: no photograph has {column} '{value}'.{did_you_mean(value, known)}")
    marked = np.isin(groups, groups[frame[column].isin(values).to_numpy()])
    if marked.all():
        raise DataError(f"split: {column} in {', '.join(values)} holds out every group; nothing is left to train on.")
    return np.where(marked, "test", use)


def optimism(features: NDArray[np.float32], said: NDArray[np.str_], group: NDArray[np.int64]) -> dict[str, float]:
    """Return accuracy on a random split, on a grouped split, and their difference, of one linear head on features.

    A photograph's own specimen, submission and near-duplicates may stand in training on the random split, as they do
    wherever photographs are dealt one by one. Five folds each; {n} alone if there are too few rows.
    """
    apart = np.arange(len(said), dtype=np.int64)
    right = [doubts(features, said, g)[0] for g in (apart, group)]
    both = np.isfinite(right[0]) & np.isfinite(right[1])
    if both.sum() < MIN_ROWS:
        return {"n": float(both.sum())}
    random, grouped = (float((r[both] < 0).mean()) for r in right)
    return {"n": float(both.sum()), "random": random, "grouped": grouped, "optimism": random - grouped}
