"""Limits of picture quality, learnt from what hurts on val: no limit is set where nothing shows that it helps."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import as_bools, as_floats, same_length
from tickvision.evaluation.promises import QualityLimit, Side

__all__ = ["QualityLimit", "fit_quality_limit"]


def fit_quality_limit(
    measure: str,
    values: ArrayLike,
    correct: ArrayLike,
    side: Side = "low",
    shares: tuple[float, ...] = (0.01, 0.02, 0.05, 0.10),
    level: float = 0.05,
) -> QualityLimit:
    """Return the limit that cuts off the largest share of val specimens whose error is at least twice that of the rest.

    values: (N,) sharpness, brightness, size_px ...; side "low": small is bad. correct: (N,) bool.
    Each share is tested by Fisher's exact test (one-sided), corrected for the number of shares (Bonferroni), so about
    level of harmless measures get a limit by chance, and that costs at most the largest share.
    """
    from scipy.stats import fisher_exact

    numbers = as_floats(values, measure, error=CalibrationError)
    wrong = ~as_bools(correct, "correct", CalibrationError)
    n = same_length(CalibrationError, values=numbers, correct=wrong)
    badness = -numbers if side == "low" else numbers
    best = QualityLimit(measure, side, None, 0, float("nan"), float(wrong.mean()) if n else float("nan"), 1.0)
    for share in sorted(shares):
        if int(share * n) < 1:
            continue
        edge = np.sort(badness)[::-1][int(share * n)]
        beyond = badness > edge
        k, m = int(beyond.sum()), int((~beyond).sum())
        bad, rest = int(wrong[beyond].sum()), int(wrong[~beyond].sum())
        if k == 0 or bad * m < 2 * rest * k:
            continue
        p = len(shares) * float(
            fisher_exact(np.array([[bad, k - bad], [rest, m - rest]]), alternative="greater").pvalue
        )
        if p <= level:
            limit = float(-edge if side == "low" else edge)
            best = QualityLimit(measure, side, limit, k, bad / k, rest / m, p)
    return best
