"""The shortcut probe: how well what is no specimen (rim, size and source of the picture) predicts the labels."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

MIN_ROWS = 50
FOLDS = 5
SOURCE_COLUMNS = ("source", "device", "place")


def clues(rim: NDArray[np.float32], looks: pd.DataFrame, frame: pd.DataFrame) -> dict[str, NDArray[np.float32]]:
    """Return clue -> (N, F) what a classifier may see of each photograph: its rim, its size, where it came from.

    frame: with SOURCE_COLUMNS, as numbers of their values; looks: with width and height.
    """
    size = looks[["width", "height"]].to_numpy(np.float32)
    source = [np.unique(frame[c].to_numpy(str), return_inverse=True)[1] for c in SOURCE_COLUMNS]
    return {"rim": rim, "size": size, "source": np.stack(source, axis=1).astype(np.float32)}


def probe(clue: NDArray[np.float32], target: NDArray[np.int64], group: NDArray[np.int64]) -> dict[str, Any]:
    """Return {n, classes, accuracy, majority, macro_recall, chance} of a classifier that sees only the clue.

    clue: (N, F). target: (N,) class, -1 = unknown (left out). group: (N,), never torn between the 5 folds.
    accuracy well above the majority share, or macro_recall well above chance (1 / classes), says that background,
    camera or submitter gives labels away: the later figures would be too good. Too few rows: n alone.
    """
    from sklearn.ensemble import ExtraTreesClassifier
    from sklearn.metrics import accuracy_score, recall_score
    from sklearn.model_selection import StratifiedGroupKFold, cross_val_predict

    known = target >= 0
    truth, features, groups = target[known], clue[known], group[known]
    classes, counts = np.unique(truth, return_counts=True)
    result: dict[str, Any] = {"n": int(known.sum()), "classes": len(classes)}
    if known.sum() < MIN_ROWS or len(classes) < 2 or len(np.unique(groups)) < FOLDS:
        return result
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a class with fewer groups than folds
        said = cross_val_predict(
            ExtraTreesClassifier(100, min_samples_leaf=2, n_jobs=-1, random_state=0),
            features,
            truth,
            groups=groups,
            cv=StratifiedGroupKFold(FOLDS, shuffle=True, random_state=0),
        )
    return result | {
        "accuracy": float(accuracy_score(truth, said)),
        "majority": float(counts.max() / counts.sum()),
        "macro_recall": float(recall_score(truth, said, average="macro", zero_division=0)),
        "chance": 1 / len(classes),
    }
