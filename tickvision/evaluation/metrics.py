"""Metrics of named specimens: one door for every metric name of the contract.

target (N,) holds class numbers, -1 = unknown (the row is left out). probs (N, K) rows sum to 1.
Exact 0 and 1 and absent classes are legal. Bad input (NaN, infinity, rows that do not sum to 1, shapes that
differ, labels out of range) raises MetricError. Where no row is known the result is nan, meaning "no data".
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import MetricError
from tickvision.evaluation.calibration_error import classwise_ece, ece
from tickvision.evaluation.checks import (
    Bools,
    Floats,
    Ints,
    as_bools,
    as_floats,
    known_labels,
    known_probs,
    same_length,
)
from tickvision.evaluation.selective import augrc, aurc, risk_at_coverage

__all__ = [
    "augrc",
    "aurc",
    "auroc",
    "brier",
    "classwise_ece",
    "cohen_kappa",
    "confusion",
    "ece",
    "fpr_at_tpr",
    "macro_f1",
    "macro_recall",
    "matthews",
    "nll",
    "risk_at_coverage",
]


def confusion(target: ArrayLike, pred: ArrayLike, n_classes: int) -> Ints:
    """Return the (n_classes, n_classes) count table, rows = truth, columns = prediction.

    target, pred: (N,) int in 0..n_classes-1; target -1 = unknown, left out. No known row gives zeros.
    Raises MetricError on labels out of range or lengths that differ.
    """
    truth, named = known_labels(target, pred, n_classes)
    counts = np.bincount(truth * n_classes + named, minlength=n_classes * n_classes)
    return counts.reshape(n_classes, n_classes).astype(np.int64, copy=False)


def macro_recall(target: ArrayLike, pred: ArrayLike, n_classes: int) -> float:
    """Return the mean recall over the classes present in the truth (balanced accuracy), 0..1; nan = no data."""
    table = confusion(target, pred, n_classes)
    support = table.sum(axis=1)
    present = support > 0
    if not present.any():
        return float("nan")
    return float(np.mean(np.diag(table)[present] / support[present]))


def macro_f1(target: ArrayLike, pred: ArrayLike, n_classes: int) -> float:
    """Return the mean F1 over all n_classes, 0..1; nan = no data.

    A class neither present nor predicted counts 0, so the number compares across data sets with one class list
    (general libraries average only the classes seen and come out higher).
    """
    table = confusion(target, pred, n_classes)
    if table.sum() == 0:
        return float("nan")
    total = table.sum(axis=0) + table.sum(axis=1)
    return float(np.mean(2 * np.diag(table) / np.maximum(total, 1)))


def matthews(target: ArrayLike, pred: ArrayLike, n_classes: int) -> float:
    """Return the multiclass Matthews correlation, -1..1; nan = no data.

    A constant prediction gives 0 (no correlation). Raises MetricError if the truth holds one class only.
    Source: Gorodkin 2004, equation 8.
    """
    table = confusion(target, pred, n_classes).astype(np.float64)
    n, truth, named = table.sum(), table.sum(axis=1), table.sum(axis=0)
    if n == 0:
        return float("nan")
    if np.count_nonzero(truth) < 2:
        raise MetricError("matthews: the truth holds one class only; expected at least two. Show 'no data'.")
    spread = (n * n - truth @ truth) * (n * n - named @ named)
    return float((np.trace(table) * n - truth @ named) / np.sqrt(spread)) if spread > 0 else 0.0


def cohen_kappa(target: ArrayLike, pred: ArrayLike, n_classes: int) -> float:
    """Return Cohen's kappa (p_o - p_e) / (1 - p_e), at most 1; nan = no data.

    Raises MetricError where chance agreement is 1 (both sides hold one and the same class).
    Source: Cohen 1960, equation 1.
    """
    table = confusion(target, pred, n_classes).astype(np.float64)
    n = table.sum()
    if n == 0:
        return float("nan")
    expected = float(table.sum(axis=1) @ table.sum(axis=0)) / n**2
    if expected >= 1:
        raise MetricError("cohen_kappa: truth and prediction hold one and the same class; kappa is undefined.")
    return float((np.trace(table) / n - expected) / (1 - expected))


def nll(probs: ArrayLike, target: ArrayLike) -> float:
    """Return the mean negative log-likelihood in nats, 0..inf; inf where a true class has p = 0; nan = no data.

    Nothing is clipped: a library that clips at 2.2e-16 shows 36.04 for such a row.
    """
    table, truth = known_probs(probs, target)
    if truth.size == 0:
        return float("nan")
    picked = table[np.arange(len(truth)), truth]
    with np.errstate(divide="ignore"):
        return float(np.mean(-np.log(np.minimum(picked, 1.0))) + 0.0)


def brier(probs: ArrayLike, target: ArrayLike) -> float:
    """Return the Brier score in sum form, mean over rows of sum_k (p_k - y_k)^2, 0..2; nan = no data.

    Source: Brier 1950, equation 2.
    """
    table, truth = known_probs(probs, target)
    if truth.size == 0:
        return float("nan")
    rows = np.arange(len(truth))
    squares = np.einsum("ij,ij->i", table, table) - table[rows, truth] ** 2 + (table[rows, truth] - 1) ** 2
    return float(np.mean(squares))


def _two_sides(scores: ArrayLike, positive: ArrayLike, name: str) -> tuple[Floats, Bools]:
    values, is_positive = as_floats(scores, "scores"), as_bools(positive, "positive")
    same_length(scores=values, positive=is_positive)
    if values.size and (is_positive.all() or not is_positive.any()):
        raise MetricError(f"{name}: only one side is present; expected positives and negatives. Show 'no data'.")
    return values, is_positive


def auroc(scores: ArrayLike, positive: ArrayLike) -> float:
    """Return P(score of a positive > score of a negative), ties half, 0..1; nan = no rows.

    scores: (N,) high = positive. positive: (N,) bool; name the positive class wherever this number is shown.
    Raises MetricError if one side is absent. Source: Mann & Whitney 1947.
    """
    values, is_positive = _two_sides(scores, positive, "auroc")
    if values.size == 0:
        return float("nan")
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    mean_rank = np.cumsum(counts) - (counts - 1) / 2
    n_pos = int(is_positive.sum())
    n_neg = len(values) - n_pos
    rank_sum = float(mean_rank[inverse][is_positive].sum())
    return (rank_sum - n_pos * (n_pos + 1) / 2) / (n_pos * n_neg)


def fpr_at_tpr(scores: ArrayLike, positive: ArrayLike, tpr: float = 0.95) -> float:
    """Return the smallest share of negatives called positive while at least tpr of the positives are, 0..1.

    A case is called positive where score >= limit; ties are called together. The number changes when the positive
    class is swapped (.70 against .45 on the same scores), so name it. nan = no rows.
    Raises MetricError if one side is absent or tpr is outside (0, 1].
    """
    if not 0 < tpr <= 1:
        raise MetricError(f"tpr: found {tpr}; expected more than 0 and at most 1.")
    values, is_positive = _two_sides(scores, positive, "fpr_at_tpr")
    if values.size == 0:
        return float("nan")
    found = np.sort(values[is_positive])[::-1]
    # 1e-9: 0.95 * 20 is 19.000000000000004 on some platforms and must ask for 19, not 20.
    limit = found[max(int(np.ceil(tpr * len(found) - 1e-9)), 1) - 1]
    return float(np.mean(values[~is_positive] >= limit))
