"""Photographs for the page: only those of the store, only from inside its folders, and only as pixels."""

from __future__ import annotations

import io
import sqlite3
import tempfile
from pathlib import Path

from PIL import Image

from tickvision.errors import ImageError
from tickvision.images.decode import read_photo
from tickvision.review.intake import ELSEWHERE, OUTSIDE

LONG_SIDE_PX = {"full": 8000, "view": 2000, "small": 240}  # full: fetched when a reader goes close
KEPT = "pictures"


def picture(connection: sqlite3.Connection, desk: Path, number: int, size: str) -> bytes:
    """Return a photograph as a JPEG, turned upright, its long side at most LONG_SIDE_PX[size].

    What is sent is drawn anew from the pixels, so that neither place data nor anything hidden in the file goes out.
    Raises ImageError (missing, outside, unreadable, ...) where it cannot be shown.
    """
    number = min(number, 2**63 - 1)  # the largest that SQLite holds
    row = connection.execute("SELECT path, status, reason FROM photograph WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise ImageError("missing", "no such photograph at this desk")
    if row["status"] in (OUTSIDE, ELSEWHERE):
        raise ImageError(row["status"], row["reason"])
    path = Path(row["path"])
    roots = [Path(r["folder"]) for r in connection.execute("SELECT folder FROM root")]
    if not any(path.resolve().is_relative_to(root) for root in roots):  # a link may have been laid since the import
        raise ImageError(OUTSIDE, "lies outside the photographs' folders")
    kept = desk / KEPT / f"{number}-{size}-{_version(path)}.jpg"
    if kept.is_file():
        return kept.read_bytes()
    content = _draw(path, LONG_SIDE_PX[size])
    _keep(kept, content)
    return content


def _version(path: Path) -> str:
    try:
        found = path.stat()
    except OSError:
        raise ImageError("missing", "the photograph is no longer where it was") from None
    return f"{found.st_mtime_ns:x}-{found.st_size:x}"


def _draw(path: Path, long_side_px: int) -> bytes:
    photo = read_photo(path, at_least_px=long_side_px // 2)
    drawn = Image.fromarray(photo.pixels)
    drawn.thumbnail((long_side_px, long_side_px), Image.Resampling.BICUBIC)
    out = io.BytesIO()
    drawn.save(out, "JPEG", quality=92)
    return out.getvalue()


def _keep(path: Path, content: bytes) -> None:
    """Keep the drawn picture for the next time; a full disk only means that it is drawn again."""
    try:
        path.parent.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent) as folder:
            made = Path(folder, path.name)
            made.write_bytes(content)
            made.replace(path)
    except OSError:
        return
