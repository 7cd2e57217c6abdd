"""What one promise over all answers hides: the single names, and the misses that cost most.

A pooled 2 % can hide 30 % for a rare species, so answered counts and exact bounds are shown per predicted class.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import as_bools, as_ints, same_length
from tickvision.evaluation.intervals import clopper_pearson_lower, clopper_pearson_upper

Standing = Literal["alone", "pooled", "never"]


class ClassView(NamedTuple):
    """The answers that name one class: counts, the one-sided upper bound of their error share, and its standing."""

    label: int
    answered: int
    errors: int
    bound: float
    standing: Standing


class CostlyMisses(NamedTuple):
    """Of the answers that name something unlisted: how many, how many are truly listed, and the upper bound."""

    named_unlisted: int
    misses: int
    share: float
    bound: float


def per_class_view(
    predicted: ArrayLike,
    answered: ArrayLike,
    correct: ArrayLike,
    failure_rate: float,
    max_error: float = 0.05,
    n_classes: int | None = None,
) -> list[ClassView]:
    """Return one row per class: answered, errors, one-sided Clopper-Pearson bound, standing.

    predicted: (N,) int >= 0. answered, correct: (N,) bool. n_classes: default the largest predicted number + 1.
    The bound holds for all classes at once (failure_rate / n_classes each) if the threshold was set on other specimens.
    "alone": its own bound keeps max_error. "never": no answer at all, or even the lower bound is above max_error.
    "pooled": covered by the promise over all answers only. No answers: bound 1.0.
    """
    named = as_ints(predicted, "predicted", CalibrationError)
    given = as_bools(answered, "answered", CalibrationError)
    right = as_bools(correct, "correct", CalibrationError)
    same_length(CalibrationError, predicted=named, answered=given, correct=right)
    if named.size and named.min() < 0:
        raise CalibrationError("predicted: found negative class numbers; expected 0 or more.")
    size = int(named.max(initial=-1)) + 1 if n_classes is None else n_classes
    if named.max(initial=-1) >= size:
        raise CalibrationError(f"predicted: found class {named.max()}; expected below {size}.")
    counts = np.bincount(named[given], minlength=size)
    errors = np.bincount(named[given & ~right], minlength=size)
    level = 1 - failure_rate / max(size, 1)
    return [_view(c, int(counts[c]), int(errors[c]), level, max_error) for c in range(size)]


def _view(label: int, answered: int, errors: int, level: float, max_error: float) -> ClassView:
    bound = clopper_pearson_upper(errors, answered, level)
    standing: Standing = "pooled"
    if answered == 0 or clopper_pearson_lower(errors, answered, level) > max_error:
        standing = "never"
    elif bound <= max_error:
        standing = "alone"
    return ClassView(label, answered, errors, bound, standing)


def costly_misses(
    target: ArrayLike,
    predicted: ArrayLike,
    answered: ArrayLike,
    listed: Collection[int],
    failure_rate: float,
) -> CostlyMisses:
    """Return how often an answer names something unlisted although the specimen is truly listed.

    target: (N,) int; -1 (unknown) is counted as a miss where the answer is unlisted: nothing shows that it is not one.
    listed: class numbers whose miss is costly (say vector species). share is nan where nothing unlisted was named.
    For a stricter target on them, certify with correct = not missed on the rows that name something unlisted.
    """
    truth = as_ints(target, "target", CalibrationError)
    named = as_ints(predicted, "predicted", CalibrationError)
    given = as_bools(answered, "answered", CalibrationError)
    same_length(CalibrationError, target=truth, predicted=named, answered=given)
    marks = np.asarray(sorted(listed), dtype=np.int64)
    unlisted = given & ~np.isin(named, marks)
    missed = unlisted & (np.isin(truth, marks) | (truth < 0))
    n, k = int(unlisted.sum()), int(missed.sum())
    return CostlyMisses(n, k, k / n if n else float("nan"), clopper_pearson_upper(k, n, 1 - failure_rate))
