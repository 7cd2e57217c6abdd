"""Predict: look at every photograph, decide per specimen, and never let one bad file stop the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tickvision.deployment.decision import Case, Decision, Maker
from tickvision.deployment.engine import Engine
from tickvision.deployment.looking import BATCH, Looked, Looker, LookingAhead, Seen
from tickvision.deployment.opening import Opened
from tickvision.deployment.package import HEADS, NEIGHBOURS, from_files
from tickvision.deployment.specimens import Specimen
from tickvision.evaluation.policy import Choice
from tickvision.images.look import best_quality

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


class Predictor:
    """A loaded package. predict may be called any number of times, from one thread at a time."""

    def __init__(self, opened: Opened) -> None:
        self.package = package = from_files(opened.location, opened.index, opened.contents)
        self.heads, self.neighbours = opened.contents.get(HEADS), opened.contents.get(NEIGHBOURS)
        self.cores, self._network = opened.cores, opened.start_network()
        self._looker = Looker(package.prepare, package.trained_on)
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
        """Return the photographs of (name, bytes), bad ones with their reason; from any number of threads."""
        return self._looker.look_at_bytes(files)

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
        with LookingAhead(self._looker, inputs, workers or self.cores) as seen:
            yield from self.decide(seen, progress)

    def decide(
        self, seen: Iterable[Sequence[Seen]], progress: Callable[[int], None] | None = None
    ) -> Iterator[Decision]:
        """Yield the decisions on batches of specimens that were looked at, in order."""
        for batch in seen:
            yield from self._decide(batch)
            if progress is not None:
                progress(len(batch))

    def outputs(
        self, inputs: Iterable[Path | str | Specimen], progress: Callable[[int], None] | None = None
    ) -> Iterator[tuple[Specimen, list[Looked], Floats, Floats, Floats]]:
        """Yield (specimen, its readable photographs, mean taxon logits (T,), state logits (T, S), embedding (D,)).

        Nothing is decided; specimens without a readable photograph are left out. progress: told of each batch.
        """
        with LookingAhead(self._looker, inputs, self.cores) as seen:
            for batch in seen:
                for specimen, looked in batch:
                    good = [one for one in looked if one.square is not None]
                    if good:
                        taxon, state, embedding = self._logits([one.square for one in good if one.square is not None])
                        yield specimen, good, taxon.mean(0), state.mean(0), embedding.mean(0)
                if progress is not None:
                    progress(len(batch))

    def taxon_logits(self, inputs: Iterable[Path | str | Specimen]) -> Floats:
        """Return the mean taxon logits (N, T) of the specimens that have a readable photograph; nothing is decided."""
        rows = [taxon for _, _, taxon, _, _ in self.outputs(inputs)]
        return np.stack(rows) if rows else np.zeros((0, len(self.package.taxonomy.taxa)))

    @property
    def engine(self) -> Engine:
        """The network, waited for while it is loaded. Raises PackageError if onnxruntime cannot read it."""
        return Engine(self._network.result(), self.package.prepare)

    @property
    def decode_px(self) -> int:
        """Shortest side that a JPEG decoder must leave."""
        return self.package.prepare.decode_px

    def _decide(self, batch: Sequence[Seen]) -> Iterator[Decision]:
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
    return Predictor(Opened(Path(folder), threads))
