"""Thresholds that carry a promise, certified on calibration specimens, one row per specimen.

"With probability at least 1 - failure_rate over the calibration draw, at most max_error of the answers are wrong":
Learn-then-Test with a fixed sequence of ranks and exact binomial p-values. The order and the start depend on the
confidences alone, never on errors; the walk goes from strict to lax and stops at the first cut that fails.
Sources: Angelopoulos, Bates, Candes, Jordan & Lei 2021 (Learn then Test), section 3; Bauer 1991 (fixed sequence).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import Bools, Floats, Ints, as_bools, as_floats, same_length
from tickvision.evaluation.intervals import clopper_pearson_upper
from tickvision.evaluation.per_class import ClassView, CostlyMisses, costly_misses, per_class_view
from tickvision.evaluation.probabilities import combine
from tickvision.evaluation.promises import Certificate
from tickvision.evaluation.selective import Curve, risk_coverage
from tickvision.evaluation.shortlist import Shortlist, conformal_quantile, fit_shortlist

__all__ = [
    "Certificate",
    "ClassView",
    "CostlyMisses",
    "Guard",
    "Shortlist",
    "certify",
    "certify_classes",
    "certify_ladder",
    "certify_targets",
    "combine",
    "conformal_quantile",
    "costly_misses",
    "fit_shortlist",
    "n_min",
    "per_class_view",
    "start_rank",
]


# Sizes tried when asked how many more specimens a promise takes: 2.3 % steps up to 1,000 times as many.
_GROWTH = np.geomspace(1.005, 1000, 300)


def n_min(errors: int, max_error: float, failure_rate: float) -> int:
    """Return the least number of answered specimens at which this many errors still pass, P(Bin(z, a) <= k) <= d.

    errors: >= 0. At a failure rate of .05 and no error: 299 for 1 %, 149 for 2 %, 59 for 5 %, 29 for 10 %.
    """
    _check_target(max_error, failure_rate)
    if errors < 0:
        raise CalibrationError(f"errors: found {errors}; expected 0 or more.")
    return _least_passing(int(errors), float(max_error), float(failure_rate))


@lru_cache(maxsize=1024)
def _least_passing(errors: int, max_error: float, failure_rate: float) -> int:
    from scipy.special import bdtr

    low, high = errors, max(2 * errors, 2)
    while bdtr(errors, high, max_error) > failure_rate:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if bdtr(errors, middle, max_error) > failure_rate else (low, middle)
    return high


def start_rank(n: int, max_error: float, failure_rate: float) -> int | None:
    """Return the rank at which the walk starts, or None where n specimens can promise nothing.

    max(n_min(2), n // 4), or n_min(0) where n is smaller than n_min(2). The start decides power, not validity: from the
    strictest cut on, the first early error ends the walk (answered .16 against .51 at n = 3,000).
    """
    two = n_min(2, max_error, failure_rate)
    if n >= two:
        return max(two, n // 4)
    none = n_min(0, max_error, failure_rate)
    return none if n >= none else None


def _check_target(max_error: float, failure_rate: float) -> None:
    if not 0 < max_error < 1:
        raise CalibrationError(f"max_error: found {max_error}; expected a share between 0 and 1, as 0.05.")
    if not 0 < failure_rate < 1:
        raise CalibrationError(f"failure_rate: found {failure_rate}; expected a share between 0 and 1, as 0.05.")


class _Walk(NamedTuple):
    """A certificate and the confidence of the tie group that stopped the walk (nan where none did)."""

    certificate: Certificate
    stopped_at: float


class Guard(NamedTuple):
    """A second promise on the same threshold: of the exposed answers at most max_missed are missed. Both (N,) bool.

    For costly misses: exposed = something unlisted is named, missed = the specimen is truly listed.
    """

    exposed: Bools
    missed: Bools
    max_missed: float


def _guard_counts(confidence: Floats, guard: Guard, cuts: Floats) -> tuple[Ints, Ints]:
    """Return (exposed, missed) among the answers at or above each cut."""
    order = np.argsort(-confidence, kind="stable")
    accepted = np.searchsorted(-confidence[order], -cuts, side="right")
    exposed = np.cumsum(guard.exposed[order], dtype=np.int64)[accepted - 1]
    return exposed, np.cumsum((guard.exposed & guard.missed)[order], dtype=np.int64)[accepted - 1]


def _guard_fails(exposed: Ints, missed: Ints, max_missed: float, failure_rate: float) -> Bools:
    """Return for each cut whether the guard's own p-value is above failure_rate, as it is where nothing is exposed."""
    from scipy.special import bdtr

    fails = (bdtr(missed, np.maximum(exposed, 1), max_missed) > failure_rate) | (exposed == 0)
    return np.asarray(fails, dtype=np.bool_)


def _walk(
    confidence: Floats, correct: Bools, max_error: float, failure_rate: float, guard: Guard | None = None
) -> _Walk:
    """Walk the tie groups from the start rank on; n >= 1.

    With a guard a cut passes if both p-values do (intersection-union, Berger 1982): no failure rate is spent twice.
    """
    from scipy.special import bdtr

    n = len(confidence)
    start = start_rank(n, max_error, failure_rate)
    curve = risk_coverage(confidence, ~correct)
    if start is None:
        return _Walk(_refusal(curve, None, n, max_error, failure_rate), float("nan"))
    first = int(np.searchsorted(curve.accepted, start, side="left"))
    accepted, errors = curve.accepted[first:], curve.errors[first:]
    # While no error is added the p-value only falls, so only the start and cuts with a new error can fail.
    new = np.flatnonzero(np.r_[True, errors[1:] != errors[:-1]])
    failed = new[bdtr(errors[new], accepted[new], max_error) > failure_rate]
    if guard is not None:
        seen = _guard_counts(confidence, guard, curve.confidence)
        unsafe = np.flatnonzero(_guard_fails(*seen, guard.max_missed, failure_rate)[first:])
        if 0 in unsafe and 0 not in failed:
            refused = _guard_refusal(curve, first, n, max_error, failure_rate, guard, seen)
            return _Walk(refused, float(curve.confidence[first]))
        failed = np.union1d(failed, unsafe)
    stop = int(failed[0]) if len(failed) else len(accepted)
    stopped_at = float(curve.confidence[first + stop]) if len(failed) else float("nan")
    if stop == 0:
        return _Walk(_refusal(curve, first, n, max_error, failure_rate), stopped_at)
    z, k = int(accepted[stop - 1]), int(errors[stop - 1])
    bound = clopper_pearson_upper(k, z, 1 - failure_rate)
    threshold = float(curve.confidence[first + stop - 1])
    reason = f"certified: {k:,} errors among {z:,} answered of {n:,} specimens."
    return _Walk(Certificate(threshold, n, z, k, 0, reason, bound, max_error, failure_rate), stopped_at)


def _refusal(curve: Curve, first: int | None, n: int, max_error: float, failure_rate: float) -> Certificate:
    """Return the certificate that promises nothing: why, the best bound, and how many specimens more.

    first: place of the start cut in the curve, None where n is below any start.
    """
    bound = _best_bound(curve.accepted[first:], curve.errors[first:], failure_rate)
    if first is None:
        least = n_min(0, max_error, failure_rate)
        reason = f"{n:,} specimens; {least:,} answered without an error are the least for any promise of this target."
        return Certificate(None, n, 0, 0, least - n, reason, bound, max_error, failure_rate)
    z, k = int(curve.accepted[first]), int(curve.errors[first])
    reason = f"{k:,} errors among the {z:,} most confident of {n:,} specimens, too many for a promise; "
    needed = _further(curve, n, max_error, failure_rate)
    more_helps = needed is not None
    if needed is None:
        needed = n_min(k, max_error, failure_rate) - z
        reason += (
            "the error share there is not below the target, so more specimens alone will not help "
            f"({needed:,} more answered without an error would)."
        )
    else:
        reason += f"at these error shares about {needed:,} more specimens would do."
    return Certificate(None, n, 0, 0, needed, reason, bound, max_error, failure_rate, more_helps)


def _guard_refusal(
    curve: Curve, first: int, n: int, max_error: float, failure_rate: float, guard: Guard, seen: tuple[Ints, Ints]
) -> Certificate:
    """Return the certificate refused for its guard alone. seen: (exposed, missed) at each cut of the curve."""
    from scipy.special import bdtr

    exposed, missed = seen
    total, start, place = _grown(curve, n, max_error, failure_rate)
    then = start * exposed[place] // curve.accepted[place]
    hidden = np.ceil(then * missed[place] / np.maximum(exposed[place], 1))
    enough = (then > 0) & (bdtr(hidden, np.maximum(then, 1), guard.max_missed) <= failure_rate)
    reason = (
        f"{missed[first]:,} costly misses among {exposed[first]:,} named as something else, of the "
        f"{curve.accepted[first]:,} most confident of {n:,} specimens: too many, or too few so named, for the promise "
        f"of at most {guard.max_missed:.3g} costly misses; "
    )
    if enough.any():
        needed = max(int(total[np.argmax(enough)]) - n, 1)
        reason += f"at these shares about {needed:,} more specimens would do."
    else:
        needed = n_min(int(missed[first]), guard.max_missed, failure_rate) - int(exposed[first])
        reason += f"more specimens alone will not help ({needed:,} more so named without a miss would)."
    bound = _best_bound(curve.accepted[first:], curve.errors[first:], failure_rate)
    return Certificate(None, n, 0, 0, needed, reason, bound, max_error, failure_rate, bool(enough.any()))


def _grown(curve: Curve, n: int, max_error: float, failure_rate: float) -> tuple[Ints, Ints, Ints]:
    """Return (sizes n may grow to, where the walk would start in each, the cut of this curve that answers as much)."""
    total = np.ceil(n * _GROWTH).astype(np.int64)
    least, two = n_min(0, max_error, failure_rate), n_min(2, max_error, failure_rate)
    start = np.where(total >= two, np.maximum(two, total // 4), least)
    return total, start, np.searchsorted(curve.accepted, np.ceil(start / total * n - 1e-9), side="left")


def _further(curve: Curve, n: int, max_error: float, failure_rate: float) -> int | None:
    """Return how many more specimens of the same error share at each answered share would pass the start, or None.

    None: not even 1,000 times as many would.
    """
    from scipy.special import bdtr

    total, start, place = _grown(curve, n, max_error, failure_rate)
    share = curve.errors[place] / curve.accepted[place]
    enough = (share < max_error) & (bdtr(np.ceil(share * start), start, max_error) <= failure_rate)
    return max(int(total[np.argmax(enough)]) - n, 1) if enough.any() else None


def _best_bound(accepted: Ints, errors: Ints, failure_rate: float) -> float:
    """Return the lowest one-sided bound over the cuts (one at least); searched just before at most 2,000 new errors."""
    from scipy.special import betaincinv

    last = np.flatnonzero(np.r_[errors[1:] != errors[:-1], True])
    if len(last) > 2000:
        last = last[np.unique(np.geomspace(1, len(last), 2000).astype(np.int64)) - 1]
    k, z = errors[last].astype(np.float64), accepted[last].astype(np.float64)
    open_ended = k < z
    bounds = betaincinv(k[open_ended] + 1, z[open_ended] - k[open_ended], 1 - failure_rate)
    return float(bounds.min()) if len(bounds) else 1.0


def certify(confidence: ArrayLike, correct: ArrayLike, max_error: float, failure_rate: float) -> Certificate:
    """Return the certified threshold, or a refusal with its reason.

    confidence: (N,) one per specimen (combine photos first), high = sure; any score will do. correct: (N,) bool; what
    the label leaves open counts as False. Equal confidences are accepted together.
    The promise covers specimens drawn like these: not new regions, cameras, unlisted taxa, nor re-weighted scores.
    Raises CalibrationError on no rows, NaN, infinity, or lengths that differ.
    """
    _check_target(max_error, failure_rate)
    scores = as_floats(confidence, "confidence", error=CalibrationError)
    right = as_bools(correct, "correct", CalibrationError)
    if same_length(CalibrationError, confidence=scores, correct=right) == 0:
        raise CalibrationError("confidence: the calibration set is empty; expected one row per specimen.")
    return _walk(scores, right, max_error, failure_rate).certificate


def certify_targets(
    confidence: ArrayLike,
    correct: ArrayLike,
    targets: Sequence[float] = (0.02, 0.05, 0.10),
    failure_rate: float = 0.05,
) -> list[Certificate]:
    """Return one certificate per target, each at failure_rate / number of targets.

    So one may pick among them afterwards; picking among targets tested at the full rate fails up to that many times as
    often.
    """
    return [certify(confidence, correct, target, failure_rate / len(targets)) for target in targets]


def certify_classes(
    confidence: ArrayLike, correct: ArrayLike, predicted: ArrayLike, max_error: float, failure_rate: float
) -> dict[int, Certificate]:
    """Return one certificate per predicted class on its own specimens, at failure_rate / number of classes predicted.

    The statement holds for all of them at once (Mondrian; Vovk 2003). Most rare classes are refused: name their genus.
    """
    named = np.asarray(predicted)
    scores, right = np.asarray(confidence), np.asarray(correct)
    same_length(CalibrationError, confidence=scores, correct=right, predicted=named)
    classes = np.unique(named)
    each = failure_rate / max(len(classes), 1)
    return {int(c): certify(scores[named == c], right[named == c], max_error, each) for c in classes}


def certify_ladder(
    confidence: ArrayLike,
    correct: ArrayLike,
    available: ArrayLike,
    max_error: ArrayLike,
    failure_rate: float,
    guards: Sequence[Guard | None] | None = None,
) -> list[Certificate]:
    """Return one certificate per rung, from the most to the least specific, each on what the rungs above left.

    confidence, correct, available: (N, R), rows = specimens. correct is False where the label leaves the rung open.
    available is False where the rung offers no answer for the specimen (a cap, no sex). max_error: (R,) or one number.
    failure_rate: in total, shared equally by the rungs offered to at least one specimen; the first that answers stops.
    guards: per rung a second promise that its threshold must keep as well, None = no guard.
    The tie group that stopped a walk is left out below: its label has been looked at, while labels below the stop have
    not (the stop is a stopping time): they remain a fair sample.
    Where a rung is refused all rows go on; with nested rungs (wrong at genus is wrong at species) a refusal makes a
    false promise below less likely, not more (Harris 1960).
    """
    scores = np.asarray(confidence, dtype=np.float64)
    right = np.asarray(correct, dtype=np.bool_)
    offered = np.asarray(available, dtype=np.bool_)
    if scores.ndim != 2 or scores.shape != right.shape or scores.shape != offered.shape:
        raise CalibrationError(f"ladder: found shapes {scores.shape}, {right.shape}, {offered.shape}; expected equal.")
    if len(scores) == 0:
        raise CalibrationError("ladder: the calibration set is empty; expected one row per specimen.")
    if not np.isfinite(scores[offered]).all():
        raise CalibrationError("confidence: NaN or infinite where a rung is available; expected finite numbers.")
    targets = np.broadcast_to(np.asarray(max_error, dtype=np.float64), scores.shape[1:])
    each = failure_rate / max(int(offered.any(axis=0).sum()), 1)
    left = np.ones(len(scores), dtype=np.bool_)
    certificates = []
    for r, target in enumerate(targets):
        _check_target(float(target), failure_rate)
        rows = left & offered[:, r]
        if not rows.any():
            certificates.append(_no_specimens(float(target), each))
            continue
        guard = guards[r] if guards is not None else None
        held = None if guard is None else Guard(guard.exposed[rows], guard.missed[rows], guard.max_missed)
        walk = _walk(scores[rows, r], right[rows, r], float(target), each, held)
        certificates.append(walk.certificate)
        if walk.certificate.threshold is not None:
            left &= ~(rows & ((scores[:, r] >= walk.certificate.threshold) | (scores[:, r] == walk.stopped_at)))
    return certificates


def _no_specimens(max_error: float, failure_rate: float) -> Certificate:
    reason = "no calibration specimen reaches this rung."
    needed = n_min(0, max_error, failure_rate)
    return Certificate(None, 0, 0, 0, needed, reason, 1.0, max_error, failure_rate)
