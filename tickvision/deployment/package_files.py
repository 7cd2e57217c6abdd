"""The files of a model package, read and checked against their hashes. Needs no numpy, so that it can come first."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tickvision.errors import PackageError, TickvisionError

SCHEMA = 1
INDEX = "package.json"
MODEL = "model.onnx"
HASHES = "training_sha256.txt"
MAX_FILE_BYTES = 2 * 1024**3
# what a form of other shapes and kinds than ours raises
MISSHAPEN = (TickvisionError, TypeError, ValueError, LookupError, AttributeError, ArithmeticError)

Contents = dict[str, bytes]  # by name of the file
Get = Callable[[str], bytes]  # the bytes of a file of the package, by name


def read_files(location: Path) -> tuple[dict[str, Any], Contents]:
    """Return (index, checked bytes of every file) of a package, a folder or a .zip of it.

    Raises PackageError if a file is missing, has another hash than the index says, or the schema is not ours.
    """
    get = _zip_reader(location) if location.is_file() else _folder_reader(location)
    index = _read_index(location, get)
    contents = {file: _checked(location, get, file, str(expected)) for file, expected in index["files"].items()}
    for needed in (MODEL, HASHES):
        if needed not in contents:
            raise PackageError(f"{location / INDEX}: does not list {needed}.")
    return index, contents


def _read_index(location: Path, get: Get) -> dict[str, Any]:
    try:
        index = json.loads(get(INDEX).decode("utf-8"))
    except (FileNotFoundError, NotADirectoryError, KeyError):
        raise PackageError(
            f"{location}: no {INDEX} here, so no model package. Make one with: tickvision package CONFIG"
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise PackageError(f"{location / INDEX}: not readable ({error}).") from None
    if not isinstance(index, dict) or not isinstance(index.get("files"), dict):
        raise PackageError(f"{location / INDEX}: not a package index.")
    if index.get("schema") != SCHEMA:
        raise PackageError(
            f"{location / INDEX}: schema {index.get('schema')}, this tickvision reads {SCHEMA}. "
            f"The package was made by {index.get('made_by', 'an unknown version')}; use that one."
        )
    return index


def _checked(location: Path, get: Get, file: str, expected: str) -> bytes:
    if "/" in file or "\\" in file or file.startswith("."):
        raise PackageError(f"{location / INDEX}: names a file outside the package: '{file}'.")
    try:
        content = get(file)
    except (FileNotFoundError, KeyError):
        raise PackageError(f"{location}: {file} is missing. Copy the whole package again.") from None
    except (OSError, ValueError) as error:
        raise PackageError(f"{location}: '{file}' cannot be read ({error}). Copy the whole package again.") from None
    found = hashlib.sha256(content).hexdigest()
    if found != expected:
        raise PackageError(
            f"{location / file}: sha256 is {found[:12]}..., {INDEX} says {expected[:12]}.... "
            "The file was changed or damaged; copy the package again."
        )
    return content


def _folder_reader(folder: Path) -> Get:
    return lambda file: (folder / file).read_bytes()


def _zip_reader(path: Path) -> Get:
    """Return a function that reads a file of the zip in memory; the package may lie in one folder inside the zip."""
    import lzma
    import zipfile
    import zlib

    broken = (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, lzma.LZMAError, RuntimeError, EOFError, OSError)

    def get(file: str) -> bytes:
        """Return a file's bytes. Raises PackageError if the zip or the file cannot be read."""
        try:
            with zipfile.ZipFile(path) as archive:
                indexes = [n for n in archive.namelist() if n.split("/")[-1] == INDEX and n.count("/") <= 1]
                top = indexes[0][: -len(INDEX)] if len(indexes) == 1 else ""
                member = archive.getinfo(top + file)
                if member.file_size > MAX_FILE_BYTES:
                    raise PackageError(f"{path}: {file} would take {member.file_size:,} bytes; that is no package.")
                with archive.open(member) as handle:
                    return handle.read(MAX_FILE_BYTES)
        except broken as error:
            raise PackageError(f"{path}: neither a package folder nor a readable .zip of one ({error}).") from None

    return get
