"""Predict: group photographs into specimens, look at each, decide, and never let one bad file stop the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tickvision.deployment import decision as decisions
from tickvision.deployment.decision import Decision, Photograph
from tickvision.deployment.engine import Engine
from tickvision.deployment.package import MODEL, Package, read
from tickvision.errors import DataError, ImageError
from tickvision.images.decode import SUFFIXES, read_photo
from tickvision.images.look import measure_quality
from tickvision.images.prepare import to_square

BATCH = 16
SPECIMENS_AHEAD = 32


@dataclass(frozen=True)
class Specimen:
    """Photographs of one tick."""

    specimen_id: str
    paths: tuple[Path, ...]


@dataclass(frozen=True)
class _Looked:
    photo: Photograph
    square: NDArray[np.uint8] | None
    sharpness: float


class Predictor:
    """A loaded package. predict may be called any number of times, from one thread at a time."""

    def __init__(self, package: Package, threads: int = 0) -> None:
        self.package = package
        self._engine = Engine(package.folder / MODEL, package.prepare, threads)

    def predict(self, inputs: Sequence[Path | str | Specimen]) -> list[Decision]:
        """Return one decision per specimen, in order. A path is a photograph that is a specimen of its own."""
        return list(self.stream(inputs))

    def stream(
        self, inputs: Iterable[Path | str | Specimen], workers: int = 2, progress: Callable[[int], None] | None = None
    ) -> Iterator[Decision]:
        """Yield decisions as they are made, in order, with a bounded number of specimens in memory."""
        with ThreadPoolExecutor(max(1, workers)) as pool:
            for chunk in _chunks(inputs, SPECIMENS_AHEAD):
                looked = [list(pool.map(self._look, s.paths)) for s in chunk]
                yield from self._decide(chunk, looked)
                if progress is not None:
                    progress(len(chunk))

    def _look(self, path: Path) -> _Looked:
        prepare = self.package.prepare
        try:
            photo = read_photo(path, prepare.decode_px)
        except ImageError as error:
            return _Looked(Photograph(str(path), error.status, error.reason), None, 0.0)
        square = to_square(photo, prepare)
        quality = measure_quality(square, photo.width, photo.height)
        known = photo.sha256 in self.package.trained_on
        return _Looked(Photograph(str(path), "ok", "", known), square, quality.sharpness)

    def _decide(self, chunk: list[Specimen], looked: list[list[_Looked]]) -> Iterator[Decision]:
        squares = [one.square for photos in looked for one in photos if one.square is not None]
        taxon, state = self._logits(squares) if squares else (None, None)
        package, start = self.package, 0
        for specimen, photos in zip(chunk, looked, strict=True):
            good = [one for one in photos if one.square is not None]
            record = tuple(one.photo for one in photos)
            if not good or taxon is None or state is None:
                yield decisions.unreadable(
                    specimen.specimen_id, record, package.contact, package.model_id, package.drawn
                )
                continue
            rows = slice(start, start + len(good))
            start += len(good)
            choice = package.policy.decide(
                taxon[rows].mean(0, keepdims=True),
                state[rows].mean(0, keepdims=True),
                package.taxonomy,
                np.array([max(one.sharpness for one in good)]),
            )[0]
            yield decisions.from_choice(
                specimen.specimen_id, choice, record, package.policy, package.contact, package.model_id, package.drawn
            )

    def _logits(self, squares: list[NDArray[np.uint8]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        parts = [self._engine.logits(np.stack(squares[i : i + BATCH])) for i in range(0, len(squares), BATCH)]
        taxon, state = (np.concatenate(column).astype(np.float64) for column in zip(*parts, strict=True))
        return taxon, state


def load(folder: Path | str, threads: int = 0) -> Predictor:
    """Return the predictor of a package folder. Raises PackageError if it is damaged, swapped or of another schema."""
    return Predictor(read(Path(folder)), threads)


def _chunks(inputs: Iterable[Path | str | Specimen], size: int) -> Iterator[list[Specimen]]:
    chunk: list[Specimen] = []
    for item in inputs:
        chunk.append(item if isinstance(item, Specimen) else Specimen(str(item), (Path(item),)))
        if len(chunk) == size:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def find_photographs(arguments: Sequence[str]) -> list[Path]:
    """Return the photographs that files, folders and globs name, in order, each once.

    A file that is named is kept whatever its suffix or state; in folders only pictures are taken. Links in a circle are
    followed once. Raises DataError if a folder or pattern holds none.
    """
    found: dict[Path, None] = {}
    for argument in arguments:
        path = Path(argument)
        if path.is_dir():
            inside = _in_folder(path)
            if not inside:
                raise DataError(f"{path}: no pictures in this folder ({', '.join(sorted(SUFFIXES))}).")
            found |= dict.fromkeys(inside)
        elif not path.exists() and any(sign in argument for sign in "*?["):
            import glob

            matches = sorted(Path(m) for m in glob.glob(argument, recursive=True))  # noqa: PTH207 (absolute patterns)
            if not matches:
                raise DataError(f"'{argument}': no file fits this pattern.")
            found |= dict.fromkeys(m for m in matches if m.is_file())
        else:
            found[path] = None
    return list(found)


def _in_folder(top: Path) -> list[Path]:
    import os

    found = []
    for folder, names, files in os.walk(top):
        names.sort()
        found += [Path(folder) / f for f in sorted(files) if Path(f).suffix.lower() in SUFFIXES]
    return found


def group(paths: Sequence[Path], by: str) -> list[Specimen]:
    """Return specimens of photographs. by: "photo" (each its own) or "folder" (all in one folder are one specimen)."""
    if by == "photo":
        return [Specimen(str(p), (p,)) for p in paths]
    folders: dict[Path, list[Path]] = {}
    for path in paths:
        folders.setdefault(path.parent, []).append(path)
    return [Specimen(str(folder), tuple(inside)) for folder, inside in folders.items()]


def read_list(table: Path) -> list[Specimen]:
    """Return the specimens of a CSV with columns file and specimen_id, files relative to the CSV.

    Raises DataError if a column is missing.
    """
    import csv

    try:
        with table.open("r", encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle)
            header = reader.fieldnames or []
            if "file" not in header or "specimen_id" not in header:
                raise DataError(
                    f"{table}: columns 'file' and 'specimen_id' are needed; the header has: {', '.join(header)}."
                )
            specimens: dict[str, list[Path]] = {}
            for row in reader:
                specimens.setdefault(row["specimen_id"] or row["file"], []).append(table.parent / row["file"])
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise DataError(f"{table}: cannot be read as a CSV ({error}).") from None
    return [Specimen(key, tuple(paths)) for key, paths in specimens.items()]
