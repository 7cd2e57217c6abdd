"""Copies of photographs without the coordinates of where they were taken: only those bytes change, no pixel does.

The GPS directory of the EXIF block is blanked where it lies (JPEG, TIFF, WebP, PNG), and so are the coordinates of an
XMP packet; every other byte, the pixels and the maker's notes stay as they were. Source: Exif 2.32, 4.6 (TIFF 6.0
directories); PNG 3rd edition, 5.3 (checksum of a chunk).
"""

from __future__ import annotations

import os
import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

from tickvision.data.headers import GPS, read_head

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}  # bytes a value, by TIFF type
_XMP = re.compile(rb"""(exif:GPS\w+\s*=\s*["'])([^"']*)(["'])|(<exif:GPS\w+>)([^<]*)(<)""")
_HEADS = (b"II*\0", b"MM\0*")


def copy_without_place(files: list[Path], folder: Path) -> list[Path]:
    """Write copies of the files into folder, as they lie below the folder they share; return those that failed."""
    plain = {f: f.parent.resolve() / f.name for f in files}  # with ".." in it a copy would land outside the folder
    top = os.path.commonpath([str(p.parent) for p in plain.values()]) if files else ""
    return [f for f, p in plain.items() if not write_without_place(f, folder / p.relative_to(top))]


def write_without_place(path: Path, target: Path) -> bool:
    """Write a copy without coordinates; False, and no copy, if the file cannot be read or they cannot be taken out."""
    try:
        content = bytearray(path.read_bytes())
        for start in _exif_blocks(content):
            _blank_gps(content, start)
        _blank_xmp(content)
        if content[:8] == b"\x89PNG\r\n\x1a\n":
            _mend_checksums(content)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    except (OSError, struct.error):
        return False
    if read_head(target).has_place:
        target.unlink()
        return False
    return True


def _exif_blocks(content: bytearray) -> Iterator[int]:
    """Yield where a TIFF head starts: the file itself, or what follows an EXIF mark of JPEG, WebP or PNG."""
    if content[:4] in _HEADS:
        yield 0
    for mark, skip in ((b"Exif\0\0", 6), (b"EXIF", 8), (b"eXIf", 4)):
        place = content.find(mark)
        while place >= 0:
            for start in (place + skip, place + skip + 6):  # some writers put "Exif\0\0" before it here too
                if content[start : start + 4] in _HEADS:
                    yield start
            place = content.find(mark, place + 1)


def _blank_gps(content: bytearray, start: int) -> None:
    """Blank the GPS directory that the first directory of the TIFF block at `start` points to."""
    order = "<" if content[start : start + 2] == b"II" else ">"
    (first,) = struct.unpack_from(f"{order}I", content, start + 4)
    for entry in _entries(content, start + first, order):
        tag, _, _, value = struct.unpack_from(f"{order}HHII", content, entry)
        if tag == GPS:
            for own in _entries(content, start + value, order):
                _, kind, count, place = struct.unpack_from(f"{order}HHII", content, own)
                size = _SIZES.get(kind, 1) * count
                if size > 4 and start + place + size <= len(content):
                    content[start + place : start + place + size] = bytes(size)
                content[own : own + 12] = bytes(12)
            struct.pack_into(f"{order}H", content, start + value, 0)


def _entries(content: bytearray, directory: int, order: str) -> list[int]:
    (count,) = struct.unpack_from(f"{order}H", content, directory)
    return [directory + 2 + 12 * k for k in range(count) if directory + 14 + 12 * k <= len(content)]


def _blank_xmp(content: bytearray) -> None:
    for found in list(_XMP.finditer(bytes(content))):
        for group in (2, 5):
            if found.group(group):
                start, end = found.span(group)
                content[start:end] = b" " * (end - start)


def _mend_checksums(content: bytearray) -> None:
    place = 8
    while place + 12 <= len(content):
        (length,) = struct.unpack_from(">I", content, place)
        end = place + 8 + length
        if end + 4 > len(content):
            return
        struct.pack_into(">I", content, end, zlib.crc32(content[place + 4 : end]))
        place = end + 4
