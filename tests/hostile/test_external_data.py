"""A model.onnx that keeps its weights in a file beside it, or anywhere: a package must hold all that it needs."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from doors.small_package import write_package
from made import scene

from tickvision.deployment import load
from tickvision.errors import PackageError


def hollow(model: bytes, location: str) -> tuple[bytes, bytes]:
    """Return the model with its first matrix in another file, and what that file holds."""
    onnx = pytest.importorskip("onnx")
    from onnx import external_data_helper

    form = onnx.load_model_from_string(model)
    first = form.graph.initializer[0]
    held = bytes(first.raw_data)
    external_data_helper.set_external_data(first, location, 0, len(held))
    first.ClearField("raw_data")
    return form.SerializeToString(), held


def swap_model(package: Path, model: bytes) -> None:
    """Put another model into the package, as its maker would: hashes and version are true."""
    index = json.loads((package / "package.json").read_text(encoding="utf-8"))
    index["files"]["model.onnx"] = hashlib.sha256(model).hexdigest()
    core = {part: index[part] for part in ("taxonomy", "prepare", "policy")}
    text = index["files"]["model.onnx"] + json.dumps(core, sort_keys=True)
    index["version"] = hashlib.sha256(text.encode()).hexdigest()[:12]
    (package / "package.json").write_text(json.dumps(index), encoding="utf-8")
    (package / "model.onnx").write_bytes(model)


@pytest.mark.parametrize("location", ["weights.bin", "../elsewhere/weights.bin", "{elsewhere}/weights.bin"])
@pytest.mark.parametrize("is_there", [True, False])
def test_weights_outside_the_package_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, location: str, is_there: bool
) -> None:
    """onnxruntime takes them from the current folder, and before 1.24 from wherever the model says."""
    package, current, elsewhere = write_package(tmp_path), tmp_path / "current", tmp_path / "elsewhere"
    model, held = hollow((package / "model.onnx").read_bytes(), location.format(elsewhere=elsewhere))
    swap_model(package, model)
    for folder in (current, elsewhere):
        folder.mkdir()
        if is_there:
            (folder / "weights.bin").write_bytes(held)
    scene().save(tmp_path / "a.jpg")
    monkeypatch.chdir(current)
    with pytest.raises(PackageError, match="keeps weights in other files"):
        load(package).predict([tmp_path / "a.jpg"])
