"""Stated confidence beside what came true: bins of equal counts with bands, before and after calibration."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation import metrics
from tickvision.evaluation.calibration_error import corp, ece, ece_null_quantile, top_label
from tickvision.evaluation.evaluate import heads
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.probabilities import HeadMap
from tickvision.evaluation.report_judged import Judged
from tickvision.evaluation.specimens import Specimens

BINS = 10
LEAST_IN_BIN = 8
BAND = 0.90
MIN_ROWS = 20


def reliability(test: Specimens, judged: Judged, policy: Policy, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return bins and errors of each head after calibration and before it, and of the confidence that the ladder uses.

    A head with fewer than 20 specimens of known label has n alone.
    """
    plain = replace(policy, taxon_map=HeadMap(1.0), state_map=HeadMap(1.0))
    plain_cells = plain.cells(test.taxon, test.state)
    before = {name: (probs, target) for name, probs, target, _ in heads(test, plain_cells, taxonomy)}
    found: dict[str, Any] = {}
    for name, probs, target, _ in heads(test, policy.cells(test.taxon, test.state), taxonomy):
        found[name] = _head(probs, target) | {"before": _scores(*before[name])}
    known = judged.truth >= 0
    found["ladder"] = _diagram(judged.confidence[known], judged.right[known])
    return found


def _head(probs: NDArray[np.float64], target: NDArray[np.int64]) -> dict[str, Any]:
    confidence, correct = top_label(probs, target)
    return _diagram(confidence, correct)


def _scores(probs: NDArray[np.float64], target: NDArray[np.int64]) -> dict[str, Any]:
    """Return the scores and the points of a head without its calibration map."""
    if (target >= 0).sum() < MIN_ROWS:
        return {}
    value = metrics.nll(probs, target)
    return {
        "ece": ece(probs, target),
        "brier": metrics.brier(probs, target),
        "nll": value if np.isfinite(value) else None,
        "bins": bins(*top_label(probs, target)),
    }


def _diagram(confidence: NDArray[np.float64], correct: NDArray[np.bool_]) -> dict[str, Any]:
    """Return n, the bins, the Brier score of "right or wrong" and its parts, and the ECE with its null quantile."""
    n = len(confidence)
    if n < MIN_ROWS:
        return {"n": n, "bins": []}
    parts = corp(confidence, correct)
    gap = ece(np.stack([1 - confidence, confidence], 1), correct.astype(int))
    two_sided = np.maximum(confidence, 1 - confidence)
    return {
        "n": n,
        "bins": bins(confidence, correct),
        "binary_ece": gap,
        "binary_ece_null_95": ece_null_quantile(two_sided),
        "binary_brier": parts.score,
        "miscalibration": parts.miscalibration,
        "discrimination": parts.discrimination,
        "uncertainty": parts.uncertainty,
        "band": BAND,
    }


def bins(confidence: NDArray[np.float64], correct: NDArray[np.bool_]) -> list[dict[str, Any]]:
    """Return bins of equal counts: n, right, mean confidence, share right, and the band to expect if calibrated.

    The band holds the share right of 90 % of the sets that a calibrated model with this mean confidence would give
    (Brocker & Smith 2007); binomial, so a little wide where confidences differ within a bin.
    """
    from scipy.stats import binom

    order = np.argsort(confidence, kind="stable")
    n_bins = int(np.clip(len(order) // LEAST_IN_BIN, 1, BINS))
    found = []
    for rows in np.array_split(order, n_bins):
        n, mean = len(rows), float(np.clip(confidence[rows].mean(), 0, 1))
        low, high = (float(binom.ppf(q, n, mean)) / n for q in ((1 - BAND) / 2, (1 + BAND) / 2))
        right = int(correct[rows].sum())
        found.append(
            {
                "n": n,
                "right": right,
                "confidence": mean,
                "share_right": right / n,
                "band": [low, high],
            }
        )
    return found
