"""How far stated confidence lies from what came true: ECE and the numbers that must stand beside it.

A bare ECE misleads: a perfectly calibrated model with 14 % errors scores .101 at n = 50 and .024 at n = 1,000.
Show it with n, ece_null_quantile, debiased_ce2 and a proper score, and never rank two models by it.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import MetricError
from tickvision.evaluation.checks import Bools, Floats, Ints, as_bools, as_floats, known_probs, same_length

Binning = Literal["width", "mass"]


class Decomposition(NamedTuple):
    """score = miscalibration - discrimination + uncertainty, all in Brier units (0..1)."""

    score: float
    miscalibration: float
    discrimination: float
    uncertainty: float


def _bins(confidence: Floats, n_bins: int, binning: str) -> Ints:
    """Return the bin number of each row: (a, b] of equal width, or equal counts of the stable ascending sort."""
    if n_bins < 1:
        raise MetricError(f"n_bins: found {n_bins}; expected at least 1.")
    if binning == "width":
        place = np.searchsorted(np.linspace(0, 1, n_bins + 1), confidence, side="left") - 1
        return np.clip(place, 0, n_bins - 1).astype(np.int64)
    if binning != "mass":
        raise MetricError(f"binning: found '{binning}'; expected 'width' or 'mass'.")
    number = np.empty(len(confidence), dtype=np.int64)
    order = np.argsort(confidence, kind="stable")
    for b, rows in enumerate(np.array_split(order, n_bins)):
        number[rows] = b
    return number


def _binned_gap(confidence: Floats, came_true: Bools, n_bins: int, binning: str) -> float:
    number = _bins(confidence, n_bins, binning)
    gap = np.bincount(number, weights=confidence - came_true, minlength=n_bins)
    return float(np.abs(gap).sum() / len(confidence))


def top_label(probs: ArrayLike, target: ArrayLike) -> tuple[Floats, Bools]:
    """Return (confidence, correct) of the top class for the rows whose target is known."""
    table, truth = known_probs(probs, target)
    if truth.size == 0:
        return np.zeros(0), np.zeros(0, dtype=np.bool_)
    return np.minimum(table.max(axis=1), 1.0), np.argmax(table, axis=1) == truth


def ece(probs: ArrayLike, target: ArrayLike, n_bins: int = 15, binning: Binning = "width") -> float:
    """Return the top-label expected calibration error, 0..1; nan = no data.

    probs: (N, K). target: (N,) int, -1 = unknown. binning: "width" = equal-width bins (a, b], a confidence of 1.0 in
    the last one; "mass" = bins of equal counts of the stable sort (ties may be cut, so row order matters there).
    Source: Naeini et al. 2015, equation 1; Guo et al. 2017, equation 3.
    """
    confidence, correct = top_label(probs, target)
    if confidence.size == 0:
        _bins(confidence, n_bins, binning)
        return float("nan")
    return _binned_gap(confidence, correct, n_bins, binning)


def classwise_ece(probs: ArrayLike, target: ArrayLike, n_bins: int = 15) -> float:
    """Return the mean over all K classes of the one-against-rest ECE (equal width), 0..1; nan = no data.

    Rare classes pull it towards 0, since p_k is near 0 almost everywhere.
    Source: Kull et al. 2019, equation 2.
    """
    table, truth = known_probs(probs, target)
    if truth.size == 0:
        return float("nan")
    gaps = [_binned_gap(np.minimum(table[:, k], 1.0), truth == k, n_bins, "width") for k in range(table.shape[1])]
    return float(np.mean(gaps))


def debiased_ce2(probs: ArrayLike, target: ArrayLike, n_bins: int = 15, binning: Binning = "mass") -> float:
    """Return the debiased squared calibration error of the top label; near 0 or below for a calibrated model.

    sum_b w_b [(acc_b - conf_b)^2 - acc_b (1 - acc_b) / (n_b - 1)]; a bin of one row has no variance estimate and
    keeps its plain square. nan = no data. Source: Brocker 2012, equation 20; Kumar et al. 2019, section 4.2.
    """
    confidence, correct = top_label(probs, target)
    number = _bins(confidence, n_bins, binning)
    if confidence.size == 0:
        return float("nan")
    n = np.bincount(number, minlength=n_bins).astype(np.float64)
    full = n > 0
    n = n[full]
    acc = np.bincount(number, weights=correct.astype(np.float64), minlength=n_bins)[full] / n
    conf = np.bincount(number, weights=confidence, minlength=n_bins)[full] / n
    variance = np.where(n > 1, acc * (1 - acc) / np.maximum(n - 1, 1), 0.0)
    return float(np.sum(n / n.sum() * ((acc - conf) ** 2 - variance)))


def ece_null_quantile(
    confidence: ArrayLike,
    specimen: ArrayLike | None = None,
    n_bins: int = 15,
    level: float = 0.95,
    reps: int = 200,
    seed: int = 0,
) -> float:
    """Return the level quantile of the ECE that a perfectly calibrated model with these confidences would show.

    Outcomes are redrawn as Bernoulli(confidence), reps times. With specimen ids one uniform is drawn per specimen (the
    pessimistic variant: photos of one specimen are right or wrong together). nan = no data.
    """
    stated = as_floats(confidence, "confidence")
    if stated.size == 0:
        return float("nan")
    if stated.min() < 0 or stated.max() > 1:
        raise MetricError("confidence: found values outside 0..1; expected probabilities.")
    group = np.arange(len(stated)) if specimen is None else np.unique(np.asarray(specimen), return_inverse=True)[1]
    same_length(confidence=stated, specimen=group)
    rng = np.random.default_rng(seed)
    number = _bins(stated, n_bins, "width")
    n_groups = int(group.max()) + 1
    drawn = [
        np.abs(np.bincount(number, stated - (rng.random(n_groups)[group] < stated), n_bins)).sum() / len(stated)
        for _ in range(reps)
    ]
    return float(np.quantile(drawn, level))


def _reflected_residual(confidence: Floats, correct: Bools, size: int) -> Floats:
    """Return the cosine coefficients of the residual y - f, spread linearly over size cells of [0, 1]."""
    place = confidence * size - 0.5
    low = np.floor(place)
    share = place - low
    residual = (correct - confidence) / len(confidence)
    cells = np.bincount(np.clip(low, 0, size - 1).astype(np.int64), residual * (1 - share), size)
    cells += np.bincount(np.clip(low + 1, 0, size - 1).astype(np.int64), residual * share, size)
    return np.asarray(cells, dtype=np.float64)


def smooth_ece(confidence: ArrayLike, correct: ArrayLike) -> float:
    """Return the smooth calibration error with a Gaussian kernel reflected at 0 and 1, 0..1; nan = no data.

    The kernel width is the fixed point where the error equals the width, so there is no bin to choose.
    Computed on 2,048 cells: reflection makes the cosine transform exact, error about 1e-3 at widths under .002.
    Source: Blasiok & Nakkiran 2023, definition 5 and theorem 9.
    """
    from scipy.fft import dct, idct

    stated, right = as_floats(confidence, "confidence"), as_bools(correct, "correct")
    if same_length(confidence=stated, correct=right) == 0:
        return float("nan")
    if stated.min() < 0 or stated.max() > 1:
        raise MetricError("confidence: found values outside 0..1; expected probabilities.")
    size = 2048
    waves = dct(_reflected_residual(stated, right, size), type=2, norm="ortho")
    frequency = np.pi * np.arange(size)

    def smoothed(width: float) -> float:
        kernel = np.exp(-0.5 * (frequency * width) ** 2)
        return float(np.abs(idct(waves * kernel, type=2, norm="ortho")).sum())

    low, high = 1e-4, 1.0
    if smoothed(low) <= low:
        return smoothed(low)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if smoothed(middle) > middle else (low, middle)
    return smoothed(high)


def corp(confidence: ArrayLike, correct: ArrayLike) -> Decomposition:
    """Return the CORP decomposition of the binary Brier score: score = MCB - DSC + UNC.

    The recalibrated forecast is the isotonic (PAV) fit on the same rows, so MCB of a calibrated model is above 0 at
    small n: show a bootstrap null beside it. All nan = no data.
    Source: Dimitriadis, Gneiting & Jordan 2021 (PNAS 118), equation 2.
    """
    from scipy.optimize import isotonic_regression

    stated, right = as_floats(confidence, "confidence"), as_bools(correct, "correct")
    if same_length(confidence=stated, correct=right) == 0:
        return Decomposition(float("nan"), float("nan"), float("nan"), float("nan"))
    _, inverse, counts = np.unique(stated, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    means = np.bincount(inverse, weights=right.astype(np.float64)) / counts
    fitted = np.asarray(isotonic_regression(means, weights=counts.astype(np.float64)).x)[inverse]
    score = float(np.mean((stated - right) ** 2))
    recalibrated = float(np.mean((fitted - right) ** 2))
    uncertainty = float(right.mean() * (1 - right.mean()))
    return Decomposition(score, score - recalibrated, uncertainty - recalibrated, uncertainty)
