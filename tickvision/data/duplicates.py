"""Photographs that are the same file, or the same picture saved again: never on two sides of a split."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

BANDS = 8  # 64 bits in 8 bands: two hashes that differ in at most 7 bits agree in some band
NEAR_BITS = 5


def exact(sha256: NDArray[np.str_]) -> list[tuple[int, int]]:
    """Return pairs (first row, later row) of equal files; unreadable rows (blank hash) are left out."""
    first: dict[str, int] = {}
    pairs = []
    for i, value in enumerate(sha256):
        if value and first.setdefault(value, i) != i:
            pairs.append((first[value], i))
    return pairs


def near(dhash: NDArray[np.uint64], usable: NDArray[np.bool_], bits: int = NEAR_BITS) -> list[tuple[int, int]]:
    """Return pairs of rows whose difference hashes differ in at most `bits` of 64 bits, found without comparing all.

    Every pair that differs in fewer bits than there are bands shares a band and is found, but for crowded bands.
    """
    rows = np.flatnonzero(usable)
    values = dhash[rows]
    found: set[tuple[int, int]] = set()
    for band in range(BANDS):
        key = (values >> np.uint64(8 * band)) & np.uint64(0xFF)
        wide = key | (np.uint64(band) << np.uint64(8))
        frame = pd.DataFrame({"key": wide, "place": np.arange(len(rows))})
        for _, members in frame.groupby("key")["place"]:
            found |= _close(values, members.to_numpy(), bits)
    return sorted((int(rows[a]), int(rows[b])) for a, b in found)


def _close(values: NDArray[np.uint64], members: NDArray[np.intp], bits: int) -> set[tuple[int, int]]:
    pairs: set[tuple[int, int]] = set()
    for offset in range(0, len(members), 512):
        block = members[offset : offset + 512]
        distance = np.bitwise_count(values[block][:, None] ^ values[members][None, :])
        for a, b in zip(*np.nonzero(distance <= bits), strict=True):
            i, j = int(block[a]), int(members[b])
            if i < j:
                pairs.add((i, j))
    return pairs
