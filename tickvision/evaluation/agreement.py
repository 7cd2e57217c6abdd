"""How far people agree with each other, and the model as one of them.

Kappa falls under skew even where people agree, so raw and per-class agreement stand beside it. Agreement bounds what
can be promised: with 2 % wrong labels a target of 2 % cannot be certified.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tickvision.errors import MetricError
from tickvision.evaluation.checks import UNKNOWN, Floats, Ints, as_ints, known_labels, same_length
from tickvision.evaluation.intervals import MIN_SPECIMENS, percentiles, specimen_bootstrap
from tickvision.evaluation.metrics import cohen_kappa


class PublishedShare(NamedTuple):
    """A published share right, its 95 % interval, what was measured, and where."""

    share: float
    low: float
    high: float
    measured: str
    source: str


EXPERTS_FROM_PHOTOGRAPHS = PublishedShare(
    0.967,
    0.952,
    0.978,
    "experts naming submitted photographs to species, against microscopy and molecular naming",
    "Kopsco, Xu, Luo, Lee & Mather 2020, Journal of Medical Entomology 57(6):1955-1963",
)


class Estimate(NamedTuple):
    """A number with its specimen-bootstrap interval and the number of specimens; nan = no data."""

    value: float
    low: float
    high: float
    n: int


def _both_named(first: ArrayLike, second: ArrayLike, n_classes: int) -> tuple[Ints, Ints]:
    a, b = as_ints(first, "first"), as_ints(second, "second")
    same_length(first=a, second=b)
    both = (a != UNKNOWN) & (b != UNKNOWN)
    return known_labels(a[both], b[both], n_classes)


def raw_agreement(first: ArrayLike, second: ArrayLike, n_classes: int) -> float:
    """Return the share of specimens that both named alike, 0..1; (N,) each, -1 = not named, left out; nan = no data."""
    a, b = _both_named(first, second, n_classes)
    return float(np.mean(a == b)) if a.size else float("nan")


def class_agreement(first: ArrayLike, second: ArrayLike, n_classes: int) -> Floats:
    """Return per class 2 n_kk / (n_k. + n_.k): given that one says k, how often the other does; nan = no data.

    Source: Fleiss, Levin & Paik 2003, section 18.1 (specific agreement); equals the F1 of class k.
    """
    a, b = _both_named(first, second, n_classes)
    named = np.bincount(a, minlength=n_classes) + np.bincount(b, minlength=n_classes)
    alike = np.bincount(a[a == b], minlength=n_classes)
    return np.asarray(np.divide(2.0 * alike, named, out=np.full(n_classes, np.nan), where=named > 0))


def cohen(first: ArrayLike, second: ArrayLike, n_classes: int) -> float:
    """Return Cohen's kappa of two raters, (N,) each, over the specimens that both named; nan = no data.

    Raises MetricError where both name one and the same class only. Source: Cohen 1960, equation 1.
    """
    a, b = _both_named(first, second, n_classes)
    return cohen_kappa(a, b, n_classes)


def cohen_estimate(first: ArrayLike, second: ArrayLike, n_classes: int, reps: int = 2000, seed: int = 0) -> Estimate:
    """Return Cohen's kappa with its specimen-bootstrap interval, one row a specimen; the fast path of with_interval.

    Specimens that were named alike are drawn together (multinomial), which is the same distribution.
    Raises MetricError where both name one and the same class only.
    """
    a, b = _both_named(first, second, n_classes)
    value, n = cohen_kappa(a, b, n_classes), len(a)
    if n < MIN_SPECIMENS:
        return Estimate(value, float("nan"), float("nan"), n)
    kinds, counts = np.unique(a * n_classes + b, return_counts=True)
    drawn = np.random.default_rng(seed).multinomial(n, counts / n, size=reps) / n
    of_a, of_b = (k[:, None] == np.arange(n_classes) for k in np.divmod(kinds, n_classes))
    by_chance = ((drawn @ of_a) * (drawn @ of_b)).sum(axis=1)
    alike = drawn[:, kinds // n_classes == kinds % n_classes].sum(axis=1)
    draws = np.divide(alike - by_chance, 1 - by_chance, out=np.full(reps, np.nan), where=by_chance < 1)
    return Estimate(value, *percentiles(draws), n)


def krippendorff(ratings: ArrayLike, n_classes: int) -> float:
    """Return Krippendorff's alpha for nominal data, at most 1; nan = no specimen with two ratings.

    ratings: (R, N) int, rows = raters, columns = specimens, -1 = not rated (any number may be missing).
    Raises MetricError where all paired ratings are of one class (alpha is undefined).
    Source: Krippendorff 2011 (Computing Krippendorff's alpha-reliability), section C.
    """
    table = np.asarray(ratings)
    if table.ndim != 2:
        raise MetricError(f"ratings: found shape {table.shape}; expected (raters, specimens).")
    flat = as_ints(table.reshape(-1), "ratings")
    if flat.size and (flat.min() < UNKNOWN or flat.max() >= n_classes):
        raise MetricError(f"ratings: found {flat.min()} to {flat.max()}; expected -1 to {n_classes - 1}.")
    column = np.broadcast_to(np.arange(table.shape[1]), table.shape).reshape(-1)
    rated = flat != UNKNOWN
    counts = np.bincount(column[rated] * n_classes + flat[rated], minlength=table.shape[1] * n_classes)
    per_unit = counts.reshape(table.shape[1], n_classes).astype(np.float64)
    raters = per_unit.sum(axis=1)
    per_unit, raters = per_unit[raters >= 2], raters[raters >= 2]
    if len(raters) == 0:
        return float("nan")
    agree = float((per_unit * (per_unit - 1) / (raters - 1)[:, None]).sum())
    totals, n = per_unit.sum(axis=0), raters.sum()
    by_chance = float((totals * (totals - 1)).sum() / (n - 1))
    if by_chance >= n:
        raise MetricError("krippendorff: all ratings are of one class; alpha is undefined. Show 'no data'.")
    return float(1 - (n - agree) / (n - by_chance))


def with_interval(
    statistic: Callable[..., float],
    specimen: ArrayLike,
    *ratings: ArrayLike,
    n_classes: int,
    reps: int = 2000,
    seed: int = 0,
) -> Estimate:
    """Return raw_agreement, cohen or krippendorff with its specimen-bootstrap interval.

    ratings: one (N,) array per rater. statistic krippendorff gets them stacked, the others as two arguments.
    """

    def value(*columns: NDArray[np.int64]) -> float:
        if statistic is krippendorff:
            return krippendorff(np.stack(columns), n_classes)
        return statistic(*columns, n_classes)

    low, high = specimen_bootstrap(value, specimen, *ratings, reps=reps, seed=seed)
    n = len(np.unique(np.asarray(specimen)))
    return Estimate(value(*(np.asarray(r) for r in ratings)), low, high, n)
