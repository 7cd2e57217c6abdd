"""The model package: a folder that predicts by itself. Written once, checked on every reading, no code in it."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import CalibrationError, DataError, OutputError, PackageError
from tickvision.evaluation.policy import Policy
from tickvision.images.prepare import Prepare

SCHEMA = 1
INDEX = "package.json"
MODEL = "model.onnx"
HASHES = "training_sha256.txt"
CARD = "card.md"
CREDITS = "credits.csv"


@dataclass(frozen=True)
class Package:
    """What a package folder holds, read and checked. trained_on: sha256 of the files that trained it."""

    folder: Path
    name: str
    version: str
    taxonomy: Taxonomy
    prepare: Prepare
    policy: Policy
    contact: str
    bench: str
    drawn: bool
    trained_on: frozenset[str]

    @property
    def model_id(self) -> str:
        """Return the name and version that stand in every prediction."""
        return f"{self.name} {self.version}"


def write(
    folder: Path,
    model: Path,
    name: str,
    taxonomy: Taxonomy,
    prepare: Prepare,
    policy: Policy,
    bench: str,
    contact: str,
    drawn: bool,
    trained_on: list[str],
    card: str,
    credits: str,
    made_by: str,
    parity: Mapping[str, float],
) -> Path:
    """Write a package folder and return it; an old package of ours in the same place is replaced whole.

    version: the first 12 hex digits of the model's and policy's hash, so that any change shows.
    Raises OutputError if the folder holds something else.
    """
    if folder.exists() and any(folder.iterdir()) and not (folder / INDEX).is_file():
        raise OutputError(f"{folder}: holds files that are no package. Give an empty folder.")
    temporary = folder.with_name(folder.name + ".tmp")
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir(parents=True)
    shutil.copyfile(model, temporary / MODEL)
    for file, text in ((HASHES, "\n".join(sorted(set(trained_on))) + "\n"), (CARD, card), (CREDITS, credits)):
        (temporary / file).write_text(text, encoding="utf-8")
    core = {"taxonomy": taxonomy.to_json(), "prepare": prepare.to_json(), "policy": policy.to_json()}
    stamp = sha256(temporary / MODEL) + json.dumps(core, sort_keys=True)
    index = {
        "schema": SCHEMA,
        "name": name,
        "version": hashlib.sha256(stamp.encode()).hexdigest()[:12],
        "made_by": made_by,
        "bench": bench,
        "contact": contact,
        "drawn": drawn,
        **core,
        "parity": dict(parity),
        "files": {f: sha256(temporary / f) for f in (MODEL, HASHES, CARD, CREDITS)},
    }
    (temporary / INDEX).write_text(json.dumps(index, indent=1, ensure_ascii=False), encoding="utf-8")
    shutil.rmtree(folder, ignore_errors=True)
    temporary.rename(folder)
    return folder


def read(folder: Path) -> Package:
    """Return the package of a folder, its hashes checked. Raises PackageError that says what is wrong."""
    index = _read_index(folder)
    for file, expected in index["files"].items():
        if "/" in file or "\\" in file or file.startswith("."):
            raise PackageError(f"{folder / INDEX}: names a file outside the package: '{file}'.")
        if not (folder / file).is_file():
            raise PackageError(f"{folder}: {file} is missing. Copy the whole folder again.")
        found = sha256(folder / file)
        if found != expected:
            raise PackageError(
                f"{folder / file}: sha256 is {found[:12]}..., {INDEX} says {str(expected)[:12]}.... "
                "The file was changed or damaged; copy the package again."
            )
    for file in (MODEL, HASHES):
        if file not in index["files"]:
            raise PackageError(f"{folder / INDEX}: does not list {file}.")
    try:
        return Package(
            folder,
            index["name"],
            index["version"],
            Taxonomy.from_json(index["taxonomy"]),
            Prepare.from_json(index["prepare"]),
            Policy.from_json(index["policy"]),
            index["contact"],
            index["bench"],
            bool(index["drawn"]),
            frozenset((folder / HASHES).read_text(encoding="utf-8").split()),
        )
    except (KeyError, TypeError, ValueError, IndexError, DataError, CalibrationError) as error:
        raise PackageError(f"{folder / INDEX}: a part is missing or wrong ({type(error).__name__}: {error}).") from None


def _read_index(folder: Path) -> dict[str, Any]:
    try:
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        raise PackageError(
            f"{folder}: no {INDEX} here, so no model package. Make one with: tickvision package CONFIG"
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise PackageError(f"{folder / INDEX}: not readable ({error}).") from None
    if not isinstance(index, dict) or not isinstance(index.get("files"), dict):
        raise PackageError(f"{folder / INDEX}: not a package index.")
    if index.get("schema") != SCHEMA:
        raise PackageError(
            f"{folder / INDEX}: schema {index.get('schema')}, this tickvision reads {SCHEMA}. "
            f"The package was made by {index.get('made_by', 'an unknown version')}; use that one."
        )
    return index


def sha256(path: Path) -> str:
    """Return the hex sha256 of a file."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
