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
    with pytest.raises(PackageError, match=r"onnxruntime cannot read it.*External data path"):
        load(package).predict([tmp_path / "a.jpg"])


def field(number: int, body: bytes, length: bytes = b"") -> bytes:
    """Return a field of bytes as protocol buffers write it. length: its length, if spelled otherwise."""
    left = 0 if length else len(body)
    while not length or left:
        length += bytes([left & 127 | (128 if left > 127 else 0)])
        left >>= 7
    return bytes([number << 3 | 2]) + length + body


def test_a_spelling_of_its_own_does_not_hide_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A length may be written with a byte more than it needs; onnxruntime 1.22 and 1.32 read it all the same."""
    onnx = pytest.importorskip("onnx")
    package = write_package(tmp_path)
    model = onnx.load_model_from_string((package / "model.onnx").read_bytes())
    first = model.graph.initializer[0]
    (tmp_path / "weights.bin").write_bytes(first.raw_data)
    first.ClearField("raw_data")
    first.data_location = onnx.TensorProto.EXTERNAL
    tensor = first.SerializeToString() + field(13, field(1, b"location", b"\x88\x00") + field(2, b"weights.bin"))
    del model.graph.initializer[0]
    graph = model.graph.SerializeToString() + field(5, tensor)
    model.ClearField("graph")
    swap_model(package, model.SerializeToString() + field(7, graph))
    scene().save(tmp_path / "a.jpg")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(PackageError, match=r"onnxruntime cannot read it.*External data path"):
        load(package).predict([tmp_path / "a.jpg"])
