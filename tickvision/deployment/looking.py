"""Look at photographs: decode, prepare and measure them in threads, a bounded number ahead of who asks for them.

Needs nothing of the policy or the network, so that it can begin before these are there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tickvision.deployment.reader import Reader, decode_any
from tickvision.deployment.specimens import Specimen
from tickvision.errors import ImageError
from tickvision.images.decode import Box, Photo
from tickvision.images.look import Quality, measure_quality
from tickvision.images.prepare import Prepare, to_square

if TYPE_CHECKING:
    from typing import Self

BATCH = 8  # 16 are no faster on a CPU, and take 45 MB more at 160 px
PHOTOGRAPHS_AHEAD = 64


@dataclass(frozen=True)
class Photograph:
    """One file that was looked at. status: ok, or why it is of no use. in_training: its bytes trained the model.

    region: the part that was looked at (x, y, width, height in fractions), None for the whole picture.
    """

    path: str
    status: str
    reason: str = ""
    in_training: bool = False
    region: Box | None = None


@dataclass(frozen=True)
class Looked:
    """One photograph, decoded and prepared (S, S, 3), or why not (then square is None)."""

    photo: Photograph
    square: NDArray[np.uint8] | None = None
    quality: Quality | None = None


Seen = tuple[Specimen, list[Looked]]
_Pending = tuple[Specimen, list["Future[Looked]"]]


class Looker:
    """Looks at photographs as a network wants them. trained_on: sha256 of the files that trained it."""

    def __init__(self, prepare: Prepare, trained_on: frozenset[str]) -> None:
        self._prepare, self._trained_on = prepare, trained_on

    def look_at(self, reader: Reader, name: str, region: Box | None = None) -> Looked:
        """Return the photograph of that name; a bad one has its status and reason."""
        return self._look(name, region, partial(reader.photo, name, self._prepare.decode_px, region))

    def look_at_bytes(self, files: Sequence[tuple[str, bytes]]) -> list[Looked]:
        """Return the photographs of (name, bytes), bad ones with their reason; from any number of threads."""
        return [self._look(name, None, partial(decode_any, held, self._prepare.decode_px)) for name, held in files]

    def _look(self, name: str, region: Box | None, read: Callable[[], Photo]) -> Looked:
        try:
            photo = read()
        except ImageError as error:
            return Looked(Photograph(name, error.status, error.reason, False, region))
        square = to_square(photo, self._prepare)
        quality = measure_quality(square, photo.width, photo.height)
        return Looked(Photograph(name, "ok", "", photo.sha256 in self._trained_on, region), square, quality)


class LookingAhead:
    """Specimens whose photographs are being looked at from now on, PHOTOGRAPHS_AHEAD ahead of who iterates.

    Iterate once, inside `with`: what is not asked for is then dropped. Yields batches of neighbours with about BATCH
    photographs together, a specimen never torn.
    """

    def __init__(self, looker: Looker, inputs: Iterable[Path | str | Specimen], workers: int) -> None:
        self._looker, self._inputs = looker, iter(inputs)
        self._pool, self._reader = ThreadPoolExecutor(workers), Reader()
        self._waiting: deque[_Pending] = deque()
        self._photographs = 0
        self._fill()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._reader.close()

    def __iter__(self) -> Iterator[list[Seen]]:
        batch: list[Seen] = []
        photographs = 0
        while self._waiting:
            specimen, futures = self._waiting.popleft()
            batch.append((specimen, [future.result() for future in futures]))
            photographs += len(futures)
            self._photographs -= len(futures)
            self._fill()
            if photographs >= BATCH:
                yield batch
                batch, photographs = [], 0
        if batch:
            yield batch

    def _fill(self) -> None:
        while self._photographs < PHOTOGRAPHS_AHEAD:
            item = next(self._inputs, None)
            if item is None:
                return
            specimen = item if isinstance(item, Specimen) else Specimen(str(item), (item,))
            regions = specimen.regions or (None,) * len(specimen.paths)
            futures = [
                self._pool.submit(self._looker.look_at, self._reader, str(path), region)
                for path, region in zip(specimen.paths, regions, strict=True)
            ]
            self._waiting.append((specimen, futures))
            self._photographs += len(futures)
