"""Decode every photograph once: prepared squares in one array on disk, and what was measured on each.

Kept: pictures.npy (N, S, S, 3) uint8 and looks.npz (hash, status, quality, perceptual hash, rim). A second call decodes
only files that are new or changed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data.arrays import UNREADABLE, open_arrays
from tickvision.data.headers import read_head
from tickvision.errors import DataError, ImageError
from tickvision.images.decode import Box, read_photo
from tickvision.images.look import MEASURES, RIM_FEATURES, difference_hash, measure_quality, rim_features
from tickvision.images.prepare import Prepare, to_square
from tickvision.whole_files import whole

Progress = Callable[[int, int, int], None]  # done, total, failures so far
CHUNK = 512
_FIELDS = {
    "sha256": "U64",
    "status": "U16",
    "reason": "U200",
    "width": "i4",
    "height": "i4",
    "sharpness": "f4",
    "dark": "f4",
    "bright": "f4",
    "dhash": "u8",
    "mode": "U8",
    "turn": "i4",
    "has_place": "?",
}


@dataclass(frozen=True)
class Pictures:
    """squares: (N, S, S, 3) uint8, read from disk as needed. looks: one row a photograph (photo_id, status, sha256,
    width, height, sharpness, dark, bright, dhash; mode, turn and has_place as in headers.Head). rim: (N, 18) float32.
    Rows with a status other than ok are black."""

    squares: NDArray[np.uint8]
    looks: pd.DataFrame
    rim: NDArray[np.float32]

    @property
    def readable(self) -> NDArray[np.bool_]:
        """Return (N,) bool."""
        return (self.looks["status"] == "ok").to_numpy()

    @property
    def quality(self) -> NDArray[np.float32]:
        """Return (N, 4) in the order of images.look.MEASURES."""
        short = self.looks[["width", "height"]].min(axis=1)
        columns = [short if name == "short_side_px" else self.looks[name] for name in MEASURES]
        return np.stack([c.to_numpy(np.float32) for c in columns], axis=1)


def build(frame: pd.DataFrame, folder: Path, prepare: Prepare, workers: int, progress: Progress) -> Pictures:
    """Decode the photographs of the frame (photo_id, path, region) into folder, reusing what is already there."""
    folder.mkdir(parents=True, exist_ok=True)
    keys = [state_of(Path(p), r) for p, r in zip(frame["path"], frame["region"], strict=True)]
    old = _load(folder, prepare)
    if old is not None and old[1] == keys and list(old[0].looks["photo_id"]) == list(frame["photo_id"]):
        return old[0]
    size = prepare.size_px
    temporary = folder / "pictures.npy.tmp"
    squares = np.lib.format.open_memmap(temporary, "w+", np.uint8, (len(frame), size, size, 3))
    _claim(temporary)
    table = {name: np.zeros(len(frame), kind) for name, kind in _FIELDS.items()}
    rim = np.zeros((len(frame), RIM_FEATURES), np.float32)
    place = {k: i for i, k in enumerate(old[1])} if old else {}
    failures = 0
    for i, row in enumerate(_rows(frame, keys, place, old[0] if old else None, prepare, workers)):
        square, values, rim[i] = row
        squares[i] = square
        for name, value in values.items():
            table[name][i] = value
        failures += values["status"] != "ok"
        progress(i + 1, len(frame), failures)
    squares.flush()
    (folder / "looks.npz").unlink(missing_ok=True)  # a kill in between must not leave old looks on new pictures
    temporary.replace(folder / "pictures.npy")
    with whole(folder / "looks.npz") as looks, looks.open("wb") as handle:
        np.savez(
            handle,
            key=np.array(keys),
            photo_id=frame["photo_id"].to_numpy(str),
            rim=rim,
            prepare=np.array(json.dumps(prepare.to_json())),
            **table,  # type: ignore[arg-type]
        )
    loaded = _load(folder, prepare)
    if loaded is None:
        raise DataError(f"{folder}: the pictures just written cannot be read back; is the disk full?")
    return loaded[0]


def _claim(path: Path) -> None:
    """Take the room of a sparse file now: no room is an error here, and a SIGBUS when it is written through a map."""
    if hasattr(os, "posix_fallocate"):
        with path.open("r+b") as handle:
            try:
                os.posix_fallocate(handle.fileno(), 0, path.stat().st_size)
            except OSError as error:
                raise OSError(error.errno, error.strerror, str(path)) from None


def state_of(path: Path, region: str) -> str:
    """Return what changes when the file or its region changes: path, size, time of change, region."""
    try:
        state = path.stat()
        return f"{path}|{state.st_size}|{state.st_mtime_ns}|{region}"
    except OSError:
        return f"{path}|missing|{region}"


def hashes(folder: Path) -> list[str]:
    """Return the sha256 of each photograph that was looked at, in their order; [] if none was."""
    try:
        with open_arrays(folder / "looks.npz") as held:
            return [str(sha) for sha in held["sha256"]]
    except UNREADABLE:
        return []


def _load(folder: Path, prepare: Prepare) -> tuple[Pictures, list[str]] | None:
    try:
        with open_arrays(folder / "looks.npz") as held:
            if str(held["prepare"]) != json.dumps(prepare.to_json()):
                return None
            looks = pd.DataFrame({"photo_id": held["photo_id"], **{n: held[n] for n in _FIELDS}})
            squares = np.load(folder / "pictures.npy", mmap_mode="r", allow_pickle=False)
            if len(squares) != len(looks):
                return None
            return Pictures(squares, looks, held["rim"]), [str(k) for k in held["key"]]
    except UNREADABLE:
        return None


def _rows(
    frame: pd.DataFrame, keys: list[str], place: dict[str, int], old: Pictures | None, prepare: Prepare, workers: int
) -> Iterator[tuple[NDArray[np.uint8], dict[str, object], NDArray[np.float32]]]:
    """Yield (square, measured values, rim) in row order; decoding runs in threads, a bounded number ahead."""
    paths, regions = frame["path"].tolist(), frame["region"].tolist()

    def one(i: int) -> tuple[NDArray[np.uint8], dict[str, object], NDArray[np.float32]]:
        if old is not None and keys[i] in place and "|missing|" not in keys[i]:
            j = place[keys[i]]
            return old.squares[j], {n: old.looks[n].iat[j] for n in _FIELDS}, old.rim[j]
        return look_at(Path(paths[i]), regions[i], prepare)

    with ThreadPoolExecutor(max(1, workers)) as pool:
        for start in range(0, len(frame), CHUNK):
            yield from pool.map(one, range(start, min(start + CHUNK, len(frame))))


def look_at(
    path: Path, region: str, prepare: Prepare
) -> tuple[NDArray[np.uint8], dict[str, object], NDArray[np.float32]]:
    """Return (prepared square, measured values, rim) of one file; a fault becomes a status and a reason."""
    try:
        photo = read_photo(path, prepare.decode_px, parse_region(region))
    except ImageError as error:
        empty = np.zeros((prepare.size_px, prepare.size_px, 3), np.uint8)
        return empty, {"status": error.status, "reason": error.reason}, np.zeros(RIM_FEATURES, np.float32)
    head = read_head(path)
    square = to_square(photo, prepare)
    quality = measure_quality(square, photo.width, photo.height)
    values: dict[str, object] = {
        "sha256": photo.sha256,
        "status": "ok",
        "reason": "",
        "width": photo.width,
        "height": photo.height,
        "sharpness": quality.sharpness,
        "dark": quality.dark,
        "bright": quality.bright,
        "dhash": np.uint64(difference_hash(square)),
        "mode": head.mode,
        "turn": head.turn,
        "has_place": head.has_place,
    }
    return square, values, rim_features(square)


def parse_region(text: str) -> Box | None:
    """Return the box of "x y width height" (fractions of the picture), None if blank.

    Raises ImageError if it is no such text, so that the photograph becomes a row with a status.
    """
    if not text.strip():
        return None
    try:
        x, y, w, h = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        raise ImageError("unreadable", f"region '{text}' is not four numbers 'x y width height'") from None
    return x, y, w, h
