"""Photographs that are the same file, or the same picture saved again: never on two sides of a split.

Candidates come from 64-bit difference hashes of the picture in its four turns, found without comparing all pairs; each
is then confirmed on the pixels, so that two plain backgrounds are not taken for one picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Thumbs = NDArray[np.float32]
SIDE = 64
BANDS = (11, 11, 11, 11, 10, 10)  # bits: two hashes that differ in at most 5 bits agree in some band
NEAR_BITS = 8
CROWDED = 400  # a band value shared by more pictures is a plain background, not a likeness: their neighbours are tried
ROUGHLY_SAME = 0.85  # correlation at 16 x 16 below which the pixels are not compared
LIKEST = 8
SAME = 0.97  # correlation from which two pictures are one
CROP = 0.9


def exact(sha256: NDArray[np.str_]) -> list[tuple[int, int]]:
    """Return pairs (first row, later row) of equal files; unreadable rows (blank hash) are left out."""
    first: dict[str, int] = {}
    pairs = []
    for i, value in enumerate(sha256):
        if value and first.setdefault(value, i) != i:
            pairs.append((first[value], i))
    return pairs


def near(squares: NDArray[np.uint8], usable: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return pairs of rows that are one picture: saved again, resized, brightened, turned or cropped by a tenth.

    squares: (N, S, S, 3) prepared pictures. usable: (N,), rows to look at.
    """
    rows = np.flatnonzero(usable)
    if len(rows) < 2:
        return []
    thumbs = np.stack([_thumb(squares[i]) for i in rows])
    plain, rough = hashes(thumbs), _rough(thumbs)
    found: set[tuple[int, int]] = set()
    for turn in range(4):
        asked = turned(thumbs, turn)
        pairs = close_hashes(hashes(asked), plain, NEAR_BITS)
        likeness = _likeness(_rough(asked), rough, pairs)
        for i, j in pairs[_most_alike(pairs, likeness)]:
            pair = (int(min(i, j)), int(max(i, j)))
            if i != j and pair not in found and is_one_picture(asked[i], thumbs[j]):
                found.add(pair)
    return sorted((int(rows[a]), int(rows[b])) for a, b in found)


def _rough(thumbs: Thumbs) -> Thumbs:
    """Return (N, 256) pictures of 16 x 16, mean 0 and length 1, so that their product is a correlation."""
    small = thumbs.reshape(len(thumbs), 16, 4, 16, 4).mean((2, 4)).reshape(len(thumbs), -1)
    small = small - small.mean(1, keepdims=True)
    return np.asarray(small / np.maximum(np.linalg.norm(small, axis=1, keepdims=True), 1e-6), dtype=np.float32)


def _likeness(asked: Thumbs, held: Thumbs, pairs: NDArray[np.intp]) -> NDArray[np.float32]:
    parts = [pairs[k : k + 100_000] for k in range(0, len(pairs), 100_000)]
    found = [np.einsum("nd,nd->n", asked[p[:, 0]], held[p[:, 1]]) for p in parts]
    return np.concatenate(found) if found else np.zeros(0, np.float32)


def _most_alike(pairs: NDArray[np.intp], likeness: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return the pairs worth a look at their pixels: roughly alike, and for each picture its likest few."""
    order = np.flatnonzero((likeness >= ROUGHLY_SAME) & (pairs[:, 0] != pairs[:, 1]))
    order = order[np.lexsort((-likeness[order], pairs[order, 0]))]
    first = np.searchsorted(pairs[order, 0], pairs[order, 0], side="left")
    return order[np.arange(len(order)) - first < LIKEST]


def _thumb(square: NDArray[np.uint8]) -> Thumbs:
    import cv2

    grey = cv2.cvtColor(np.ascontiguousarray(square), cv2.COLOR_RGB2GRAY)
    return np.asarray(cv2.resize(grey, (SIDE, SIDE), interpolation=cv2.INTER_AREA), dtype=np.float32)


def turned(thumbs: Thumbs, turn: int) -> Thumbs:
    """Return (N, S, S) pictures turned by this many quarters."""
    return np.rot90(thumbs, turn, axes=(1, 2))


def hashes(thumbs: Thumbs) -> NDArray[np.uint64]:
    """Return the 64-bit difference hash of each (N, 64, 64) picture: is each of 8 x 8 cells brighter than the next."""
    if not len(thumbs):
        return np.zeros(0, np.uint64)
    rows = thumbs.reshape(len(thumbs), 8, 8, SIDE).mean(2)
    edges = np.linspace(0, SIDE, 10).round().astype(int)[:-1]
    cells = np.add.reduceat(rows, edges, axis=2) / np.diff(np.r_[edges, SIDE])
    bits = (cells[:, :, 1:] > cells[:, :, :-1]).reshape(len(thumbs), 64)
    return np.ascontiguousarray(np.packbits(bits, axis=1)).view(">u8")[:, 0].astype(np.uint64)


def close_hashes(asked: NDArray[np.uint64], held: NDArray[np.uint64], bits: int = NEAR_BITS) -> NDArray[np.intp]:
    """Return (M, 2) pairs (i, j) where asked[i] and held[j] agree in a band and differ in at most `bits` bits.

    Pairs that differ in at most 5 bits always agree in a band; beyond that most do.
    """
    shift = 0
    parts = [np.zeros((0, 2), np.intp)]
    for width in BANDS:
        mask = np.uint64((1 << width) - 1)
        mine, theirs = (asked >> np.uint64(shift)) & mask, (held >> np.uint64(shift)) & mask
        shift += width
        order = np.lexsort((held, theirs))
        left = np.searchsorted(theirs[order], mine, side="left")
        right = np.searchsorted(theirs[order], mine, side="right")
        for i in np.flatnonzero(right > left):
            group = order[left[i] : right[i]]
            if len(group) > CROWDED:
                place = int(np.searchsorted(held[group], asked[i]))
                group = group[max(0, place - CROWDED // 2) : place + CROWDED // 2]
            near_ones = group[np.bitwise_count(held[group] ^ asked[i]) <= bits]
            parts.append(np.stack([np.full(len(near_ones), i), near_ones], 1))
    return np.asarray(np.unique(np.concatenate(parts), axis=0))


def is_one_picture(first: Thumbs, second: Thumbs) -> bool:
    """True if the two (64, 64) grey pictures are one, or one is a crop of nine tenths of the other."""
    import cv2

    small = round(SIDE * CROP)
    for whole, part in ((first, second), (second, first)):
        inner = np.ascontiguousarray(part[4:-4, 4:-4])
        shrunk = cv2.resize(np.ascontiguousarray(part), (small, small), interpolation=cv2.INTER_AREA)
        for template in (inner, shrunk):
            found = cv2.matchTemplate(np.ascontiguousarray(whole), template, cv2.TM_CCOEFF_NORMED)
            if template.std() > 2 and found.max() >= SAME:
                return True
    return False
