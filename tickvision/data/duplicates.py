"""Photographs that are the same file, or the same picture saved again: never on two sides of a split.

Candidates come from perceptual hashes (the signs of the low frequencies of the cosine transform, Zauner 2010, section
3.2.1) of the picture, of its eight turns and mirrorings, and of nine windows that leave out a tenth. Each is then
confirmed on the pixels, block by block: a ruler or a dark tray in both pictures must not be enough.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tickvision.data.near_hashes import close_hashes

Grey = NDArray[np.float32]
SIDE = 64
ROUGH = 16
CROP = 0.9  # share of the side that a tenth cropped off leaves
SCALES = (0.95, CROP)
ROUGHLY_SAME = 0.85  # correlation at 16 x 16 below which the pixels are not compared
LIKEST = 8  # candidates of one picture and variant whose pixels are compared
SAME = 0.88  # on the drawn set the least of 91 true pairs had 0.92, the most of 1,108 likely-looking others 0.85
ALIKE = 0.8  # cosine of features (mean removed) from which two pictures are compared
FEATURE_LIKEST = 3
BLOCKS = 6
FLAT = 2.0  # grey levels: a block that varies less in both pictures says nothing
_TURNS = tuple((mirror, quarters) for mirror in (False, True) for quarters in range(4))
_KEEP = round(SIDE * CROP)
_CORNERS = tuple((y, x) for y in (0, (SIDE - _KEEP) // 2, SIDE - _KEEP) for x in (0, (SIDE - _KEEP) // 2, SIDE - _KEEP))
VARIANTS = len(_TURNS) + len(_CORNERS)


def exact(sha256: NDArray[np.str_]) -> list[tuple[int, int]]:
    """Return pairs (first row, later row) of equal files; unreadable rows (blank hash) are left out."""
    first: dict[str, int] = {}
    pairs = []
    for i, value in enumerate(sha256):
        if value and first.setdefault(value, i) != i:
            pairs.append((first[value], i))
    return pairs


def near(
    squares: NDArray[np.uint8], usable: NDArray[np.bool_], features: NDArray[np.float32] | None = None
) -> list[tuple[int, int]]:
    """Return pairs of rows that are one picture: saved again, resized, brightened, turned or cropped by a tenth.

    squares: (N, S, S, 3) prepared pictures. usable: (N,), rows to look at. features: (N, D) of a backbone, rows of NaN
    have none; what they find alike is looked at too.
    """
    rows = np.flatnonzero(usable)
    if len(rows) < 2:
        return []
    thumbs = np.stack([_grey(squares[i], SIDE) for i in rows])
    held, rough = hashes(thumbs, 0), _rough(thumbs)
    found: set[tuple[int, int]] = set()
    for variant in range(VARIANTS):
        pairs = close_hashes(hashes(thumbs, variant), held)
        likeness = _likeness(_rough(_variant(thumbs, variant)), rough, pairs)
        for i, j in pairs[_most_alike(pairs, likeness)]:
            pair = (int(min(i, j)), int(max(i, j)))
            if pair not in found and _agreement(squares[rows[i]], squares[rows[j]], variant) >= SAME:
                found.add(pair)
    for i, j in _alike_features(features[rows]) if features is not None else ():
        if (i, j) not in found and any(
            _agreement(squares[rows[i]], squares[rows[j]], variant) >= SAME for variant in range(len(_TURNS))
        ):
            found.add((i, j))
    return sorted((int(rows[a]), int(rows[b])) for a, b in found)


def _alike_features(features: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Return pairs (i < j) whose features point the same way: for each picture at most FEATURE_LIKEST others."""
    known = np.flatnonzero(np.isfinite(features).all(1))
    if len(known) < 2:
        return []
    units = features[known] - features[known].mean(0)
    units /= np.maximum(np.linalg.norm(units, axis=1, keepdims=True), 1e-9)
    pairs: set[tuple[int, int]] = set()
    step = max(1, 20_000_000 // len(known))
    for start in range(0, len(known), step):
        likeness = units[start : start + step] @ units.T
        likeness[np.arange(len(likeness)), np.arange(start, start + len(likeness))] = -1
        best = np.argpartition(-likeness, min(FEATURE_LIKEST, len(known) - 1) - 1, axis=1)[:, :FEATURE_LIKEST]
        for row, column in zip(*np.nonzero(np.take_along_axis(likeness, best, 1) >= ALIKE), strict=True):
            a, b = int(known[start + row]), int(known[best[row, column]])
            pairs.add((min(a, b), max(a, b)))
    return sorted(pairs)


def _grey(square: NDArray[np.uint8], side: int) -> Grey:
    import cv2

    grey = cv2.cvtColor(np.ascontiguousarray(square), cv2.COLOR_RGB2GRAY).astype(np.float32)
    return np.asarray(cv2.resize(grey, (side, side), interpolation=cv2.INTER_AREA), np.float32)


def _variant(thumbs: Grey, variant: int) -> Grey:
    """Return (N, s, s) pictures turned, or the window of each, without its values changed."""
    if variant < len(_TURNS):
        mirror, quarters = _TURNS[variant]
        return np.rot90(thumbs[:, :, ::-1] if mirror else thumbs, quarters, axes=(1, 2))
    y, x = _CORNERS[variant - len(_TURNS)]
    return thumbs[:, y : y + _KEEP, x : x + _KEEP]


def hashes(thumbs: Grey, variant: int) -> NDArray[np.uint64]:
    """Return (N,) hashes of a variant of (N, 64, 64) pictures: which of 63 low frequencies exceed their median."""
    pictures = _variant(thumbs, variant)
    waves = _waves(pictures.shape[1])
    low = np.einsum("ay,nyx,bx->nab", waves, pictures, waves, optimize=True).reshape(len(pictures), 64)[:, 1:]
    bits = np.pad(low > np.median(low, axis=1, keepdims=True), ((0, 0), (0, 1)))
    return np.ascontiguousarray(np.packbits(bits, axis=1)).view(">u8")[:, 0].astype(np.uint64)


def _waves(side: int) -> Grey:
    """Return the first 8 rows of the cosine transform (DCT-II, orthonormal) of this length."""
    place = (np.arange(side) + 0.5) * np.pi / side
    waves = np.cos(np.arange(8)[:, None] * place) * np.sqrt(2 / side)
    waves[0] /= np.sqrt(2)
    return np.asarray(waves, np.float32)


def _rough(pictures: Grey) -> Grey:
    """Return (N, 256) pictures of 16 x 16, mean 0 and length 1, so that their product is a correlation."""
    edges = np.linspace(0, pictures.shape[1], ROUGH + 1).round().astype(int)
    sums = np.add.reduceat(np.add.reduceat(pictures, edges[:-1], axis=1), edges[:-1], axis=2)
    small = (sums / np.outer(np.diff(edges), np.diff(edges))).reshape(len(pictures), -1)
    small = small - small.mean(1, keepdims=True)
    return np.asarray(small / np.maximum(np.linalg.norm(small, axis=1, keepdims=True), 1e-6), dtype=np.float32)


def _likeness(asked: Grey, held: Grey, pairs: NDArray[np.intp]) -> NDArray[np.float32]:
    parts = [pairs[k : k + 100_000] for k in range(0, len(pairs), 100_000)]
    found = [np.einsum("nd,nd->n", asked[p[:, 0]], held[p[:, 1]]) for p in parts]
    return np.concatenate(found) if found else np.zeros(0, np.float32)


def _most_alike(pairs: NDArray[np.intp], likeness: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return the pairs worth a look at their pixels: roughly alike, and for each picture its likest few."""
    order = np.flatnonzero((likeness >= ROUGHLY_SAME) & (pairs[:, 0] != pairs[:, 1]))
    order = order[np.lexsort((-likeness[order], pairs[order, 0]))]
    first = np.searchsorted(pairs[order, 0], pairs[order, 0], side="left")
    return np.asarray(order[np.arange(len(order)) - first < LIKEST])


def _agreement(asked: NDArray[np.uint8], held: NDArray[np.uint8], variant: int) -> float:
    """Return how far the pixels agree, -1 to 1, if the second picture is this variant of the first."""
    import cv2

    side = asked.shape[0]
    one, two = (cv2.GaussianBlur(_grey(p, side), (0, 0), side / 130) for p in (asked, held))
    if variant < len(_TURNS):
        turned = np.ascontiguousarray(_variant(np.asarray(one, np.float32)[None], variant)[0])
        best = _by_blocks(turned, np.asarray(two, np.float32))
        if variant or best >= SAME:
            return best
        return max(best, _cropped(one, two), _cropped(two, one))
    return _cropped(one, two)


def _cropped(whole: Grey, part: Grey, scales: Sequence[float] = SCALES) -> float:
    """Return the agreement of the second picture with the window of the first that fits it best."""
    import cv2

    best = -1.0
    for scale in scales:
        keep = round(whole.shape[0] * scale)
        small = cv2.resize(part, (keep, keep), interpolation=cv2.INTER_AREA)
        found = cv2.matchTemplate(whole, small, cv2.TM_CCOEFF_NORMED)
        y, x = np.unravel_index(int(found.argmax()), found.shape)
        best = max(best, _by_blocks(whole[y : y + keep, x : x + keep], np.asarray(small, np.float32)))
    return best


def _by_blocks(one: Grey, two: Grey) -> float:
    """Return the lower quartile of the correlations of the blocks in which at least one picture shows something."""
    size = one.shape[0] // BLOCKS
    cut, shape = size * BLOCKS, (BLOCKS, size, BLOCKS, size)
    parts = [p[:cut, :cut].reshape(shape).transpose(0, 2, 1, 3).reshape(BLOCKS * BLOCKS, -1) for p in (one, two)]
    centred = [p - p.mean(1, keepdims=True) for p in parts]
    spread = [np.sqrt((p**2).mean(1)) for p in centred]
    telling = np.maximum(spread[0], spread[1]) > FLAT
    if telling.sum() < BLOCKS:
        return 0.0
    product = (centred[0] * centred[1]).mean(1) / (spread[0] * spread[1] + 0.5)
    return float(np.quantile(product[telling], 0.25))
