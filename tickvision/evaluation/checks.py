"""The doors through which arrays enter this room: each returns a plain float64 or int64 array or raises."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tickvision.errors import MetricError, TickvisionError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Ids = NDArray[Any]

UNKNOWN = -1
# float32 softmax rows of 1,000 classes miss 1 by up to about 1e-6.
SUM_TOLERANCE = 1e-5


def as_floats(values: ArrayLike, name: str, ndim: int = 1, error: type[TickvisionError] = MetricError) -> Floats:
    """Return values as finite float64 of ndim axes; raises on NaN, infinity, text or another shape."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as fault:
        raise error(f"{name}: found {type(values).__name__} that is not numeric; expected numbers.") from fault
    if array.ndim != ndim:
        raise error(f"{name}: found shape {array.shape}; expected {ndim} axes.")
    bad = array.size - int(np.count_nonzero(np.isfinite(array)))
    if bad:
        raise error(f"{name}: {bad:,} of {array.size:,} values are NaN or infinite; expected finite numbers.")
    return array


def as_ints(values: ArrayLike, name: str, error: type[TickvisionError] = MetricError) -> Ints:
    """Return values as a 1-axis int64 array; floats pass only if each is a whole number."""
    array = np.asarray(values)
    if array.ndim != 1:
        raise error(f"{name}: found shape {array.shape}; expected one axis.")
    if array.size == 0:
        return np.zeros(0, dtype=np.int64)
    if array.dtype.kind == "f":
        whole = as_floats(array, name, error=error)
        if np.any(whole != np.rint(whole)):
            raise error(f"{name}: found fractions; expected class numbers.")
    elif array.dtype.kind not in "biu":
        raise error(f"{name}: found {array.dtype}; expected class numbers.")
    return array.astype(np.int64, copy=False)


def as_bools(values: ArrayLike, name: str, error: type[TickvisionError] = MetricError) -> Bools:
    """Return 0/1 or True/False values as a 1-axis bool array; anything else raises."""
    array = np.asarray(values)
    if array.dtype.kind == "b" and array.ndim == 1:
        return array
    numbers = as_ints(array, name, error)
    if numbers.size and (numbers.min() < 0 or numbers.max() > 1):
        raise error(f"{name}: found values other than 0 and 1; expected True or False.")
    return numbers.astype(np.bool_)


def same_length(error: type[TickvisionError] = MetricError, **arrays: NDArray[Any]) -> int:
    """Return the common number of rows of the named arrays; raises where they differ."""
    lengths = {name: len(array) for name, array in arrays.items()}
    if len(set(lengths.values())) > 1:
        found = ", ".join(f"{name} {length:,}" for name, length in lengths.items())
        raise error(f"row counts differ: {found}; expected one row each for the same cases.")
    return next(iter(lengths.values()))


def known_labels(target: ArrayLike, pred: ArrayLike, n_classes: int) -> tuple[Ints, Ints]:
    """Return target and pred of the rows whose target is known (not -1), checked against 0..n_classes-1."""
    if n_classes < 1:
        raise MetricError(f"n_classes: found {n_classes}; expected at least 1.")
    truth, named = as_ints(target, "target"), as_ints(pred, "pred")
    same_length(target=truth, pred=named)
    if truth.size and truth.min() < 0:
        known = truth != UNKNOWN
        truth, named = truth[known], named[known]
    for name, labels in (("target", truth), ("pred", named)):
        if labels.size and (labels.min() < 0 or labels.max() >= n_classes):
            raise MetricError(f"{name}: found {labels.min()} to {labels.max()}; expected 0 to {n_classes - 1}.")
    return truth, named


def as_probs(probs: ArrayLike, error: type[TickvisionError] = MetricError) -> Floats:
    """Return (N, K) probabilities as float64; rows must lie in [0, 1] and sum to 1 (tolerance 1e-5)."""
    table = as_floats(probs, "probs", ndim=2, error=error)
    if table.shape[1] < 1:
        raise error("probs: found no columns; expected one per class.")
    if table.size == 0:
        return table
    if table.min() < 0 or table.max() > 1 + SUM_TOLERANCE:
        raise error(f"probs: found values from {table.min():.6g} to {table.max():.6g}; expected 0 to 1, not logits.")
    off = np.abs(table.sum(axis=1) - 1) > SUM_TOLERANCE
    if off.any():
        raise error(
            f"probs: {int(off.sum()):,} of {len(table):,} rows do not sum to 1 "
            f"(row {int(np.argmax(off))} sums to {table[np.argmax(off)].sum():.6g}); apply softmax first."
        )
    return table


def known_probs(probs: ArrayLike, target: ArrayLike) -> tuple[Floats, Ints]:
    """Return probs (M, K) and target (M,) of the rows whose target is known (not -1)."""
    table, truth = as_probs(probs), as_ints(target, "target")
    same_length(probs=table, target=truth)
    known = truth != UNKNOWN
    if not known.all():
        table, truth = table[known], truth[known]
    if truth.size and (truth.min() < 0 or truth.max() >= table.shape[1]):
        raise MetricError(f"target: found {truth.min()} to {truth.max()}; expected -1 to {table.shape[1] - 1}.")
    return table, truth


def as_specimens(specimen: ArrayLike, error: type[TickvisionError] = MetricError) -> Ids:
    """Return specimen ids as a 1-axis array; raises where an id is missing (empty, None or NaN)."""
    ids: Ids = np.asarray(specimen)
    if ids.ndim != 1:
        raise error(f"specimen: found shape {ids.shape}; expected one id per row.")
    if ids.dtype.kind == "O":
        missing = np.array([i is None or i == "" or i != i for i in ids], dtype=np.bool_)
        ids = ids if missing.any() else np.array([str(i) for i in ids]) if ids.size else ids
    elif ids.dtype.kind == "f":
        missing = np.isnan(ids)
    else:
        missing = ids == "" if ids.dtype.kind in "US" else np.zeros(len(ids), dtype=np.bool_)
    if missing.any():
        raise error(
            f"specimen: {int(missing.sum()):,} of {len(ids):,} rows have no specimen id; "
            "give each photograph the id of its specimen, or its own id if it is its own specimen."
        )
    return ids


def specimen_index(specimen: ArrayLike, error: type[TickvisionError] = MetricError) -> tuple[Ints, Ids]:
    """Return (row -> specimen number, ids); specimens are numbered in order of first appearance."""
    ids = as_specimens(specimen, error)
    if ids.size == 0:
        return np.zeros(0, dtype=np.int64), ids
    unique, first, inverse = np.unique(ids, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    return place[inverse.reshape(-1)], unique[order]
