"""Deal groups into folds, so that what belongs together is on one side of each cut."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def deal(group: NDArray[np.int64], folds: int, seed: int) -> NDArray[np.int64]:
    """Return (N,) the fold 0..folds-1 of each row; a group is in one; folds have as many groups, or one more.

    group: (N,) int.
    """
    groups, place = np.unique(group, return_inverse=True)
    return np.asarray((np.random.default_rng(seed).permutation(len(groups)) % folds)[place], np.int64)
