"""Pairs of 64-bit hashes that differ in few bits, found in near linear time: multi-index hashing.

Source: Norouzi, Punjani and Fleet 2012, section 3: two hashes that differ in at most r bits differ in at most r // 3
bits in one of three bands, so that each band is asked for its own value and those next to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Hashes = NDArray[np.uint64]
NEAR_BITS = 8
BANDS = (21, 21, 22)
CROWDED = 256  # a value that more pictures share is a plain background, no likeness: only the nearest are tried
BRUTE = 100_000_000  # so many comparisons are quicker made than avoided
_CHUNK = 8192


def close_hashes(asked: Hashes, held: Hashes, bits: int = NEAR_BITS) -> NDArray[np.intp]:
    """Return (M, 2) sorted pairs (i, j) of all asked[i] and held[j] that differ in at most `bits` bits.

    All are found unless more than CROWDED of held share a band's value; of these the CROWDED nearest in order count.
    """
    compare_all = len(asked) * len(held) <= BRUTE
    parts = list(_by_comparison(asked, held, bits) if compare_all else _by_bands(asked, held, bits))
    if not parts:
        return np.zeros((0, 2), np.intp)
    numbers = np.unique(np.concatenate(parts))
    return np.stack([numbers // max(len(held), 1), numbers % max(len(held), 1)], 1).astype(np.intp)


def _by_comparison(asked: Hashes, held: Hashes, bits: int) -> Iterator[NDArray[np.int64]]:
    """Yield i * len(held) + j of the close pairs; of a hash that more than CROWDED are close to, the first CROWDED."""
    step = max(1, 10_000_000 // max(len(held), 1))
    for start in range(0, len(asked), step):
        close = np.bitwise_count(asked[start : start + step, None] ^ held[None, :]) <= bits
        i, j = np.nonzero(close)
        rank = np.arange(len(i)) - np.searchsorted(i, i, side="left")
        keep = rank < CROWDED
        yield ((i[keep] + start) * len(held) + j[keep]).astype(np.int64)


def _by_bands(asked: Hashes, held: Hashes, bits: int) -> Iterator[NDArray[np.int64]]:
    shift = 0
    for width in BANDS:
        turned = _rotated(held, shift)
        order = np.argsort(turned)
        index, down = turned[order], np.uint64(64 - width)
        starts = np.zeros((1 << width) + 1, np.int64)
        np.cumsum(np.bincount((index >> down).astype(np.int64), minlength=1 << width), out=starts[1:])
        queries = _rotated(asked, shift)
        rows = np.argsort(queries)  # in order, so that memory is read in order
        for flips in _flips(width, bits // len(BANDS)):
            pairs = _probe(queries[rows], np.uint64(flips) << down, index, starts, down, bits)
            yield rows[pairs[0]] * len(held) + order[pairs[1]]
        shift += width


def _rotated(values: Hashes, by: int) -> Hashes:
    return values if by == 0 else (values << np.uint64(by)) | (values >> np.uint64(64 - by))


def _flips(width: int, most: int) -> Iterator[int]:
    """Yield numbers of `width` bits with at most `most` bits set."""
    for count in range(most + 1):
        for places in combinations(range(width), count):
            yield sum(1 << p for p in places)


def _probe(
    queries: Hashes, flip: np.uint64, index: Hashes, starts: NDArray[np.int64], down: np.uint64, bits: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (query places, index places) of close pairs whose band differs by just this flip."""
    wanted = queries ^ flip
    key = (wanted >> down).astype(np.int64)
    left, right = starts[key], starts[key + 1]
    busy = np.flatnonzero(right > left)
    left, right = left[busy], right[busy]
    crowded = np.flatnonzero(right - left > CROWDED)
    if len(crowded):
        place = np.searchsorted(index, wanted[busy[crowded]])
        left[crowded] = np.maximum(left[crowded], place - CROWDED // 2)
        right[crowded] = np.minimum(right[crowded], place + CROWDED // 2)
    found: list[NDArray[np.int64]] = []
    step = _CHUNK * 64
    for start in range(0, len(busy), step):
        one, low = busy[start : start + step], left[start : start + step]
        count = right[start : start + step] - low
        query = np.repeat(one, count)
        place = np.arange(len(query)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low, count)
        close = np.bitwise_count(queries[query] ^ index[place]) <= bits
        found.append(np.stack([query[close], place[close]]))
    pairs = np.concatenate(found, axis=1) if found else np.zeros((2, 0), np.int64)
    return pairs[0], pairs[1]
