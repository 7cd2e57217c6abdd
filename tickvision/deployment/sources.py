"""Where photographs come from: files, folders, patterns, zip archives, URLs and lists of them. Nothing is unpacked."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path, PurePath
from typing import BinaryIO

from tickvision.deployment.reader import MAX_MEMBERS, open_archive, remote_filesystem
from tickvision.errors import DataError
from tickvision.images.decode import SUFFIXES

PICTURES = SUFFIXES | {".heic", ".heif"}
URL = re.compile(r"^[a-zA-Z][a-zA-Z0-9+.-]+://")


def find_photographs(arguments: Sequence[str], stdin: BinaryIO | None = None) -> list[str]:
    """Return the photographs that files, folders, patterns, zip archives, URLs and "-" name, in order, each once.

    "-" reads names from stdin, one a line, or separated by NUL where a NUL is found (for names with line breaks).
    A file that is named is kept whatever its suffix or state; in folders and archives only pictures are taken. Links in
    a circle are followed once. Raises DataError if a folder, archive or pattern holds none.
    """
    found: dict[str, None] = {}
    for argument in arguments:
        if argument == "-":
            names = _names_on(stdin)
            found |= dict.fromkeys(names)
        else:
            found |= dict.fromkeys(_named_by(argument))
    return list(found)


def _names_on(stdin: BinaryIO | None) -> list[str]:
    content = stdin.read() if stdin is not None else b""
    parts = content.split(b"\0") if b"\0" in content else content.splitlines()
    return [os.fsdecode(p) for p in parts if p.strip()]


def _named_by(argument: str) -> list[str]:
    if URL.match(argument):
        return _in_remote(argument)
    path = Path(argument)
    if path.is_dir():
        return _some(_in_folder(path), f"{path}: no pictures in this folder")
    if path.suffix.lower() == ".zip" and path.is_file():
        return _some(_in_archive(path), f"{path}: no pictures in this archive")
    if not path.exists() and any(sign in argument for sign in "*?["):
        import glob

        matches = sorted(m for m in glob.glob(argument, recursive=True) if Path(m).is_file())  # noqa: PTH207
        if not matches:
            raise DataError(f"'{argument}': no file fits this pattern.")
        return matches
    return [str(path)]


def _some(found: list[str], nothing: str) -> list[str]:
    if not found:
        raise DataError(f"{nothing} ({', '.join(sorted(PICTURES))}).")
    return found


def _is_picture(name: str) -> bool:
    return PurePath(name).suffix.lower() in PICTURES


def _in_folder(top: Path) -> list[str]:
    found = []
    for folder, names, files in os.walk(top):
        names.sort()
        found += [str(Path(folder) / f) for f in sorted(files) if _is_picture(f)]
    return found


def _in_archive(path: Path) -> list[str]:
    """Return "archive.zip/member" of every picture inside, archives inside it left out."""
    with open_archive(path) as archive:
        members = archive.infolist()
    if len(members) > MAX_MEMBERS:
        raise DataError(f"{path}: {len(members):,} members, at most {MAX_MEMBERS:,} are read from one archive.")
    pictures = {m.filename for m in members if _is_picture(m.filename) and not m.is_dir()}
    return [f"{path}/{name}" for name in sorted(pictures) if not name.startswith("__MACOSX/")]


def _in_remote(url: str) -> list[str]:
    filesystem, path = remote_filesystem(url)
    try:
        if any(sign in path for sign in "*?["):
            names = [n for n in filesystem.glob(path) if _is_picture(n)]
        elif filesystem.isdir(path):
            names = [n for n in filesystem.find(path) if _is_picture(n)]
        else:
            return [url]
    except Exception as error:  # each kind of storage raises types of its own
        raise DataError(f"{url}: cannot be listed ({type(error).__name__}: {error}).") from None
    return _some([filesystem.unstrip_protocol(n) for n in sorted(names)], f"{url}: no pictures here")
