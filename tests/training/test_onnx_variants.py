"""Smaller forms of a network: what is in fewer bits, and that the answers stay close."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

from tickvision.deployment import opening
from tickvision.images.prepare import Prepare, normalise
from tickvision.training.onnx_variants import write_fp16, write_int8

SQUARES = np.random.default_rng(0).integers(0, 256, (12, 32, 32, 3), dtype=np.uint8)


@pytest.fixture
def network(tmp_path: Path) -> Path:
    """A network of four convolutions and a mean."""
    rng = np.random.default_rng(1)
    sizes = (3, 8, 8, 8, 4)
    weights, nodes = [], []
    for i, (before, after) in enumerate(itertools.pairwise(sizes)):
        table = rng.normal(0, (2 / before / 9) ** 0.5, (after, before, 3, 3)).astype(np.float32)
        weights.append(numpy_helper.from_array(table, f"w{i}"))
        nodes.append(helper.make_node("Conv", ["pictures" if i == 0 else f"r{i - 1}", f"w{i}"], [f"c{i}"], f"conv{i}"))
        nodes.append(helper.make_node("Relu", [f"c{i}"], [f"r{i}"], f"relu{i}"))
    nodes.append(helper.make_node("GlobalAveragePool", ["r3"], ["mean"], "mean"))
    shape = ["n", 3, 32, 32]
    graph = helper.make_graph(
        nodes, "g", [helper.make_tensor_value_info("pictures", TensorProto.FLOAT, shape)],
        [helper.make_tensor_value_info("mean", TensorProto.FLOAT, ["n", 4, 1, 1])], weights,
    )  # fmt: skip
    made = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.save(made, tmp_path / "model.onnx")
    return tmp_path / "model.onnx"


def answers(path: Path) -> np.ndarray:
    session = opening.build(path.read_bytes(), 1)
    return np.asarray(session.run(None, {"pictures": normalise(SQUARES, Prepare(32))})[0])


def test_eight_bits_are_in_the_second_half_of_the_convolutions_alone(network: Path, tmp_path: Path) -> None:
    # ONNX operators QuantizeLinear and DequantizeLinear stand around a quantised convolution (QDQ form)
    write_int8(network, tmp_path / "int8.onnx", SQUARES, Prepare(32))
    graph = onnx.load(tmp_path / "int8.onnx").graph
    made_by = {out: n for n in graph.node for out in n.output}
    inputs = {n.name: made_by.get(n.input[1]) for n in graph.node if n.op_type == "Conv"}
    assert {k: v.op_type if v else None for k, v in inputs.items()} == {
        "conv0": None, "conv1": None, "conv2": "DequantizeLinear", "conv3": "DequantizeLinear"
    }  # fmt: skip
    eight = {i.name: i for i in graph.initializer if i.data_type == TensorProto.INT8 and i.dims}
    assert all(np.abs(numpy_helper.to_array(v)).max() <= 64 for v in eight.values())  # 7 of the 8 bits
    whole, small = answers(network), answers(tmp_path / "int8.onnx")
    assert 0 < np.abs(small - whole).max() < 0.05 * np.abs(whole).max()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["int8.onnx", "model.onnx"]


def test_sixteen_bits_take_half_the_room_and_keep_inputs_and_outputs(network: Path, tmp_path: Path) -> None:
    write_fp16(network, tmp_path / "fp16.onnx")
    graph = onnx.load(tmp_path / "fp16.onnx").graph
    assert {i.data_type for i in graph.initializer if i.dims} == {TensorProto.FLOAT16}
    assert graph.input[0].type.tensor_type.elem_type == TensorProto.FLOAT
    assert graph.output[0].type.tensor_type.elem_type == TensorProto.FLOAT
    np.testing.assert_allclose(answers(tmp_path / "fp16.onnx"), answers(network), rtol=1e-2, atol=1e-3)
