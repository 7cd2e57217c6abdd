"""A season's audited answers against the promise: an alarm that may be looked at after every audit.

Audit a random sample of the answered specimens. Under the promise (error share at most max_error, whatever came before)
the evidence is a non-negative martingale or smaller, so it ever reaches 1 / false_alarm with probability at most
false_alarm, however long the season and however often one looks.
Sources: Ville 1939; Waudby-Smith & Ramdas 2024 (betting); Robbins 1970 (mixtures).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import Floats, as_bools

# Error shares to bet on, as odds ratios over the promise; a mixture, so that slow and fast decay are both found.
ODDS_RATIOS = (1.5, 2.0, 3.0, 5.0, 10.0, 20.0)


class Alarm(NamedTuple):
    """State of the watch: audited answers, errors, evidence now, its peak, and the audit (1, 2, ...) of the alarm."""

    n: int
    errors: int
    evidence: float
    peak: float
    raised_at: int | None


def evidence_path(wrong: ArrayLike, max_error: float) -> Floats:
    """Return the evidence (N,) against the promise after each audited answer, in the order audited; starts near 1.

    wrong: (N,) bool. The evidence is the mean likelihood ratio of larger error shares q against max_error: a gambler's
    wealth who bets lambda = (q - a) / (a (1 - a)) each time, in equal parts over the q.
    """
    if not 0 < max_error < 1:
        raise CalibrationError(f"max_error: found {max_error}; expected a share between 0 and 1, as 0.05.")
    is_wrong = as_bools(wrong, "wrong", CalibrationError)
    odds = max_error / (1 - max_error) * np.asarray(ODDS_RATIOS)
    shares = odds / (1 + odds)
    errors = np.cumsum(is_wrong)
    rights = np.arange(1, len(is_wrong) + 1) - errors
    log_ratio = errors[:, None] * np.log(shares / max_error) + rights[:, None] * np.log((1 - shares) / (1 - max_error))
    top = log_ratio.max(axis=1, keepdims=True, initial=-np.inf)
    return np.asarray(np.exp(np.minimum(top[:, 0] + np.log(np.exp(log_ratio - top).mean(axis=1)), 700.0)))


def watch(wrong: ArrayLike, max_error: float, false_alarm: float = 0.05) -> Alarm:
    """Return whether and when the audited answers break the promise.

    wrong: (N,) bool in the order of the audits; none: evidence 1. false_alarm: the chance, over a whole season, of an
    alarm although the promise holds.
    """
    if not 0 < false_alarm < 1:
        raise CalibrationError(f"false_alarm: found {false_alarm}; expected a share between 0 and 1, as 0.05.")
    path = evidence_path(wrong, max_error)
    if len(path) == 0:
        return Alarm(0, 0, 1.0, 1.0, None)
    over = np.flatnonzero(path >= 1 / false_alarm)
    errors = int(as_bools(wrong, "wrong").sum())
    return Alarm(len(path), errors, float(path[-1]), float(path.max()), int(over[0]) + 1 if len(over) else None)
