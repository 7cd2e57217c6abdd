"""The model package: a folder, or the same as one .zip, that predicts by itself. Checked on reading, no code in it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from tickvision.deployment.opening import misshapen
from tickvision.deployment.package_files import HASHES, INDEX, MISSHAPEN, MODEL, SCHEMA, Contents, read_files
from tickvision.domain.taxonomy import Taxonomy
from tickvision.domain.typed import typed
from tickvision.errors import OutputError, PackageError
from tickvision.evaluation.policy import Policy
from tickvision.images.look import MEASURES
from tickvision.images.prepare import Prepare
from tickvision.whole_files import sha256

HEADS = "heads.npz"  # the weights of the heads, which only --explain needs; absent in packages of earlier versions
NEIGHBOURS = "neighbours.npz"  # by choice: training photographs that may be shared


@dataclass(frozen=True)
class Package:
    """What a package folder holds, read and checked, or to be written.

    trained_on: sha256 of the files that trained it. smaller: what was measured on val of a network in fewer bits, {} if
    none was asked for. version: "" before it is written.
    """

    folder: Path
    name: str
    taxonomy: Taxonomy
    prepare: Prepare
    policy: Policy
    contact: str
    bench: str
    drawn: bool
    trained_on: frozenset[str]
    smaller: Mapping[str, float] = field(default_factory=dict)
    version: str = ""

    @property
    def model_id(self) -> str:
        """Return the name and version that stand in every prediction."""
        return f"{self.name} {self.version}"


def write(
    package: Package, model: Path, made_by: str, parity: Mapping[str, float], files: Mapping[str, bytes]
) -> Package:
    """Write package.folder and return the package with its version; an old one of ours in its place is replaced whole.

    model: the ONNX file. parity: how far it is from what was trained. files: name -> content of what else goes in: the
    card, credits, neighbours. version: the first 12 hex digits of the model's and policy's hash, so that any change
    shows. Raises OutputError if the folder holds something else.
    """
    import shutil  # takes time to import, and predict never writes a package

    folder = package.folder
    if folder.exists() and any(folder.iterdir()) and not (folder / INDEX).is_file():
        raise OutputError(f"{folder}: holds files that are no package. Give an empty folder.")
    temporary = folder.with_name(folder.name + ".tmp")
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir(parents=True)
    shutil.copyfile(model, temporary / MODEL)
    heads = model.with_name(HEADS)
    if heads.is_file():
        shutil.copyfile(heads, temporary / HEADS)
    hashes = "".join(f"{line}\n" for line in sorted(package.trained_on))
    for name, content in {**files, HASHES: hashes.encode()}.items():
        (temporary / name).write_bytes(content)
    core = {part: getattr(package, part).to_json() for part in ("taxonomy", "prepare", "policy")}
    package = replace(package, version=_version(sha256(temporary / MODEL), core))
    index = {
        "schema": SCHEMA,
        "made_by": made_by,
        **{part: getattr(package, part) for part in ("name", "version", "bench", "contact", "drawn")},
        **core,
        "parity": dict(parity),
        "smaller": dict(package.smaller),
        "files": {f.name: sha256(f) for f in sorted(temporary.iterdir())},
    }
    (temporary / INDEX).write_text(json.dumps(index, indent=1, ensure_ascii=False), encoding="utf-8")
    _take_place(temporary, folder)
    return package


def _take_place(made: Path, folder: Path) -> None:
    """Put the made package where the old one was; a kill must not leave half a package, which we would not replace."""
    import shutil

    old = folder.with_name(folder.name + ".old")
    shutil.rmtree(old, ignore_errors=True)
    if folder.exists():
        folder.rename(old)
    made.rename(folder)
    shutil.rmtree(old, ignore_errors=True)


def read(location: Path) -> Package:
    """Return the package of a folder or .zip, its hashes checked. Raises PackageError that says what is wrong."""
    return read_all(location)[0]


def read_all(location: Path) -> tuple[Package, Contents]:
    """Return the package and the checked bytes of its files: what is checked is what runs, whatever happens on disk."""
    index, contents = read_files(location)
    return from_files(location, index, contents), contents


def from_files(location: Path, index: Mapping[str, Any], contents: Contents) -> Package:
    """Return the package whose files are read. Raises PackageError that says what is missing or does not fit."""
    try:
        package = typed(
            Package(
                location,
                index["name"],
                Taxonomy.from_json(index["taxonomy"]),
                Prepare.from_json(index["prepare"]),
                Policy.from_json(index["policy"]),
                index["contact"],
                index["bench"],
                bool(index["drawn"]),
                frozenset(contents[HASHES].decode("utf-8").split()),
                {name: float(value) for name, value in index.get("smaller", {}).items()},
                index["version"],
            )
        )
    except MISSHAPEN as error:
        raise misshapen(location, error) from None
    if package.version != _version(index["files"][MODEL], index):
        raise PackageError(
            f"{location / INDEX}: labels, preparation or policy are not those that were packaged with this model. "
            "The file was changed or is of another package; copy the package again, or make it anew."
        )
    _rehearse(package)
    return package


def _rehearse(package: Package) -> None:
    """Decide on one made-up specimen, so that a policy that does not fit its taxonomy is told on loading."""
    taxa, states = len(package.taxonomy.taxa), len(package.taxonomy.states)
    vim = package.policy.vim
    try:
        package.policy.decide(
            np.zeros((1, taxa)),
            np.zeros((1, taxa, states)),
            package.taxonomy,
            np.ones((1, len(MEASURES))),
            np.zeros((1, len(vim.origin) if vim else 1)),
        )
    except MISSHAPEN as error:
        raise PackageError(
            f"{package.folder / INDEX}: taxonomy and policy do not fit each other ({type(error).__name__}: {error})."
        ) from None


def _version(model_sha256: str, index: Mapping[str, Any]) -> str:
    """Return the first 12 hex digits of the hash of the model and of all that gives its numbers a meaning."""
    core = {part: index[part] for part in ("taxonomy", "prepare", "policy")}
    return hashlib.sha256((model_sha256 + json.dumps(core, sort_keys=True)).encode()).hexdigest()[:12]
