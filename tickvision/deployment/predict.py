"""Predict: look at every photograph, decide per specimen, and never let one bad file stop the rest."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tickvision.deployment.decision import Case, Decision, Maker, Photograph
from tickvision.deployment.engine import Engine
from tickvision.deployment.opening import Opened, open_package
from tickvision.deployment.package import HEADS, NEIGHBOURS, from_files
from tickvision.deployment.reader import Reader, decode_any
from tickvision.deployment.specimens import Specimen
from tickvision.errors import ImageError
from tickvision.evaluation.policy import Choice
from tickvision.images.decode import Box, Photo
from tickvision.images.look import Quality, best_quality, measure_quality
from tickvision.images.prepare import to_square

if TYPE_CHECKING:
    import pandas as pd

BATCH = 8  # 16 are no faster on a CPU, and take 45 MB more at 160 px
PHOTOGRAPHS_AHEAD = 64

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Looked:
    """One photograph, decoded and prepared (S, S, 3), or why not (then square is None)."""

    photo: Photograph
    square: NDArray[np.uint8] | None = None
    quality: Quality | None = None


_Pending = tuple[Specimen, list["Future[Looked]"]]


class Predictor:
    """A loaded package. predict may be called any number of times, from one thread at a time."""

    def __init__(self, opened: Opened) -> None:
        self.package = package = from_files(opened.location, opened.index, opened.contents)
        self.heads, self.neighbours = opened.contents.get(HEADS), opened.contents.get(NEIGHBOURS)
        self.cores, self._session = opened.cores, opened.session
        self._maker = Maker(package.policy, package.contact, package.model_id, package.drawn)

    def predict(self, inputs: Sequence[Path | str | Specimen]) -> list[Decision]:
        """Return one decision per specimen, in order. A path is a photograph that is a specimen of its own."""
        return list(self.stream(inputs))

    def predict_frame(self, inputs: Sequence[Path | str | Specimen]) -> pd.DataFrame:
        """Return the decisions as a DataFrame with the columns of the CSV output; needs pandas."""
        from tickvision.deployment.frame import to_frame

        return to_frame(self.stream(inputs))

    def predict_bytes(self, specimen_id: str, files: Sequence[tuple[str, bytes]], removed_at: str = "") -> Decision:
        """Return the decision on one specimen whose photographs are at hand as (name, bytes)."""
        return self.decide_on(specimen_id, self.look_at_bytes(files), removed_at)

    def look_at_bytes(self, files: Sequence[tuple[str, bytes]]) -> list[Looked]:
        """Return the decoded photographs of (name, bytes), bad ones with their reason; from any number of threads."""
        return [self._look(name, None, partial(decode_any, content, self.decode_px)) for name, content in files]

    def decide_on(self, specimen_id: str, looked: list[Looked], removed_at: str = "") -> Decision:
        """Return the decision on one specimen of decoded photographs, from one thread at a time."""
        specimen = Specimen(specimen_id, tuple(one.photo.path for one in looked), (), removed_at)
        return next(self._decide([(specimen, looked)]))

    def stream(
        self,
        inputs: Iterable[Path | str | Specimen],
        workers: int = 0,
        progress: Callable[[int], None] | None = None,
    ) -> Iterator[Decision]:
        """Yield decisions as they are made, in order; a bounded number of photographs is in memory.

        workers: threads that decode while the network runs, 0 = one for each core.
        """
        pool = ThreadPoolExecutor(workers or self.cores)
        with Reader() as reader:
            try:
                for batch in _batches(self._submitted(inputs, pool, reader)):
                    looked = [(specimen, [future.result() for future in futures]) for specimen, futures in batch]
                    yield from self._decide(looked)
                    if progress is not None:
                        progress(len(batch))
            finally:
                pool.shutdown(wait=True, cancel_futures=True)

    def taxon_logits(self, inputs: Iterable[Path | str | Specimen]) -> Floats:
        """Return the mean taxon logits (N, T) of the specimens that have a readable photograph; nothing is decided."""
        rows: list[NDArray[np.float64]] = []
        with ThreadPoolExecutor(self.cores) as pool, Reader() as reader:
            for batch in _batches(self._submitted(inputs, pool, reader)):
                for _, futures in batch:
                    squares = [one.square for one in (f.result() for f in futures) if one.square is not None]
                    if squares:
                        rows.append(self._logits(squares)[0].mean(0))
        return np.stack(rows) if rows else np.zeros((0, len(self.package.taxonomy.taxa)))

    @property
    def engine(self) -> Engine:
        """The network, waited for while it is loaded. Raises PackageError if onnxruntime cannot read it."""
        return Engine(self._session.result(), self.package.prepare)

    @property
    def decode_px(self) -> int:
        """Shortest side that a JPEG decoder must leave."""
        return self.package.prepare.decode_px

    def _submitted(
        self, inputs: Iterable[Path | str | Specimen], pool: ThreadPoolExecutor, reader: Reader
    ) -> Iterator[_Pending]:
        """Yield specimens whose photographs are being looked at, PHOTOGRAPHS_AHEAD of them ahead of the reader."""
        waiting: deque[_Pending] = deque()
        photographs = 0
        for item in inputs:
            specimen = item if isinstance(item, Specimen) else Specimen(str(item), (item,))
            regions = specimen.regions or (None,) * len(specimen.paths)
            futures = [
                pool.submit(self._look_at, reader, str(p), r) for p, r in zip(specimen.paths, regions, strict=True)
            ]
            waiting.append((specimen, futures))
            photographs += len(futures)
            while photographs >= PHOTOGRAPHS_AHEAD:
                ready = waiting.popleft()
                photographs -= len(ready[1])
                yield ready
        yield from waiting

    def _look_at(self, reader: Reader, name: str, region: Box | None) -> Looked:
        return self._look(name, region, partial(reader.photo, name, self.decode_px, region))

    def _look(self, name: str, region: Box | None, read: Callable[[], Photo]) -> Looked:
        try:
            photo = read()
        except ImageError as error:
            return Looked(Photograph(name, error.status, error.reason, False, region))
        square = to_square(photo, self.package.prepare)
        quality = measure_quality(square, photo.width, photo.height)
        known = photo.sha256 in self.package.trained_on
        return Looked(Photograph(name, "ok", "", known, region), square, quality)

    def _decide(self, batch: Sequence[tuple[Specimen, list[Looked]]]) -> Iterator[Decision]:
        good = [[one for one in looked if one.square is not None] for _, looked in batch]
        squares = [one.square for some in good for one in some if one.square is not None]
        choices: Iterator[Choice] = iter(())
        if squares:
            taxon, state, embedding = self._logits(squares)
            ends = np.cumsum([len(some) for some in good])
            rows = [slice(end - len(some), end) for end, some in zip(ends, good, strict=True) if some]
            owner = np.repeat(np.arange(len(rows)), [r.stop - r.start for r in rows])
            choices = iter(
                self.package.policy.decide(
                    np.stack([taxon[r].mean(0) for r in rows]),
                    np.stack([state[r].mean(0) for r in rows]),
                    self.package.taxonomy,
                    best_quality(
                        np.array([o.quality.row for some in good for o in some if o.quality]), owner, len(rows)
                    ),
                    np.stack([embedding[r].mean(0) for r in rows]),
                )
            )
        for (specimen, looked), some in zip(batch, good, strict=True):
            photographs = tuple(one.photo for one in looked)
            size = max((one.quality.short_side_px for one in some if one.quality), default=None)
            case = Case(specimen.specimen_id, photographs, size, specimen.removed_at)
            yield self._maker.from_choice(case, next(choices)) if some else self._maker.unreadable(case)

    def _logits(self, squares: list[NDArray[np.uint8]]) -> tuple[Floats, Floats, Floats]:
        parts = [self.engine.logits(np.stack(squares[i : i + BATCH])) for i in range(0, len(squares), BATCH)]
        taxon, state, embedding = (np.concatenate(column).astype(np.float64) for column in zip(*parts, strict=True))
        return taxon, state, embedding


def load(folder: Path | str, threads: int = 0) -> Predictor:
    """Return the predictor of a package, a folder or a .zip of it.

    threads: cores to use, 0 = all that this process may use. Raises PackageError if the package is damaged, swapped or
    of another schema.
    """
    return Predictor(open_package(Path(folder), threads))


def _batches(pending: Iterable[_Pending]) -> Iterator[list[_Pending]]:
    """Yield neighbours with about BATCH photographs together, a specimen never torn."""
    batch: list[_Pending] = []
    photographs = 0
    for one in pending:
        batch.append(one)
        photographs += len(one[1])
        if photographs >= BATCH:
            yield batch
            batch, photographs = [], 0
    if batch:
        yield batch
