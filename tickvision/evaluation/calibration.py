"""Fits the maps from logits to honest probabilities; probabilities.py applies them.

Fit on val, never on the specimens that certify a threshold: a temperature changes the order of rows by confidence.
Calibration is an improvement; the promise is the certificate (abstention.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import UNKNOWN, Floats, Ints, as_bools, as_floats, as_ints, same_length
from tickvision.evaluation.probabilities import (
    HeadMap,
    JointMap,
    apply_temperature,
    log_softmax,
    part_logits,
    softmax,
)

__all__ = [
    "MIN_SPECIMENS",
    "HeadMap",
    "JointMap",
    "apply_temperature",
    "fit_head",
    "fit_joint",
    "fit_temperature",
    "fit_temperature_bias",
    "softmax",
]

MIN_SPECIMENS = 20
# T between 0.018 and 55: an unbounded search goes negative or runs away on separable rows.
LOG_TEMPERATURE_BOUNDS = (-4.0, 4.0)


def _fitting_rows(logits: ArrayLike, target: ArrayLike) -> tuple[Floats, Ints]:
    table = as_floats(logits, "logits", ndim=2, error=CalibrationError)
    truth = as_ints(target, "target", CalibrationError)
    same_length(CalibrationError, logits=table, target=truth)
    known = truth != UNKNOWN
    table, truth = table[known], truth[known]
    if len(truth) < MIN_SPECIMENS:
        raise CalibrationError(f"{len(truth)} labelled rows; expected at least {MIN_SPECIMENS} to fit a temperature.")
    if truth.min() < 0 or truth.max() >= table.shape[1]:
        raise CalibrationError(f"target: found {truth.min()} to {truth.max()}; expected 0 to {table.shape[1] - 1}.")
    if len(np.unique(truth)) < 2:
        raise CalibrationError("target: only one class is present; expected at least two to fit a temperature.")
    return table, truth


def _all_right(table: Floats, truth: Ints) -> bool:
    """Return whether each row's largest logit is that of its class alone: no temperature is best there."""
    others = table.copy()
    others[np.arange(len(truth)), truth] = -np.inf
    return bool(np.all(table[np.arange(len(truth)), truth] > others.max(axis=1)))


def _mean_nll(table: Floats, truth: Ints) -> float:
    return float(-log_softmax(table)[np.arange(len(truth)), truth].mean())


