"""The model package."""

from __future__ import annotations

import hashlib
import json
import tempfile
from pathlib import Path

import numpy as np

from doors.parts import join, parts, zipped
from doors.small_package import write_package

MODULES = ("tickvision.deployment", "tickvision.evaluation", "tickvision.domain", "json", "zipfile")


def attempt(content: bytes, folder: Path) -> str:
    """A package as parts. Its hashes are set right unless a part "as it is" is there, so that mutation gets past them;
    what is read must also decide: on any logits an answer, or an error of ours."""
    from tickvision.deployment.decision import Case, Maker, Photograph
    from tickvision.deployment.neighbours import Neighbours
    from tickvision.deployment.package import INDEX, NEIGHBOURS, read_all

    files = parts(content)
    if "as it is" not in files:
        files |= _sealed(files)
    path = folder / "package.zip"
    path.write_bytes(content if content.startswith(b"PK") else zipped(files))
    held, contents = read_all(path)
    if INDEX in contents or any("/" in name for name in contents):
        raise AssertionError("read what is no part of a package")
    t, s = len(held.taxonomy.taxa), len(held.taxonomy.states)
    rng = np.random.default_rng(0)
    quality = np.array([[100.0, 0.1, 0.1, 64.0]] * 3)
    choices = held.policy.decide(
        rng.normal(size=(3, t)), rng.normal(size=(3, t, s)), held.taxonomy, quality, rng.normal(size=(3, 3))
    )
    maker = Maker(held.policy, held.contact, held.model_id, held.drawn)
    for choice in choices:
        json.dumps(maker.from_choice(Case("s", (Photograph("a.jpg", "ok"),), 64), choice).to_dict())
    if NEIGHBOURS in contents:
        Neighbours(contents[NEIGHBOURS]).nearest(np.ones(3, np.float32))
    return "read"


def _sealed(files: dict[str, bytes]) -> dict[str, bytes]:
    """Return package.json with the true hashes and version, if it is JSON at all."""
    from tickvision.deployment.package import MODEL

    try:
        index = json.loads(files["package.json"])
        hashes = {k: hashlib.sha256(v).hexdigest() for k, v in files.items() if k in index["files"]}
        index["files"] = {**index["files"], **hashes}
        core = {part: index[part] for part in ("taxonomy", "prepare", "policy")}
        text = index["files"][MODEL] + json.dumps(core, sort_keys=True)
        index["version"] = hashlib.sha256(text.encode()).hexdigest()[:12]
        return {"package.json": json.dumps(index).encode()}
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
        return {}


def seeds() -> list[bytes]:
    """A whole package, once sealed by the target and once as it is, and its zip bytes."""
    with tempfile.TemporaryDirectory() as folder:
        made = write_package(Path(folder))
        files = {p.name: p.read_bytes() for p in sorted(made.iterdir())}
    index = json.loads(files["package.json"])
    whole = dict(files)
    del files["neighbours.npz"], index["files"]["neighbours.npz"]
    bare = files | {"model.onnx": b"m", "package.json": json.dumps(index).encode()}
    hand = {"min_confidence": 0.5, "shortlist": None, "novelty_limit": None, "quality_limits": []}
    plain = index | {"policy": index["policy"] | hand}
    return [
        join(whole),
        join(bare),
        join(bare | {"package.json": json.dumps(plain).encode()}),
        join(whole | {"as it is": b""}),
        zipped(whole),
    ]
