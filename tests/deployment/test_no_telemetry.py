"""Predicting tells nobody: onnxruntime 1.32 for Linux keeps a device id in the home folder and sends events of use."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import onnx
from onnx import TensorProto, helper

CODE = """
import sys
import tickvision
from tickvision.deployment import opening
session = opening.build(open(sys.argv[1], "rb").read(), 1)
print(session.run(None, {"a": [1.0]})[0])
"""


def test_a_network_that_runs_leaves_nothing_in_the_home_folder(tmp_path: Path) -> None:
    value = [helper.make_tensor_value_info(name, TensorProto.FLOAT, [1]) for name in "ab"]
    graph = helper.make_graph([helper.make_node("Identity", ["a"], ["b"])], "g", value[:1], value[1:])
    onnx.save(helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8), tmp_path / "m.onnx")
    home = tmp_path / "home"
    home.mkdir()
    env = {k: v for k, v in os.environ.items() if not k.startswith(("ORT_", "XDG_"))} | {"HOME": str(home)}
    done = subprocess.run([sys.executable, "-c", CODE, tmp_path / "m.onnx"], capture_output=True, text=True, env=env)
    assert done.stdout == "[1.]\n", done.stderr
    assert list(home.rglob("*")) == []
