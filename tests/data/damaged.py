"""A gallery of damaged photographs: bit flips, cuts, holes, repeats and headers that lie, the same for a seed."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Callable

import numpy as np
from made import scene

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


def gallery(number: int, seed: int = 0, size: tuple[int, int] = (160, 120)) -> list[tuple[str, bytes]]:
    """Return (what was done, content) of so many damaged files of all forms and kinds of damage in turn."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(number):
        form, options = FORMS[i % len(FORMS)]
        damage = DAMAGE[i // len(FORMS) % len(DAMAGE)]
        held = io.BytesIO()
        scene(size, seed=i).save(held, form, **options)
        made.append((f"{form}{damage.__name__}", damage(held.getvalue(), rng)))
    return made