def fit_temperature(logits: ArrayLike, target: ArrayLike) -> float:
    """Return the temperature that minimises the negative log-likelihood.

    logits: (N, K) float, uncalibrated, not probabilities. target: (N,) int, -1 = unknown (left out).
    Result is in [exp(-4), exp(4)]; 1.0 means no change. Where every row is right by its largest logit no minimum
    exists (the likelihood grows as T falls to 0) and the result is 1.0: no change.
    Raises CalibrationError if fewer than MIN_SPECIMENS rows or one class only remain, or on NaN.
    Source: Guo et al. 2017, section 4.2.
    """
    from scipy.optimize import minimize_scalar

    table, truth = _fitting_rows(logits, target)
    if _all_right(table, truth):
        return 1.0
    found = minimize_scalar(
        lambda log_t: _mean_nll(table / np.exp(log_t), truth),
        bounds=LOG_TEMPERATURE_BOUNDS,
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(np.exp(found.x))


def fit_temperature_bias(logits: ArrayLike, target: ArrayLike, shrinkage: float = 1.0) -> HeadMap:
    """Return temperature and class bias that minimise sum of NLL + shrinkage / 2 * |bias|^2.

    For training that was class-balanced, weighted or logit-adjusted, or where priors move: there a temperature alone
    leaves an excess NLL of .25 that the bias brings to .07. shrinkage 1.0 is a unit Gaussian prior per class.
    No change where every row is right by its largest logit, as fit_temperature.
    Raises CalibrationError as fit_temperature. Source: Alexandari et al. 2020, section 4 (bias-corrected scaling).
    """
    from scipy.optimize import minimize

    table, truth = _fitting_rows(logits, target)
    rows, n_classes = np.arange(len(truth)), table.shape[1]
    if _all_right(table, truth):
        return HeadMap(1.0, (0.0,) * n_classes)
    counts = np.bincount(truth, minlength=n_classes)

    def loss(x: Floats) -> tuple[float, Floats]:
        log_p = log_softmax(table * x[0] + x[1:])
        p = np.exp(log_p)
        slope = float((p * table).sum() - table[rows, truth].sum())
        grad = np.r_[slope, p.sum(axis=0) - counts + shrinkage * x[1:]]
        return float(-log_p[rows, truth].sum() + shrinkage / 2 * x[1:] @ x[1:]) / len(rows), grad / len(rows)

    inverse_t = 1 / fit_temperature(table, truth)
    low, high = np.exp(-LOG_TEMPERATURE_BOUNDS[1]), np.exp(-LOG_TEMPERATURE_BOUNDS[0])
    found = minimize(
        loss,
        np.r_[inverse_t, np.zeros(n_classes)],
        jac=True,
        method="L-BFGS-B",
        bounds=[(low, high)] + [(None, None)] * n_classes,
        options={"maxiter": 2000, "ftol": 1e-15, "gtol": 1e-9},
    )
    return HeadMap(float(1 / found.x[0]), tuple(float(b) for b in found.x[1:]))


def fit_head(logits: ArrayLike, target: ArrayLike, balanced_training: bool, folds: int = 5, seed: int = 0) -> HeadMap:
    """Return the calibration map of one head, chosen on these (val) rows: temperature, or temperature and bias.

    The bias is tried only after balanced training and kept only if its cross-validated NLL is lower.
    """
    plain = HeadMap(fit_temperature(logits, target))
    if not balanced_training:
        return plain
    table, truth = _fitting_rows(logits, target)
    fold = np.random.default_rng(seed).permutation(len(truth)) % folds
    total = np.zeros(2)
    try:
        for f in range(folds):
            rest, held = fold != f, fold == f
            maps = HeadMap(fit_temperature(table[rest], truth[rest])), fit_temperature_bias(table[rest], truth[rest])
            for i, fitted in enumerate(maps):
                shift = np.zeros(table.shape[1]) if fitted.bias is None else np.asarray(fitted.bias)
                total[i] += held.sum() * _mean_nll(table[held] / fitted.temperature + shift, truth[held])
    except CalibrationError:  # a fold too small to fit says that there is not enough to choose from
        return plain
    return fit_temperature_bias(table, truth) if total[1] < total[0] else plain


def fit_joint(confidences: ArrayLike, correct: ArrayLike, ridge: float = 1.0) -> JointMap:
    """Return the map from the confidences of the parts to P(all parts right).

    confidences: (N, H) in 0..1, NaN where a part does not apply. correct: (N,) bool, all that is said is right.
    H + 1 parameters; weights are held >= 0 and shrunk towards 1 (the product of odds) by ridge / 2 * |w - 1|^2;
    outcomes are softened as Platt (1999, section 2.2) so that an all-right calibration set stays finite.
    Raises CalibrationError on fewer than MIN_SPECIMENS rows, or where no weight is above 0 (the confidences do not
    order right before wrong).
    """
    from scipy.optimize import minimize

    parts = part_logits(confidences)
    right = as_bools(correct, "correct", CalibrationError)
    n = same_length(CalibrationError, confidences=parts, correct=right)
    if n < MIN_SPECIMENS:
        raise CalibrationError(f"{n} specimens; expected at least {MIN_SPECIMENS} to fit the joint confidence.")
    applies = ~np.isnan(parts)
    centres = np.where(applies, parts, 0.0).sum(axis=0) / np.maximum(applies.sum(axis=0), 1)
    offsets = np.where(applies, parts - centres, 0.0)
    n_right = int(right.sum())
    wanted = np.where(right, (n_right + 1) / (n_right + 2), 1 / (n - n_right + 2))

    def loss(x: Floats) -> tuple[float, Floats]:
        z = x[0] + offsets @ x[1:]
        value = np.logaddexp(0, z).sum() - wanted @ z + ridge / 2 * ((x[1:] - 1) ** 2).sum()
        gap = 1 / (1 + np.exp(-z)) - wanted
        return float(value) / n, np.r_[gap.sum(), gap @ offsets + ridge * (x[1:] - 1)] / n

    bounds = [(None, None)] + [(0.0, None)] * parts.shape[1]
    start = np.r_[0.0, np.ones(parts.shape[1])]
    found = minimize(
        loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 2000, "ftol": 1e-15, "gtol": 1e-9}
    )
    if not np.any(found.x[1:] > 0):
        raise CalibrationError("joint confidence: no part orders right answers before wrong ones; check the scores.")
    weights = tuple(float(w) for w in found.x[1:])
    return JointMap(weights, float(found.x[0]), tuple(float(c) for c in centres))
