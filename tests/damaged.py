"""A gallery of damaged photographs, the same for a seed: bit flips, cuts, holes, repeats and headers that lie; and what
became of each in a job."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import struct
import tempfile
import zlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from made import scene
from numpy.typing import NDArray
from PIL import Image

from tickvision.data.ingest import read_findings
from tickvision.images.decode import decode
from tickvision.images.prepare import Prepare, to_square

FORMS: tuple[tuple[str, dict[str, object]], ...] = (
    ("JPEG", {"quality": 90}), ("JPEG", {"quality": 75, "progressive": True}), ("PNG", {}), ("WEBP", {"quality": 85}),
    ("WEBP", {"lossless": True}), ("TIFF", {"compression": "tiff_lzw"}), ("TIFF", {}), ("BMP", {}),
)  # fmt: skip


def _flip(content: bytes, rng: np.random.Generator) -> bytes:
    changed = bytearray(content)
    for _ in range(int(rng.integers(1, 30))):
        changed[rng.integers(len(changed))] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def _flip_in_the_head(content: bytes, rng: np.random.Generator) -> bytes:
    return _flip(content[:64], rng) + content[64:]


def _cut(content: bytes, rng: np.random.Generator) -> bytes:
    return content[: int(rng.integers(1, len(content)))]


def _cut_near_the_end(content: bytes, rng: np.random.Generator) -> bytes:
    return content[: -int(rng.integers(1, 40))]


def _blank_a_hole(content: bytes, rng: np.random.Generator) -> bytes:
    start, length = int(rng.integers(len(content))), int(rng.integers(1, 400))
    return content[:start] + bytes(len(content[start : start + length])) + content[start + length :]


def _leave_out(content: bytes, rng: np.random.Generator) -> bytes:
    start, length = int(rng.integers(20, len(content))), int(rng.integers(1, 400))
    return content[:start] + content[start + length :]


def _repeat(content: bytes, rng: np.random.Generator) -> bytes:
    start = int(rng.integers(20, len(content)))
    return content[: start + 200] + content[start:]


def _lie_about_the_size(content: bytes, rng: np.random.Generator) -> bytes:
    """Another width and height in the header of a JPEG, PNG or BMP, all checksums right; others lose a byte."""
    wide, high = (int(v) for v in rng.choice([0, 1, 7, 90, 400, 5_000, 60_000], 2))
    if content.startswith(b"\x89PNG"):
        head = b"IHDR" + struct.pack(">II", wide, high) + content[24:29]
        return content[:12] + head + struct.pack(">I", zlib.crc32(head)) + content[33:]
    if content.startswith(b"BM"):
        return content[:18] + struct.pack("<ii", wide, high) + content[26:]
    frame = re.search(rb"\xff[\xc0\xc2]..\x08", content, re.DOTALL)
    if frame is None:
        return content[1:]
    return content[: frame.end()] + struct.pack(">HH", high, wide) + content[frame.end() + 4 :]


DAMAGE: tuple[Callable[[bytes, np.random.Generator], bytes], ...] = (
    _flip, _flip_in_the_head, _cut, _cut_near_the_end, _blank_a_hole, _leave_out, _repeat, _lie_about_the_size,
)  # fmt: skip


class Damaged(NamedTuple):
    """what: format and damage. content: the damaged file. whole: the file before."""

    what: str
    content: bytes
    whole: bytes


def gallery(
    number: int, seed: int = 0, size: tuple[int, int] = (160, 120), pictures: Sequence[Image.Image] = ()
) -> list[Damaged]:
    """Return so many damaged files of all forms and kinds of damage in turn, of these pictures or of drawn scenes."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(number):
        form, options = FORMS[i % len(FORMS)]
        damage = DAMAGE[i // len(FORMS) % len(DAMAGE)]
        held = io.BytesIO()
        (pictures[i] if pictures else scene(size, seed=i)).save(held, form, **options)
        made.append(Damaged(f"{form}{damage.__name__}", damage(held.getvalue(), rng), held.getvalue()))
    return made


TILES = 8
SAME = 4.0  # of 255, in the worst of 8 x 8 tiles


def is_same(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> bool:
    """Return whether two prepared squares (S, S, 3) show the same: no tile differs by more than SAME in the mean."""
    apart = np.abs(one.astype(float) - other).mean(2)
    tiles = [t for row in np.array_split(apart, TILES) for t in np.array_split(row, TILES, axis=1)]
    return max(t.mean() for t in tiles) <= SAME


def is_read_elsewhere(content: bytes) -> bool:
    """Return whether OpenCV, with decoders of its own, reads the file without a word on stderr."""
    with tempfile.TemporaryFile() as said:
        kept = os.dup(2)
        os.dup2(said.fileno(), 2)
        try:
            picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
        except cv2.error:
            picture = None
        finally:
            os.dup2(kept, 2)
            os.close(kept)
        return picture is not None and said.tell() == 0


def fates(run: Path, day: Path, damaged: Mapping[str, Damaged]) -> tuple[dict[str, str], list[str]]:
    """Return (photo_id -> fate, what is wrong) of a job that went from import to package and predict.

    run: the job's folder. day: what predict wrote as JSON lines. damaged: photo_id -> file; the file's name
    is that of photo_id, with .jpg or without. Fates: "refused" with a status; "same" picture as before the damage;
    "unknowable": another picture, but OpenCV too reads the file without a warning (no checksum tells); "wrong": another
    picture, and it could have been known.
    """
    with (run / "manifest.csv").open(encoding="utf-8", newline="") as handle:
        imported = {row["photo_id"]: row["status"] for row in csv.DictReader(handle)}
    with np.load(run / "pictures/looks.npz", allow_pickle=False) as held:
        looks = dict(zip(held["photo_id"].tolist(), enumerate(held["status"].tolist()), strict=True))
        prepare = Prepare.from_json(json.loads(str(held["prepare"])))
    squares = np.load(run / "pictures/pictures.npy", mmap_mode="r", allow_pickle=False)
    with np.load(run / "train/scores.npz", allow_pickle=False) as held:
        scored = set(held["photo_id"].tolist())
    told = {(f.photo_id, f.finding) for f in read_findings(run / "findings.csv") if f.severity == "error" and f.message}
    lines = [json.loads(line) for line in day.read_text(encoding="utf-8").splitlines()]
    said = {Path(p["path"]).name.removesuffix(".jpg"): p for line in lines for p in line["photographs"]}
    met: dict[str, str] = {}
    faults: list[str] = []
    for photo, one in damaged.items():
        at, status = looks.get(photo, (-1, "absent"))
        answer = said.get(Path(photo).name.removesuffix(".jpg"), {"status": "absent", "reason": ""})
        met[photo] = fate = "refused" if status != "ok" else _shown(one, squares[at], prepare)
        wrong = {
            "no usable row of the manifest": imported.get(photo) != "ok",
            "another picture, and nothing says so": fate == "wrong",
            f"check says {status}, predict {answer['status']}": status != answer["status"],
            "refused without a finding": status != "ok" and (photo, status) not in told,
            "refused without a reason in predict": answer["status"] != "ok" and not answer["reason"],
            "scored although refused, or not scored": (photo in scored) != (status == "ok"),
            "refused, but not black": status != "ok" and bool(squares[at].any()),
        }
        faults += [f"{photo} ({one.what}): {what}" for what, is_so in wrong.items() if is_so]
    return met, faults


def _shown(one: Damaged, square: NDArray[np.uint8], prepare: Prepare) -> str:
    if is_same(square, to_square(decode(one.whole, prepare.decode_px), prepare)):
        return "same"
    return "unknowable" if is_read_elsewhere(one.content) else "wrong"
