"""The training photographs that look most like a specimen to the network, each with its maker and its licence.

A package may carry them: embeddings and small pictures of photographs whose licences allow to share what is derived.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tickvision.errors import PackageError

Floats = NDArray[np.float32]
COLUMNS = ("photo_id", "scientific_name", "life_stage", "sex", "credit", "licence")


@dataclass(frozen=True)
class Neighbour:
    """One training photograph. similarity: cosine of the embeddings, at most 1. jpeg: a small picture of it."""

    photo_id: str
    scientific_name: str
    life_stage: str
    sex: str
    credit: str
    licence: str
    similarity: float
    jpeg: bytes

    @property
    def caption(self) -> str:
        """Return name, maker and licence on one line."""
        name = " ".join(filter(None, (self.scientific_name or "no name", self.life_stage, self.sex)))
        return f"{name}. Photograph: {self.credit or 'maker not given'}, {self.licence}, made smaller"


def pack(embedding: Floats, jpegs: Sequence[bytes], columns: dict[str, list[str]]) -> bytes:
    """Return the bytes of neighbours.npz. embedding: (N, D). columns: COLUMNS, N texts each."""
    out = io.BytesIO()
    ends = np.cumsum([0, *map(len, jpegs)])
    texts = {name: np.array(columns[name], dtype=np.str_) for name in COLUMNS}
    pictures = np.frombuffer(b"".join(jpegs), np.uint8)
    np.savez(out, embedding=embedding.astype(np.float16), pictures=pictures, ends=ends, **texts)  # type: ignore[arg-type]
    return out.getvalue()


class Neighbours:
    """The photographs of a package, searched by embedding. Raises PackageError on bytes that pack did not write."""

    def __init__(self, content: bytes) -> None:
        try:
            with np.load(io.BytesIO(content), allow_pickle=False) as held:
                self._embedding = _unit(held["embedding"].astype(np.float32))
                self._pictures, self._ends = held["pictures"], held["ends"]
                self._texts = [held[name] for name in COLUMNS]
        except (
            Exception
        ) as error:  # a broken zip or array raises BadZipFile, zlib.error, EOFError, SyntaxError and more
            raise PackageError(
                f"neighbours.npz is not what a package holds ({error}). Make the package anew."
            ) from None
        n = len(self._embedding)
        if self._embedding.ndim != 2 or len(self._ends) != n + 1 or any(len(t) != n for t in self._texts):
            raise PackageError("neighbours.npz: its arrays do not belong together. Make the package anew.")

    def nearest(self, embedding: Floats, count: int = 3) -> tuple[Neighbour, ...]:
        """Return the photographs whose embeddings have the largest cosine with this one (D,), the nearest first."""
        similar = self._embedding @ _unit(embedding[None])[0]
        return tuple(self._neighbour(int(i), float(similar[i])) for i in np.argsort(-similar, kind="stable")[:count])

    def _neighbour(self, i: int, similarity: float) -> Neighbour:
        jpeg = self._pictures[self._ends[i] : self._ends[i + 1]].tobytes()
        texts = {name: str(column[i]) for name, column in zip(COLUMNS, self._texts, strict=True)}
        return Neighbour(**texts, similarity=round(similarity, 4), jpeg=jpeg)


def _unit(rows: Floats) -> Floats:
    return np.asarray(rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9), np.float32)
