"""Other seasons and places: how often each taxon is to be expected, and probabilities re-weighted to that.

Any re-weighting voids a certificate: the confidences are no longer those that were certified. Certify again under the
new weights, or use the prior only to show it or to widen shortlists. Never estimate a prior per photo.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import Floats, as_floats, as_probs

# Fewer unlabelled specimens than this do not carry a prior (statistics notes, section 10: common practice).
MIN_UNLABELLED = 200


class PriorEstimate(NamedTuple):
    """Class shares (K,) by EM, their bootstrap intervals (K,) low and high, shares shrunk to the old ones, and n."""

    shares: Floats
    low: Floats
    high: Floats
    shrunk: Floats
    n: int


def _as_prior(prior: ArrayLike, n_classes: int, name: str) -> Floats:
    shares = as_floats(prior, name, error=CalibrationError)
    if shares.shape != (n_classes,):
        raise CalibrationError(f"{name}: found {shares.shape[0]} shares; expected {n_classes}, one per class.")
    if shares.min() < 0 or abs(float(shares.sum()) - 1) > 1e-5:
        raise CalibrationError(f"{name}: found shares that sum to {shares.sum():.6g}; expected 0 or more, sum 1.")
    return shares


def em_prior(probs: ArrayLike, old: ArrayLike, max_steps: int = 1000, tolerance: float = 1e-10) -> Floats:
    """Return the class shares (K,) under which these unlabelled probabilities are most likely.

    probs: (N, K), calibrated with temperature and bias: with a temperature alone the estimate can miss whole classes.
    old: (K,) shares of the calibration set. Source: Saerens, Latinne & Decaestecker 2002, equation 2.9.
    """
    table = as_probs(probs, CalibrationError)
    if len(table) == 0:
        raise CalibrationError("probs: found no specimens; expected unlabelled specimens to estimate shares from.")
    before = _as_prior(old, table.shape[1], "old")
    if before.min() <= 0:
        raise CalibrationError("old: a share is 0; expected shares above 0.")
    return _em(table / before, np.full(len(table), 1 / len(table)), before, max_steps, tolerance)


def _em(ratio: Floats, weights: Floats, start: Floats, max_steps: int, tolerance: float) -> Floats:
    """Iterate q_k <- q_k * sum_i w_i ratio_ik / sum_j q_j ratio_ij."""
    shares = start.copy()
    for _ in range(max_steps):
        updated = shares * ((weights / (ratio @ shares)) @ ratio)
        updated /= updated.sum()
        if np.abs(updated - shares).max() < tolerance:
            return updated
        shares = updated
    return shares


def shrink(new: ArrayLike, old: ArrayLike, n: int, strength: float = 100.0) -> Floats:
    """Return (n * new + strength * old) / (n + strength): the new shares drawn to the old as by strength specimens."""
    after = as_floats(new, "new", error=CalibrationError)
    before = _as_prior(old, len(after), "old")
    return np.asarray((n * after + strength * before) / (n + strength), dtype=np.float64)


def estimate_prior(
    probs: ArrayLike, old: ArrayLike, reps: int = 500, seed: int = 0, level: float = 0.95, strength: float = 100.0
) -> PriorEstimate:
    """Return the class shares of unlabelled specimens with bootstrap intervals, and shrunk towards the old shares.

    probs: (N, K) one row per specimen, calibrated with bias. Raises CalibrationError under 200 specimens.
    The interval covers sampling, not miscalibration.
    """
    table = as_probs(probs, CalibrationError)
    n = len(table)
    if n < MIN_UNLABELLED:
        raise CalibrationError(
            f"{n} unlabelled specimens; expected at least {MIN_UNLABELLED} to estimate class shares."
        )
    before = _as_prior(old, table.shape[1], "old")
    shares = em_prior(table, before)
    rng = np.random.default_rng(seed)
    ratio = table / before
    draws = np.empty((reps, table.shape[1]))
    start = 0.99 * shares + 0.01 * before
    for r in range(reps):
        weights = np.bincount(rng.integers(0, n, n), minlength=n) / n
        draws[r] = _em(ratio, weights, start, 200, 1e-6)
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2], axis=0)
    return PriorEstimate(shares, low, high, shrink(shares, before, n, strength), n)
