"""The shortlist for a referred specimen: a conformal set of names. numpy only, since prediction forms the sets.

P(truth in the set) >= 1 - alpha over exchangeable specimens. It is not the probability that a set of one name is
right, so a short set is never a reason to answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import UNKNOWN, Bools, as_floats, as_ints, as_probs, same_length


def conformal_quantile(scores: ArrayLike, alpha: float) -> float:
    """Return the ceil((n + 1)(1 - alpha))-th smallest score; inf when that exceeds n (n is too small).

    scores: (N,) finite, high = strange. alpha: in (0, 1). A new exchangeable score is above it with probability at most
    alpha. Source: Vovk et al. 2005; Sadinle et al. 2019. numpy's quantile(1 - alpha) lacks the n + 1 and is too small.
    """
    if not 0 < alpha < 1:
        raise CalibrationError(f"alpha: found {alpha}; expected a share between 0 and 1, as 0.1.")
    values = as_floats(scores, "scores", error=CalibrationError)
    # 1e-9: (n + 1) * (1 - alpha) = 10 * 0.9 may come out as 9.000000000000002 and must ask for the 9th.
    rank = int(np.ceil((len(values) + 1) * (1 - alpha) - 1e-9))
    if rank > len(values):
        return float("inf")
    return float(np.partition(values, rank - 1)[rank - 1]) if rank > 0 else float("-inf")


@dataclass(frozen=True)
class Shortlist:
    """Per class the largest score 1 - p at which it is still listed; inf = listed always, for lack of specimens.

    own: whether the class's quantile comes from its own specimens (else from all). JSON: to_dict, from_dict.
    """

    alpha: float
    quantiles: tuple[float, ...]
    own: tuple[bool, ...]
    counts: tuple[int, ...]

    @property
    def is_unlimited(self) -> tuple[bool, ...]:
        """Return per class whether it is in every set because the specimens are too few."""
        return tuple(bool(np.isinf(q)) for q in self.quantiles)

    def sets(self, probs: ArrayLike) -> Bools:
        """Return (N, K) bool: which names are on the list of each specimen; the top answer always is.

        probs: (N, K) calibrated. Source: LAC, Sadinle, Lei & Wasserman 2019, section 2.
        """
        table = as_probs(probs, CalibrationError)
        if table.shape[1] != len(self.quantiles):
            raise CalibrationError(f"probs: found {table.shape[1]} classes; expected {len(self.quantiles)}.")
        listed = 1 - table <= np.asarray(self.quantiles)
        listed[np.arange(len(table)), np.argmax(table, axis=1)] = True
        return listed

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; an infinite quantile is None, which JSON can hold."""
        return {
            "alpha": self.alpha,
            "quantiles": [None if np.isinf(q) else q for q in self.quantiles],
            "own": list(self.own),
            "counts": list(self.counts),
        }

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Shortlist:
        """Return the shortlist saved by to_dict."""
        quantiles = tuple(float("inf") if q is None else float(q) for q in saved["quantiles"])
        return cls(float(saved["alpha"]), quantiles, tuple(map(bool, saved["own"])), tuple(map(int, saved["counts"])))


def fit_shortlist(probs: ArrayLike, target: ArrayLike, alpha: float = 0.1) -> Shortlist:
    """Return the quantiles of the sets: of the class itself where it has >= ceil(1 / alpha) - 1 specimens, else pooled.

    probs: (N, K) calibrated, one row per specimen (photos taken one by one keep the mean coverage but not its spread).
    target: (N,) int, -1 = unknown (left out). Raises CalibrationError on no labelled rows.
    Source: Vovk 2003 (Mondrian); Ding et al. 2023 (fallback for small classes).
    """
    table, truth = as_probs(probs, CalibrationError), as_ints(target, "target", CalibrationError)
    same_length(CalibrationError, probs=table, target=truth)
    known = truth != UNKNOWN
    table, truth = table[known], truth[known]
    if truth.size == 0:
        raise CalibrationError("target: no labelled specimens; expected at least one to form a shortlist.")
    n_classes = table.shape[1]
    if truth.min() < 0 or truth.max() >= n_classes:
        raise CalibrationError(f"target: found {truth.min()} to {truth.max()}; expected -1 to {n_classes - 1}.")
    scores = 1 - table[np.arange(len(truth)), truth]
    pooled = conformal_quantile(scores, alpha)
    counts = np.bincount(truth, minlength=n_classes)
    own = counts >= int(np.ceil(1 / alpha - 1e-9)) - 1
    quantiles = tuple(conformal_quantile(scores[truth == k], alpha) if own[k] else pooled for k in range(n_classes))
    return Shortlist(alpha, quantiles, tuple(map(bool, own)), tuple(map(int, counts)))
