"""Input of several files as one text."""

from __future__ import annotations

import io
import zipfile

MARK = b"\n%%% "


def join(files: dict[str, bytes]) -> bytes:
    """Return the files as one input."""
    return b"".join(MARK + name.encode() + b"\n" + content for name, content in files.items())


def parts(content: bytes) -> dict[str, bytes]:
    """Return name -> bytes of an input made of several files; the last of a name counts."""
    found = {}
    for part in (b"\n" + content.lstrip(b"\n")).split(MARK)[1:]:
        name, _, held = part.partition(b"\n")
        found[name.decode("latin-1").strip()] = held
    return found


def zipped(files: dict[str, bytes]) -> bytes:
    """Return the files as zip bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for name, held in files.items():
            packed.writestr(zipfile.ZipInfo(name or "x"), held)
    return out.getvalue()
