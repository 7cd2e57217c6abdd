"""From logits to the probabilities and confidences that decide: numpy only, so that prediction runs without scipy.

What calibration.py fits is applied here, on calibration, test and in the field alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import (
    Floats,
    Ids,
    as_floats,
    same_length,
    specimen_index,
)

# logit of .999999: beyond it a part says "certain" and a float32 softmax holds no more information.
LOGIT_LIMIT = 13.8155


def log_softmax(logits: ArrayLike) -> Floats:
    """Return the log-probabilities (N, K) of logits (N, K); raises CalibrationError on NaN or infinity."""
    table = as_floats(logits, "logits", ndim=2, error=CalibrationError)
    if table.shape[1] < 1:
        raise CalibrationError("logits: found no columns; expected one per class.")
    shifted = table - table.max(axis=1, keepdims=True)
    return np.asarray(shifted - np.log(np.exp(shifted).sum(axis=1, keepdims=True)), dtype=np.float64)


def softmax(logits: ArrayLike) -> Floats:
    """Return the probabilities (N, K) of logits (N, K); rows sum to 1."""
    return np.asarray(np.exp(log_softmax(logits)), dtype=np.float64)


def apply_temperature(logits: ArrayLike, temperature: float, bias: ArrayLike | None = None) -> Floats:
    """Return softmax(logits / temperature + bias), (N, K).

    logits: (N, K). temperature: > 0, 1.0 = no change. bias: (K,) or None.
    Raises CalibrationError on a temperature that is not positive, or on shapes that differ.
    """
    if not (np.isfinite(temperature) and temperature > 0):
        raise CalibrationError(f"temperature: found {temperature}; expected a positive number (T, not 1/T).")
    table = as_floats(logits, "logits", ndim=2, error=CalibrationError) / temperature
    if bias is not None:
        shift = as_floats(bias, "bias", error=CalibrationError)
        if shift.shape != (table.shape[1],):
            raise CalibrationError(f"bias: found {shift.shape[0]} values; expected {table.shape[1]}, one per class.")
        table = table + shift
    return softmax(table)


@dataclass(frozen=True)
class HeadMap:
    """The calibration map of one head: probs = softmax(logits / temperature + bias). JSON: to_dict, from_dict."""

    temperature: float
    bias: tuple[float, ...] | None = None

    def apply(self, logits: ArrayLike) -> Floats:
        """Return calibrated probabilities (N, K)."""
        return apply_temperature(logits, self.temperature, self.bias)

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> HeadMap:
        """Return the map saved by to_dict."""
        bias = saved.get("bias")
        return cls(float(saved["temperature"]), None if bias is None else tuple(float(b) for b in bias))


def part_logits(confidences: ArrayLike) -> Floats:
    """Return log(p / (1 - p)) of (N, H) confidences, cut at +-13.8; NaN stays NaN (the part does not apply).

    Raises CalibrationError on values outside 0..1 or a row in which no part applies.
    """
    parts = np.asarray(confidences, dtype=np.float64)
    if parts.ndim != 2:
        raise CalibrationError(f"confidences: found shape {parts.shape}; expected (N, H), one column per part.")
    applies = ~np.isnan(parts)
    if np.any((parts < 0) | (parts > 1 + 1e-9)):
        raise CalibrationError("confidences: found values outside 0..1; expected probabilities.")
    if parts.size and not applies.any(axis=1).all():
        raise CalibrationError("confidences: a row has no part that applies; expected at least one number per row.")
    # Each side is cut by itself: 1 - p loses the small side of float64 close to 1.
    edge = 1 / (1 + np.exp(LOGIT_LIMIT))
    cut = np.clip(parts, edge, 1 - edge)
    return np.asarray(np.log(cut) - np.log1p(-cut), dtype=np.float64)


@dataclass(frozen=True)
class JointMap:
    """P(all that is said is right) from the confidences of its parts: a logistic map on their logits.

    weights (H,) are >= 0: more confidence in a part never lowers the joint confidence. A part that does not apply (NaN,
    as sex of a nymph) counts as its centre, the mean over the rows it was fitted on. JSON: to_dict, from_dict.
    """

    weights: tuple[float, ...]
    intercept: float
    centres: tuple[float, ...]

    def apply(self, confidences: ArrayLike) -> Floats:
        """Return the joint confidence (N,), strictly inside 0..1, of confidences (N, H)."""
        parts = part_logits(confidences)
        if parts.shape[1] != len(self.weights):
            raise CalibrationError(f"confidences: found {parts.shape[1]} parts; expected {len(self.weights)}.")
        offsets = np.where(np.isnan(parts), 0.0, parts - np.asarray(self.centres))
        return np.asarray(1 / (1 + np.exp(-(self.intercept + offsets @ np.asarray(self.weights)))), dtype=np.float64)

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> JointMap:
        """Return the map saved by to_dict."""
        weights: Sequence[float] = saved["weights"]
        centres: Sequence[float] = saved["centres"]
        return cls(tuple(float(w) for w in weights), float(saved["intercept"]), tuple(float(c) for c in centres))


def combine(logits: ArrayLike, specimen: ArrayLike) -> tuple[Floats, Ids]:
    """Return the mean logits of each specimen's photos (G, K), and the ids (G,) in order of first appearance.

    logits: (N, K), one row per photo. specimen: (N,) ids, text or numbers.
    Raises CalibrationError on NaN, missing ids, lengths that differ or no rows. The mean of logits is, up to a constant
    per row, the mean of log-probabilities.
    """
    table = as_floats(logits, "logits", ndim=2, error=CalibrationError)
    number, ids = specimen_index(specimen, CalibrationError)
    if same_length(CalibrationError, logits=table, specimen=number) == 0:
        raise CalibrationError("logits: found no photos; expected at least one.")
    counts = np.bincount(number, minlength=len(ids))
    if len(ids) == len(table):
        return table.copy(), ids
    order = np.argsort(number, kind="stable")
    starts = np.r_[0, np.cumsum(counts)[:-1]]
    return np.add.reduceat(table[order], starts, axis=0) / counts[:, None], ids
