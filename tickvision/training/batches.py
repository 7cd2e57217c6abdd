"""Batches of an epoch: one random photograph of each specimen, prepared ahead in threads."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tickvision.training.augment import Augment

Part = TypeVar("Part")
Made = TypeVar("Made")
AHEAD = 4  # batches prepared before they are asked for


class Rows:
    """A view of some rows of an array on disk, so that photographs are not copied to memory."""

    def __init__(self, held: Squares, rows: NDArray[np.intp]) -> None:
        self.held, self.rows = held, rows

    def __getitem__(self, i: int | NDArray[np.intp]) -> NDArray[np.uint8]:
        return np.asarray(self.held[self.rows[i]])


Squares = NDArray[np.uint8] | Rows


@dataclass(frozen=True)
class Batch:
    """rows: (B,) row numbers of the photographs. squares: (B, S, S, 3) uint8."""

    rows: NDArray[np.intp]
    squares: NDArray[np.uint8]


def draw_epoch(
    specimen: NDArray[np.int64], seed: int, epoch: int, chance: NDArray[np.float64] | None = None
) -> NDArray[np.intp]:
    """Return row numbers: each specimen once, a random photograph of it, in random order. Draws from (seed, epoch).

    chance: (N,) of each photograph's specimen; as many specimens are then drawn with replacement, by their chance.
    """
    rng = np.random.default_rng([seed, epoch, 1])
    mixed = rng.permutation(len(specimen))
    _, first = np.unique(specimen[mixed], return_index=True)
    chosen = mixed[first]
    if chance is not None:
        often = chance[chosen] / chance[chosen].sum()
        chosen = chosen[rng.choice(len(chosen), len(chosen), p=often)]
    return np.asarray(chosen[rng.permutation(len(chosen))])


def prepare_batches(
    squares: Squares,
    parts: Sequence[NDArray[np.intp]],
    workers: int,
    augment: Augment | None = None,
    epoch: int = 0,
    size_px: int = 0,
    overlap: bool = True,
) -> Iterator[Batch]:
    """Yield a batch for each part (row numbers), in order. workers = 0 prepares in the calling thread; same result.

    size_px: side to which squares are made smaller before they are augmented; 0: none.
    overlap: batches are prepared ahead, each in a thread; False: the threads share a batch, and rest once it is asked
    for. Where the network computes on the same cores, a thread beside it makes all of its threads wait.
    """

    def make(part: NDArray[np.intp]) -> Batch:
        taken = [smaller(squares[i], size_px) for i in part] if size_px else [squares[i] for i in part]
        if augment is not None:
            taken = [augment(square, epoch, int(i)) for square, i in zip(taken, part, strict=True)]
        return Batch(part, np.stack(taken))

    if overlap or workers < 2:
        yield from ahead(parts, make, workers if overlap else 0)
        return
    with ThreadPoolExecutor(workers) as pool:
        for part in parts:
            shares = [share for share in np.array_split(part, workers) if len(share)]
            yield Batch(part, np.concatenate([made.squares for made in pool.map(make, shares)]))


def smaller(square: NDArray[np.uint8], size_px: int) -> NDArray[np.uint8]:
    """Return the square (S, S, 3) with a smaller side; every new pixel is the mean of the area it covers."""
    import cv2

    return np.asarray(cv2.resize(square, (size_px, size_px), interpolation=cv2.INTER_AREA), np.uint8)


def ahead(parts: Sequence[Part], make: Callable[[Part], Made], workers: int) -> Iterator[Made]:
    """Yield make(part) of each part, in order; threads run a bounded number ahead. workers = 0: no thread."""
    if workers == 0:
        yield from map(make, parts)
        return
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Future[Made]] = deque()
        for part in parts:
            waiting.append(pool.submit(make, part))
            if len(waiting) > AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
