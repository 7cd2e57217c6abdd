"""Pairs of 64-bit hashes that differ in few bits, found in near linear time: multi-index hashing.

Source: Norouzi, Punjani and Fleet 2012, section 3: two hashes that differ in at most r bits differ in at most r // 3
bits in one of three bands, so that each band is asked for its own value and those next to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Hashes = NDArray[np.uint64]
Numbers = NDArray[np.int64]  # of pairs: place among asked * number held + place among held
NEAR_BITS = 8
BANDS = (21, 21, 22)
CROWDED = 256  # a value that more pictures share is a plain background, no likeness: only so many are tried
BRUTE = 100_000_000  # so many comparisons are quicker made than avoided
_CHUNK = 32_768


@dataclass(frozen=True)
class _Table:
    """The held hashes in the order of one band. rotated: the band in front; starts: where each value of it begins."""

    shift: int
    down: np.uint64
    order: NDArray[np.int32]
    rotated: Hashes
    starts: NDArray[np.int32]


def close_hashes(asked: Hashes, held: Hashes, bits: int = NEAR_BITS) -> NDArray[np.intp]:
    """Return (M, 2) sorted pairs (i, j) of all asked[i] and held[j] that differ in at most `bits` bits.

    All are found unless more than CROWDED of held are that close, or share a band's value; then CROWDED are.
    """
    compare_all = len(asked) * len(held) <= BRUTE
    parts = list((_by_comparison if compare_all else _by_bands)(asked, held, bits))
    numbers = np.concatenate(parts) if parts else np.zeros(0, np.int64)
    return np.stack([numbers // max(len(held), 1), numbers % max(len(held), 1)], 1).astype(np.intp)


def _by_comparison(asked: Hashes, held: Hashes, bits: int) -> Iterator[Numbers]:
    step = max(1, 10_000_000 // max(len(held), 1))
    for start in range(0, len(asked), step):
        i, j = np.nonzero(np.bitwise_count(asked[start : start + step, None] ^ held[None, :]) <= bits)
        yield _first_few((i + start).astype(np.int64), i * len(held) + j + start * len(held))


def _first_few(i: NDArray[np.int64], numbers: Numbers) -> Numbers:
    """Return the first CROWDED numbers of each i; i is sorted."""
    rank = np.arange(len(i)) - np.searchsorted(i, i, side="left")
    return numbers[rank < CROWDED]


def _by_bands(asked: Hashes, held: Hashes, bits: int) -> Iterator[Numbers]:
    """Yield the pairs of one chunk of asked hashes after the other, so that memory stays bounded in a crowd."""
    shifts = np.cumsum((0, *BANDS))
    tables = [_table(held, int(shift), width) for shift, width in zip(shifts, BANDS, strict=False)]
    for start in range(0, len(asked), _CHUNK):
        found = [_ask(asked[start : start + _CHUNK], table, bits, len(held)) for table in tables]
        numbers = _once(np.concatenate(found)) + start * len(held)
        yield _first_few(numbers // len(held), numbers)


def _once(numbers: Numbers) -> Numbers:
    """Return the numbers sorted, each once: numpy's unique goes by hashing, which took ten times as long here."""
    numbers = np.sort(numbers)
    return numbers[np.diff(numbers, prepend=-1) > 0]


def _table(held: Hashes, shift: int, width: int) -> _Table:
    turned = _rotated(held, shift)
    order = np.argsort(turned)
    down = np.uint64(64 - width)
    starts = np.zeros((1 << width) + 1, np.int32)
    np.cumsum(np.bincount((turned[order] >> down).astype(np.int64), minlength=1 << width), out=starts[1:])
    return _Table(shift, down, order.astype(np.int32), turned[order], starts)


def _ask(asked: Hashes, table: _Table, bits: int, n_held: int) -> Numbers:
    """Return the numbers of close pairs that this band finds; a hash that has CROWDED of them is asked no further."""
    turned = _rotated(asked, table.shift)
    rows = np.argsort(turned)  # in order, so that memory is read in order
    turned, count = turned[rows], np.zeros(len(rows), np.int64)
    found: list[Numbers] = []
    for flips in _flips(64 - int(table.down), bits // len(BANDS)):
        if count.max() >= CROWDED:
            free = count < CROWDED
            turned, rows, count = turned[free], rows[free], count[free]
        if not len(rows):
            break
        query, place = _probe(turned, np.uint64(flips) << table.down, table, bits)
        count += np.bincount(query, minlength=len(rows))
        found.append(rows[query] * n_held + table.order[place])
    return np.concatenate(found)


def _rotated(values: Hashes, by: int) -> Hashes:
    return values if by == 0 else (values << np.uint64(by)) | (values >> np.uint64(64 - by))


def _flips(width: int, most: int) -> Iterator[int]:
    """Yield numbers of `width` bits with at most `most` bits set."""
    for count in range(most + 1):
        for places in combinations(range(width), count):
            yield sum(1 << p for p in places)


def _probe(queries: Hashes, flip: np.uint64, table: _Table, bits: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return (query places, table places) of close pairs whose band differs by just this flip."""
    wanted = queries ^ flip
    key = (wanted >> table.down).astype(np.int32)
    left, right = table.starts[key], table.starts[key + 1]
    busy = np.flatnonzero(right > left)
    left, right = left[busy], right[busy]
    crowded = np.flatnonzero(right - left > CROWDED)
    if len(crowded):
        place = np.searchsorted(table.rotated, wanted[busy[crowded]])
        left[crowded] = np.maximum(left[crowded], place - CROWDED // 2)
        right[crowded] = np.minimum(right[crowded], place + CROWDED // 2)
    count = right - left
    query = np.repeat(busy, count)
    place = np.arange(len(query)) + np.repeat(left - (np.cumsum(count) - count), count)
    close = np.flatnonzero(np.bitwise_count(queries[query] ^ table.rotated[place]) <= bits)
    return query[close], place[close]
