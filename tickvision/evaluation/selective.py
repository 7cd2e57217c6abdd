"""Risk against coverage: what answering only the confident cases buys.

confidence (N,) high = sure; wrong (N,) bool. Rows of equal confidence cannot be told apart by any threshold, so a tie
group is accepted whole: each of its rows sees the coverage and the errors at the end of the group.
Empty input gives nan ("no data"); bad input raises MetricError.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import MetricError
from tickvision.evaluation.checks import Floats, Ints, as_bools, as_floats, same_length


class Curve(NamedTuple):
    """Accepted rows, errors and confidence at the end of each tie group, from the most confident on."""

    accepted: Ints
    errors: Ints
    confidence: Floats


def risk_coverage(confidence: ArrayLike, wrong: ArrayLike) -> Curve:
    """Return accepted counts, errors among them and the confidence, one entry per tie group."""
    values, is_wrong = as_floats(confidence, "confidence"), as_bools(wrong, "wrong")
    same_length(confidence=values, wrong=is_wrong)
    order = np.argsort(-values, kind="stable")
    ranked = values[order]
    ends = np.flatnonzero(np.r_[ranked[1:] != ranked[:-1], True]) if ranked.size else np.zeros(0, dtype=np.int64)
    errors = np.cumsum(is_wrong[order], dtype=np.int64)[ends]
    return Curve((ends + 1).astype(np.int64), errors, ranked[ends])


def _per_row(curve: Curve) -> tuple[Floats, Floats, int]:
    """Return (accepted, errors) seen by each of the n rows in rank order, and n."""
    sizes = np.diff(curve.accepted, prepend=0)
    n = int(curve.accepted[-1]) if len(curve.accepted) else 0
    return (
        np.repeat(curve.accepted.astype(np.float64), sizes),
        np.repeat(curve.errors.astype(np.float64), sizes),
        n,
    )


def aurc(confidence: ArrayLike, wrong: ArrayLike) -> float:
    """Return the area under the risk-coverage curve, (1/n) sum_k (errors in top k) / k, 0..1; nan = no data.

    Over-weights the few most confident rows; augrc does not. Source: Geifman et al. 2019, equation 3.
    """
    accepted, errors, n = _per_row(risk_coverage(confidence, wrong))
    return float(np.mean(errors / accepted)) if n else float("nan")


def e_aurc(confidence: ArrayLike, wrong: ArrayLike) -> float:
    """Return aurc minus that of the best possible ordering with as many errors; nan = no data.

    Source: Geifman et al. 2019, equation 4.
    """
    value = aurc(confidence, wrong)
    if np.isnan(value):
        return value
    is_wrong = as_bools(wrong, "wrong")
    k = np.arange(1, len(is_wrong) + 1)
    best = np.maximum(k - (len(is_wrong) - int(is_wrong.sum())), 0) / k
    return value - float(best.mean())


def augrc(confidence: ArrayLike, wrong: ArrayLike) -> float:
    """Return the area under the generalised risk curve, (1/n) sum_k (errors in top k) / n, 0..1; nan = no data.

    Without ties this is (1 - AUROC_f) acc (1 - acc) + (1 - acc)^2 / 2, up to (1 - acc) / 2n.
    Source: Traub et al. 2024, equation 6.
    """
    _, errors, n = _per_row(risk_coverage(confidence, wrong))
    return float(np.mean(errors) / n) if n else float("nan")


def risk_at_coverage(confidence: ArrayLike, wrong: ArrayLike, coverage: float) -> float:
    """Return the error among the accepted when at least this share of rows is answered, 0..1; nan = no data.

    coverage: in (0, 1]. The accepted are the ceil(coverage n) most confident rows and those tied with the last.
    """
    if not 0 < coverage <= 1:
        raise MetricError(f"coverage: found {coverage}; expected more than 0 and at most 1.")
    curve = risk_coverage(confidence, wrong)
    if len(curve.accepted) == 0:
        return float("nan")
    # 1e-9: 0.07 * 100 is 7.000000000000001 and must ask for 7 rows, not 8.
    asked = max(int(np.ceil(coverage * curve.accepted[-1] - 1e-9)), 1)
    place = int(np.searchsorted(curve.accepted, asked, side="left"))
    return float(curve.errors[place] / curve.accepted[place])


def coverage_at_risk(confidence: ArrayLike, wrong: ArrayLike, risk: float) -> float:
    """Return the largest share of rows that can be answered with an observed error of at most risk; nan = no data.

    risk: in [0, 1]. 0.0 where no cut reaches it. Descriptive only: picking a threshold this way breaks its
    promise in about half of all calibrations; use abstention.certify.
    """
    if not 0 <= risk <= 1:
        raise MetricError(f"risk: found {risk}; expected 0 to 1.")
    curve = risk_coverage(confidence, wrong)
    if len(curve.accepted) == 0:
        return float("nan")
    fine = np.flatnonzero(curve.errors <= risk * curve.accepted + 1e-9)
    return float(curve.accepted[fine[-1]] / curve.accepted[-1]) if len(fine) else 0.0
