"""Does what comes in now look like what came in before? Two permutation tests on the order of arrival."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Statistic = Callable[[Floats, NDArray[np.bool_]], Floats]  # (N, D), (R, N) -> (R,)
FEW = 20  # common practice, no source: with fewer on a side nothing but a landslide would show
PERMUTATIONS = 999
NEWEST = 0.25
MOST = 1_000


@dataclass(frozen=True)
class Drift:
    """The newest quarter against all before it. p: permutation p-value, None = too few to say. size: what was compared.

    A small p says that the stream has changed, not that names are wrong; only audits tell that.
    """

    of: str
    measure: str
    size: float | None
    p: float | None
    before: int
    newest: int


def confidence_drift(values: Sequence[float]) -> Drift:
    """Return the largest gap between the distributions of confidence (Kolmogorov-Smirnov), in order of arrival."""
    x = np.asarray(values, np.float64)[-MOST:]
    return _drift("confidence", "largest gap between the two distributions", x[:, None], _largest_gap)


def embedding_drift(vectors: Sequence[NDArray[np.floating]]) -> Drift:
    """Return the distance of the mean embedding (in pooled standard deviations a dimension), in order of arrival."""
    width = min((len(v) for v in vectors), default=0)
    same = [v for v in vectors if len(v) == width][-MOST:]
    x = np.asarray(same, np.float64).reshape(len(same), width)
    if len(x):
        x = (x - x.mean(0)) / (x.std(0) + 1e-9)
    return _drift("embedding", "mean shift a dimension, in standard deviations", x, _mean_shift)


def _drift(of: str, measure: str, x: Floats, statistic: Statistic) -> Drift:
    newest = int(len(x) * NEWEST)
    before = len(x) - newest
    if min(newest, before) < FEW:
        return Drift(of, measure, None, None, before, newest)
    is_new = np.arange(len(x)) >= before
    rng = np.random.default_rng(0)
    sizes = statistic(x, np.stack([is_new, *(rng.permutation(is_new) for _ in range(PERMUTATIONS))]))
    p = float(np.mean(sizes >= sizes[0] - 1e-12))  # the order that was seen is one of the 1,000
    return Drift(of, measure, float(sizes[0]), p, before, newest)


def _largest_gap(x: Floats, is_new: NDArray[np.bool_]) -> Floats:
    """Return the largest gap for each row of is_new (R, N)."""
    order = np.argsort(x[:, 0], kind="stable")
    new, value = is_new[:, order], x[order, 0]
    n = int(new[0].sum())
    gap = np.abs(np.cumsum(new, axis=1) / n - np.cumsum(~new, axis=1) / (len(x) - n))
    ends = np.append(value[1:] != value[:-1], True)  # ties count together
    return np.asarray(gap[:, ends].max(1))


def _mean_shift(x: Floats, is_new: NDArray[np.bool_]) -> Floats:
    """Return the mean shift for each row of is_new (R, N)."""
    n, total = int(is_new[0].sum()), x.sum(0)
    new = is_new.astype(np.float64) @ x
    return np.asarray(np.sqrt(np.mean((new / n - (total - new) / (len(x) - n)) ** 2, axis=1)))
