"""Two runs on the same specimens: is the difference real, and which specimens changed?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tickvision.errors import MetricError
from tickvision.evaluation.checks import Floats, Ids, as_floats, as_ints, same_length, specimen_index
from tickvision.evaluation.intervals import specimen_bootstrap

Statistic = Callable[..., float]


class Difference(NamedTuple):
    """statistic(run b) - statistic(run a), its paired bootstrap interval and sign-flip p-value."""

    value: float
    low: float
    high: float
    p_value: float


class Changes(NamedTuple):
    """Specimens whose answer changed between two runs, and the exact McNemar p-value of the two counts."""

    right_to_wrong: Ids
    wrong_to_right: Ids
    p_value: float


def mcnemar(b: int, c: int) -> float:
    """Return the exact two-sided p-value of b specimens right only in one run against c right only in the other.

    For one photo per specimen. 1.0 where nothing changed. Source: McNemar 1947; exact binomial form.
    """
    from scipy.stats import binomtest

    if b < 0 or c < 0 or b != int(b) or c != int(c):
        raise MetricError(f"mcnemar: found counts {b} and {c}; expected whole numbers of 0 or more.")
    return float(binomtest(int(b), int(b + c), 0.5).pvalue) if b + c else 1.0


def _arrays(arrays: Sequence[ArrayLike], n: int, name: str) -> list[NDArray[Any]]:
    rows = [np.asarray(a) for a in arrays]
    for a in rows:
        if a.shape[:1] != (n,):
            raise MetricError(f"{name}: found shape {a.shape}; expected {n:,} rows, as specimen has.")
    return rows


def paired_bootstrap(
    statistic: Statistic,
    specimen: ArrayLike,
    shared: Sequence[ArrayLike],
    run_a: Sequence[ArrayLike],
    run_b: Sequence[ArrayLike],
    reps: int = 2000,
    seed: int = 0,
    level: float = 0.95,
) -> tuple[float, float]:
    """Return the interval of statistic(*shared, *run_b) - statistic(*shared, *run_a) on the same drawn specimens.

    shared: arrays both runs have, as the target; run_a, run_b: each run's, as its probs. (nan, nan) under 5 specimens.
    """
    n_shared, n_run = len(shared), len(run_a)

    def gap(*arrays: NDArray[Any]) -> float:
        common, a, b = arrays[:n_shared], arrays[n_shared : n_shared + n_run], arrays[n_shared + n_run :]
        return statistic(*common, *b) - statistic(*common, *a)

    return specimen_bootstrap(gap, specimen, *shared, *run_a, *run_b, reps=reps, seed=seed, level=level)


def sign_flip(
    statistic: Statistic,
    specimen: ArrayLike,
    shared: Sequence[ArrayLike],
    run_a: Sequence[ArrayLike],
    run_b: Sequence[ArrayLike],
    reps: int = 2000,
    seed: int = 0,
) -> float:
    """Return the two-sided permutation p-value of the difference: whole specimens swap their two runs at random.

    (1 + #{|swapped difference| >= |difference|}) / (reps + 1); arguments as paired_bootstrap.
    Exact under "the runs are exchangeable on each specimen". Source: Fisher 1935; Phipson & Smyth 2010 (the + 1).
    """
    number, ids = specimen_index(specimen)
    n = len(number)
    common, a, b = _arrays(shared, n, "shared"), _arrays(run_a, n, "run_a"), _arrays(run_b, n, "run_b")
    if len(a) != len(b):
        raise MetricError(f"runs: found {len(a)} and {len(b)} arrays; expected the same.")
    observed = abs(statistic(*common, *b) - statistic(*common, *a))
    if not np.isfinite(observed):
        raise MetricError(f"difference: found {observed}; expected a finite one (is a true class at p = 0?).")
    rng = np.random.default_rng(seed)
    as_far = 0
    for _ in range(reps):
        swap = (rng.random(len(ids)) < 0.5)[number]
        mixed_a, mixed_b = [], []
        for x, y in zip(a, b, strict=True):
            mask = swap.reshape((n,) + (1,) * (x.ndim - 1))
            mixed_a.append(np.where(mask, y, x))
            mixed_b.append(np.where(mask, x, y))
        as_far += abs(statistic(*common, *mixed_b) - statistic(*common, *mixed_a)) >= observed - 1e-12
    return (1 + int(as_far)) / (reps + 1)


def compare(
    statistic: Statistic,
    specimen: ArrayLike,
    shared: Sequence[ArrayLike],
    run_a: Sequence[ArrayLike],
    run_b: Sequence[ArrayLike],
    reps: int = 2000,
    seed: int = 0,
) -> Difference:
    """Return the difference b - a of any statistic with its paired interval and sign-flip p-value."""
    value = statistic(*shared, *run_b) - statistic(*shared, *run_a)
    low, high = paired_bootstrap(statistic, specimen, shared, run_a, run_b, reps, seed)
    return Difference(float(value), low, high, sign_flip(statistic, specimen, shared, run_a, run_b, reps, seed))


def holm(p_values: ArrayLike) -> Floats:
    """Return the p-values adjusted for testing all of them, in the given order, at most 1. Source: Holm 1979."""
    p = as_floats(p_values, "p_values")
    if p.size and (p.min() < 0 or p.max() > 1):
        raise MetricError("p_values: found values outside 0..1; expected probabilities.")
    order = np.argsort(p, kind="stable")
    raised = np.maximum.accumulate(p[order] * (len(p) - np.arange(len(p))))
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(raised, 1.0)
    return adjusted


def changes(target: ArrayLike, pred_a: ArrayLike, pred_b: ArrayLike, specimen: ArrayLike) -> Changes:
    """Return which specimens run a named right and run b wrong, and the other way round; target -1 is left out.

    One row per specimen; raises MetricError on a repeated id.
    """
    truth, a, b = as_ints(target, "target"), as_ints(pred_a, "pred_a"), as_ints(pred_b, "pred_b")
    number, ids = specimen_index(specimen)
    if same_length(target=truth, pred_a=a, pred_b=b, specimen=number) != len(ids):
        raise MetricError("specimen: found repeated ids; expected one row per specimen (combine photos first).")
    known = truth >= 0
    lost, won = known & (a == truth) & (b != truth), known & (a != truth) & (b == truth)
    return Changes(ids[lost], ids[won], mcnemar(int(lost.sum()), int(won.sum())))
