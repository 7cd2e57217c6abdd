"""Fit ViM on training embeddings; the fitted record and its score stand in novelty.py, which predict reads."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import Floats, as_floats
from tickvision.evaluation.novelty import Vim, residual_length

# Below this ViM was worse than the energy (far AUROC .57 against .72 at 150).
VIM_MIN_PHOTOS = 500


def subspace_size(n: int, width: int) -> int:
    """Return how many main directions ViM keeps of n embeddings of this width."""
    return min(1000 if width >= 2048 else 512 if width >= 768 else width // 2, n // 4)


def main_directions(centred: Floats, kept: int) -> Floats:
    """Return the (D, kept) orthonormal directions of largest spread of centred rows (N, D), the largest first."""
    from scipy.linalg import eigh

    width = centred.shape[1]
    _, vectors = eigh(centred.T @ centred / len(centred), subset_by_index=(width - kept, width - 1))
    return np.ascontiguousarray(vectors[:, ::-1])


def fit_vim(
    embeddings: ArrayLike,
    logits: ArrayLike,
    weight: ArrayLike | None = None,
    bias: ArrayLike | None = None,
    directions: Floats | None = None,
) -> Vim:
    """Return the ViM of the training photos.

    embeddings: (N, D); logits: (N, K) of the same photos. weight (K, D), bias (K,): the last layer, if there is one;
    the origin is then -pinv(weight) bias, else the mean embedding. The subspace keeps D / 2 directions (1,000 from
    D = 2,048 on, 512 from 768 on), but at most N / 4, so that the training photos keep a residual.
    directions: main_directions about that origin, subspace_size or more, where they are known already.
    Raises CalibrationError under 500 photos or where no residual is left. Source: Wang et al. 2022, section 4.
    """
    rows = as_floats(embeddings, "embeddings", ndim=2, error=CalibrationError)
    table = as_floats(logits, "logits", ndim=2, error=CalibrationError)
    n, width = rows.shape
    if n < VIM_MIN_PHOTOS or len(table) != n:
        raise CalibrationError(
            f"ViM: {n:,} embeddings and {len(table):,} logits; expected equal counts, at least {VIM_MIN_PHOTOS}."
        )
    if weight is not None and bias is not None:
        last = as_floats(weight, "weight", ndim=2, error=CalibrationError)
        origin = -np.linalg.pinv(last) @ as_floats(bias, "bias", error=CalibrationError)
    else:
        origin = rows.mean(axis=0)
    kept = subspace_size(n, width)
    basis = main_directions(rows - origin, kept) if directions is None else directions[:, :kept]
    spread = float(residual_length(rows, origin, basis).sum())
    largest = float(table.max(axis=1).sum())
    if spread <= 1e-9 * n or largest <= 0:
        raise CalibrationError("ViM: no residual outside the main subspace, or no positive logits; use the energy.")
    return Vim(origin, basis, largest / spread)
