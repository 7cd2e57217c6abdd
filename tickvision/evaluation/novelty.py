"""Is this specimen like the ones the model knows? Scores, p-values and the limit: numpy only.

Every score is high for the strange. The limit promises how many good specimens are lost, nothing about how many strange
ones are caught: measure that on held-out genera and on things that are no ticks. It stands apart from the threshold.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import Floats, as_floats
from tickvision.evaluation.probabilities import log_softmax
from tickvision.evaluation.shortlist import conformal_quantile


def energy(logits: ArrayLike) -> Floats:
    """Return -log sum exp(logits), (N,), high = strange. logits: (N, K). Source: Liu et al. 2020, equation 3."""
    table = as_floats(logits, "logits", ndim=2, error=CalibrationError)
    # log_softmax = z - logsumexp(z), so any column gives it back without overflow.
    return np.asarray((log_softmax(table) - table)[:, 0], dtype=np.float64)


@dataclass(frozen=True)
class Vim:
    """Virtual-logit matching: residual outside the main subspace of the training embeddings, against the energy.

    origin (D,); basis (D, d) orthonormal columns of the main subspace; scale > 0. Plain arrays: save as npz.
    """

    origin: Floats
    basis: Floats
    scale: float

    def score(self, embeddings: ArrayLike, logits: ArrayLike) -> Floats:
        """Return scale * |residual| - log sum exp(logits), (N,), high = strange.

        Monotone in the softmax probability of the virtual class. Source: Wang et al. 2022, equation 6.
        """
        return np.asarray(self.scale * residual_length(embeddings, self.origin, self.basis) + energy(logits))

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-able form: the arrays in half precision as base64, since 1,280 x 512 numbers are no text."""
        return {"origin": _packed(self.origin), "basis": _packed(self.basis), "scale": self.scale}

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Vim:
        """Return what to_dict wrote."""
        return cls(_unpacked(saved["origin"]), _unpacked(saved["basis"]), float(saved["scale"]))


def _packed(array: Floats) -> dict[str, Any]:
    return {"shape": list(array.shape), "float16": b64encode(array.astype("<f2").tobytes()).decode("ascii")}


def _unpacked(saved: dict[str, Any]) -> Floats:
    flat = np.frombuffer(b64decode(saved["float16"], validate=True), dtype="<f2")
    return np.asarray(flat.reshape(saved["shape"]), dtype=np.float64)


def residual_length(embeddings: ArrayLike, origin: Floats, basis: Floats) -> Floats:
    """Return the length (N,) of each embedding's part outside the subspace through origin."""
    rows = as_floats(embeddings, "embeddings", ndim=2, error=CalibrationError)
    if rows.shape[1] != len(origin):
        raise CalibrationError(f"embeddings: found {rows.shape[1]} columns; expected {len(origin)}.")
    centred = rows - origin
    return np.asarray(np.linalg.norm(centred - (centred @ basis) @ basis.T, axis=1), dtype=np.float64)


def p_values(calibration_scores: ArrayLike, scores: ArrayLike) -> Floats:
    """Return the conformal p-value (1 + #{calibration >= s}) / (n + 1) of each score, in (0, 1].

    calibration_scores: (n,) one per good calibration specimen. A good new specimen has p <= a with probability at
    most a.
    Source: Bates et al. 2023 (Annals of Statistics 51), equation 2.
    """
    known = np.sort(as_floats(calibration_scores, "calibration_scores", error=CalibrationError))
    if known.size == 0:
        raise CalibrationError("calibration_scores: found none; expected one per calibration specimen.")
    asked = as_floats(scores, "scores", error=CalibrationError)
    at_least = len(known) - np.searchsorted(known, asked, side="left")
    return np.asarray((1 + at_least) / (len(known) + 1), dtype=np.float64)


def novelty_limit(calibration_scores: ArrayLike, lost_share: float = 0.05) -> float:
    """Return the score above which a specimen is referred as strange; inf where the specimens (N,) are too few.

    At most lost_share of good new specimens lie above it: the same event as p-value <= lost_share where scores differ.
    """
    return conformal_quantile(calibration_scores, lost_share)
