"""How well strangers are noticed: each genus, and the non-target, is left out of a training and shown afterwards.

Heads are fitted anew on frozen backbone features, which have never seen a label of the group that is left out.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.data.arrays import UNREADABLE, open_arrays
from tickvision.domain.taxonomy import Taxonomy, settled
from tickvision.errors import CalibrationError
from tickvision.evaluation.metrics import auroc, fpr_at_tpr
from tickvision.evaluation.novelty import energy
from tickvision.evaluation.specimens import Specimens
from tickvision.evaluation.vim_fitting import VIM_MIN_PHOTOS, fit_vim, main_directions, subspace_size

COMPONENTS = 256  # main directions of the features in which the heads are fitted; all serve the novelty score
MIN_SPECIMENS = 5  # of a left-out group in the test part, and of known ones
Floats = NDArray[np.float64]


def frozen_means(features: Path, scores: Path, specimens: Specimens) -> Floats | None:
    """Return (G, D) mean frozen features of the specimens' photographs; None if a file is damaged or lacks one."""
    try:
        with open_arrays(features) as held, open_arrays(scores) as table:
            place = {h: i for i, h in enumerate(held["sha256"])}
            ids, hashes, embedding = table["specimen_id"], table["sha256"], held["embedding"]
            if any(h not in place for h in hashes):
                return None
            rows = np.array([place[h] for h in hashes])
    except UNREADABLE:
        return None
    number = {s: g for g, s in enumerate(specimens.ids)}
    mine = np.array([i for i, s in enumerate(ids) if s in number], dtype=np.intp)
    group = np.array([number[ids[i]] for i in mine], dtype=np.intp)
    sums = np.zeros((len(specimens), embedding.shape[1]))
    np.add.at(sums, group, embedding[rows[mine]])
    return np.asarray(sums / np.bincount(group, minlength=len(specimens))[:, None])


def leave_out(
    train: Specimens, train_features: Floats, test: Specimens, test_features: Floats, taxonomy: Taxonomy
) -> dict[str, Any]:
    """Return {auroc, fpr_at_95, trials}: one trial a genus (or leaf without one) and the non-target, and their means.

    auroc: positive = strangers of the left-out group, scored by ViM (energy below 500 specimens). fpr_at_95: share of
    strangers not noticed at the score that keeps 95 % of the known. A group without 5 test specimens is left out.
    """
    taught, shown = settled(train.taxon_mask), settled(test.taxon_mask)
    names = [taxonomy.ancestor(t, "genus") or t for t in taxonomy.taxa]
    group_of = np.array([*names, ""])  # the last entry serves the label -1 of unsettled taxa
    trials = []
    for group in dict.fromkeys(names):
        strange, known = shown[group_of[shown] == group], (shown >= 0) & (group_of[shown] != group)
        inside = np.flatnonzero((taught >= 0) & (group_of[taught] != group))
        if len(strange) < MIN_SPECIMENS or known.sum() < MIN_SPECIMENS or len(np.unique(taught[inside])) < 2:
            continue
        rows = np.flatnonzero(known | (group_of[shown] == group))
        scores = _strangeness(train_features[inside], taught[inside], test_features[rows])
        positive = group_of[shown[rows]] == group
        trials.append(
            {
                "left_out": group,
                "strangers": int(positive.sum()),
                "known": int((~positive).sum()),
                "auroc": auroc(scores, positive),
                "fpr_at_95": fpr_at_tpr(-scores, ~positive),
            }
        )
    if not trials:
        return {}
    return {
        "auroc": float(np.mean([t["auroc"] for t in trials])),
        "fpr_at_95": float(np.mean([t["fpr_at_95"] for t in trials])),
        "trials": trials,
    }


def _strangeness(features: Floats, target: NDArray[np.int64], asked: Floats) -> Floats:
    """Return the novelty score of asked (M, D) for a linear classifier of features (N, D)."""
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

    centre, spread = features.mean(0), features.std(0) + 1e-6
    x, y = (features - centre) / spread, (asked - centre) / spread
    count, width = x.shape
    directions = main_directions(x, min(width, max(COMPONENTS, subspace_size(count, width))))
    kept = directions[:, :COMPONENTS]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Only one sample available", UserWarning)  # of a name: its spread counts as 0
        model = LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto").fit(x @ kept, target)
    if len(model.classes_) > 2:
        logits = [np.asarray(v @ kept @ model.coef_.T + model.intercept_) for v in (x, y)]
    else:
        logits = [np.asarray(model.predict_log_proba(v @ kept)) for v in (x, y)]
    try:
        if len(x) >= VIM_MIN_PHOTOS:
            return fit_vim(x, logits[0], directions=directions).score(y, logits[1])
    except CalibrationError:
        pass  # no residual outside the main subspace: the energy judges
    return energy(logits[1])
