"""Random numbers that depend on (seed, epoch, photo) and a position alone, for whole batches at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_STEP = np.uint64(0x9E3779B97F4A7C15)


def uniforms(seed: int, epoch: int, photos: NDArray[np.integer], count: int) -> NDArray[np.float64]:
    """Return (B, count) numbers in [0, 1), one row a photo.

    The counter is mixed by SplitMix64 (Steele, Lea, Flood 2014), so a row does not depend on the rows beside it.
    """
    key = _mix(_mix(np.full(len(photos), seed, np.uint64)) ^ np.uint64(epoch))
    rows = _mix(key ^ photos.astype(np.uint64))
    with np.errstate(over="ignore"):
        counter = rows[:, None] + np.arange(1, count + 1, dtype=np.uint64) * _STEP
    return np.asarray((_mix(counter, step=False) >> np.uint64(11)) * 2.0**-53, np.float64)


def _mix(value: NDArray[np.uint64], step: bool = True) -> NDArray[np.uint64]:
    with np.errstate(over="ignore"):
        z = value + _STEP if step else value
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return z ^ (z >> np.uint64(31))
