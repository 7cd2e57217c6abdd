"""Likely wrong labels: specimens that a classifier which never saw their group names otherwise, by features on file.

The classifier is linear discriminant analysis (closed form, seconds for thousands of photographs) on features of the
backbone. Out-of-fold by group in the classifier; features of a trained network have themselves seen the labels of its
training part, which hides some faults.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data.arrays import UNREADABLE, open_arrays
from tickvision.data.labels import Finding
from tickvision.domain.taxonomy import Taxonomy

FOLDS = 5
MIN_ROWS = 50
WIDTH = 200
SHRINK = 0.05
SHARE = 0.06  # of the specimens that are shown, the most doubtful first


def read_features(files: tuple[Path, ...], sha256: NDArray[np.str_]) -> NDArray[np.float32] | None:
    """Return (N, up to WIDTH) principal features from the first file that holds some of these pictures, else None.

    NaN where a picture has none. sha256: (N,) of the pictures.
    """
    for file in files:
        try:
            with open_arrays(file) as held:
                place = {str(h): i for i, h in enumerate(held["sha256"]) if h}
                vectors = held["embedding"].astype(np.float32)
        except UNREADABLE:
            continue
        found = np.full((len(sha256), vectors.shape[1]), np.nan, np.float32)
        for row, value in enumerate(sha256):
            if value in place:
                found[row] = vectors[place[value]]
        if np.isfinite(found).all(1).any():
            return _reduced(found)
    return None


def _reduced(features: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the WIDTH principal components, fewer where there are few pictures."""
    from sklearn.decomposition import PCA

    rows = np.isfinite(features).all(1)
    width = max(1, min(WIDTH, int(rows.sum()) // 2))
    if width >= features.shape[1] or rows.sum() < MIN_ROWS:
        return features
    found = np.full((len(features), width), np.nan, np.float32)
    found[rows] = PCA(width, svd_solver="randomized", random_state=0).fit_transform(features[rows])
    return found


def labels_of(frame: pd.DataFrame, taxonomy: Taxonomy) -> dict[str, NDArray[np.str_]]:
    """Return head -> (N,) what the label says, "" where it leaves that open."""
    named = frame["scientific_name"].where(frame["taxon_rank"].isin(["species", "none"]), "")
    states = frame["life_stage"] + np.where(frame["sex"] != "", " ", "") + frame["sex"]
    sexed = {stage for stage, sex in taxonomy.states if sex}
    settled = (frame["life_stage"] != "") & ((frame["sex"] != "") | ~frame["life_stage"].isin(sexed))
    return {"taxon": named.to_numpy(str), "stage and sex": states.where(settled, "").to_numpy(str)}


def findings(
    frame: pd.DataFrame, features: NDArray[np.float32], taxonomy: Taxonomy, group: NDArray[np.int64]
) -> list[Finding]:
    """Return a finding for each of the most doubtful specimens (SHARE of them), the worst first."""
    tables = []
    for head, said in labels_of(frame, taxonomy).items():
        doubt, other = doubts(features, said, group)
        what = "name" if head == "taxon" else head
        tables.append(pd.DataFrame({"specimen": frame["specimen_id"], "photo": frame["photo_id"], "what": what,
                                    "said": said, "other": other, "doubt": doubt}))  # fmt: skip
    photos = pd.concat(tables).dropna(subset=["doubt"])
    if photos.empty:
        return []
    photos["mean"] = photos.groupby(["specimen", "what"])["doubt"].transform("mean")
    worst = photos.sort_values(["mean", "doubt"], ascending=False).drop_duplicates("specimen")
    shown = worst[worst["mean"] > 0].head(max(1, round(SHARE * frame["specimen_id"].nunique())))
    return [
        Finding(str(r["photo"]), "likely_wrong_label", "warning",
                f"specimen '{r['specimen']}': {r['what']} '{r['said']}', but its like are '{r['other']}' "
                f"(log odds {r['mean']:.1f})", "look at the specimen again before it teaches or judges")
        for r in shown.to_dict("records")
    ]  # fmt: skip


def accuracy(
    frame: pd.DataFrame, features: NDArray[np.float32], taxonomy: Taxonomy, group: NDArray[np.int64]
) -> dict[str, dict[str, float]]:
    """Return head -> {n, accuracy} of the classifier on the features: the picture itself, beside the shortcut probe.

    features: (N, D), a row of the frame each; group: (N,), as for doubts.
    """
    told = {}
    for head, said in labels_of(frame, taxonomy).items():
        doubt = doubts(features, said, group)[0]
        known = np.isfinite(doubt)
        told[head] = {"n": int(known.sum())} | ({"accuracy": float((doubt[known] < 0).mean())} if known.any() else {})
    return told


def doubts(
    features: NDArray[np.float32], said: NDArray[np.str_], group: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.str_]]:
    """Return (log odds of the best other class against the label, that class), NaN where nothing can be said.

    features: (N, D), NaN rows have none. said: (N,) class or "" for unknown. group: (N,), never torn between folds.
    """
    from sklearn.model_selection import GroupKFold

    doubt, other = np.full(len(said), np.nan), np.full(len(said), "", dtype="U80")
    rows = np.flatnonzero((said != "") & np.isfinite(features).all(1))
    if len(rows) < MIN_ROWS or len(np.unique(said[rows])) < 2 or len(np.unique(group[rows])) < FOLDS:
        return doubt, other
    reduced = features[rows].astype(np.float64)
    for train, test in GroupKFold(FOLDS, shuffle=True, random_state=0).split(rows, groups=group[rows]):
        classes, odds = _discriminate(reduced[train], said[rows[train]], reduced[test])
        place = {c: k for k, c in enumerate(classes)}
        for row, scores in zip(rows[test], odds, strict=True):
            own = place.get(said[row])
            if own is None:
                continue
            rest = np.where(np.arange(len(classes)) == own, -np.inf, scores)
            doubt[row], other[row] = rest.max() - scores[own], classes[int(rest.argmax())]
    return doubt, other


def _discriminate(
    known: NDArray[np.float64], said: NDArray[np.str_], asked: NDArray[np.float64]
) -> tuple[NDArray[np.str_], NDArray[np.float64]]:
    """Return (classes, scores (M, K)): linear discriminants with the pooled covariance shrunk to a multiple of one.

    Source: Fisher 1936; shrinkage as in Friedman 1989, equation 18.
    """
    classes, place = np.unique(said, return_inverse=True)
    means = np.stack([known[place == k].mean(0) for k in range(len(classes))])
    rest = known - means[place]
    spread = rest.T @ rest / len(known)
    size = len(spread)
    spread = (1 - SHRINK) * spread + SHRINK * np.trace(spread) / size * np.eye(size)
    weights = np.linalg.solve(spread, means.T)
    return classes, asked @ weights - 0.5 * (means * weights.T).sum(1)
