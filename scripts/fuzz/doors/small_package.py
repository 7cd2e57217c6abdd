"""The smallest package that answers."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

SIDE = 32
TAXA = ("Ixodes scapularis", "Amblyomma americanum", "Dermacentor variabilis")


@cache
def network() -> bytes:
    """The smallest network with a package's inputs and outputs: mean colours, then two matrices."""
    from onnx import TensorProto, helper, numpy_helper

    rng = np.random.default_rng(0)
    n, s = len(TAXA), 4
    weights = {"a": rng.normal(size=(3, n)), "b": rng.normal(size=(3, n * s))}
    constants = [numpy_helper.from_array(w.astype(np.float32), k) for k, w in weights.items()]
    constants.append(numpy_helper.from_array(np.array([-1, n, s], np.int64), "shape"))
    nodes = [
        helper.make_node("GlobalAveragePool", ["pictures"], ["pooled"]),
        helper.make_node("Flatten", ["pooled"], ["embedding"]),
        helper.make_node("MatMul", ["embedding", "a"], ["taxon_logits"]),
        helper.make_node("MatMul", ["embedding", "b"], ["flat"]),
        helper.make_node("Reshape", ["flat", "shape"], ["state_logits"]),
    ]
    shapes = {"taxon_logits": ["n", len(TAXA)], "state_logits": ["n", len(TAXA), s], "embedding": ["n", 3]}
    outputs = [helper.make_tensor_value_info(k, TensorProto.FLOAT, v) for k, v in shapes.items()]
    inputs = [helper.make_tensor_value_info("pictures", TensorProto.FLOAT, ["n", 3, SIDE, SIDE])]
    graph = helper.make_graph(nodes, "smallest", inputs, outputs, constants)
    return bytes(
        helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9).SerializeToString()
    )


def write_package(folder: Path) -> Path:
    """Write a package around the smallest network, with certificates, gates and neighbours, and return it."""
    from tickvision.deployment import neighbours, package
    from tickvision.domain.taxonomies import tick_taxonomy
    from tickvision.evaluation.policy import Policy, Rung
    from tickvision.evaluation.probabilities import HeadMap, JointMap
    from tickvision.evaluation.promises import Certificate, QualityLimit
    from tickvision.evaluation.shortlist import Shortlist
    from tickvision.images.prepare import Prepare

    taxonomy = tick_taxonomy(TAXA)
    size = len(taxonomy.rung_answers(taxonomy.rungs()[0])[0])
    sure = Certificate(0.4, 700, 300, 4, 0, "", 0.03, 0.05, 0.0125)
    rungs = tuple(Rung(r, JointMap((0.5, 0.5, 0.5), 0.1, (1.0, 1.0, 1.0)), sure) for r in taxonomy.rungs())
    policy = Policy(
        HeadMap(1.1, (0.1,) * len(TAXA)),
        HeadMap(0.9),
        rungs,
        Shortlist(0.1, (0.9,) * size, (True,) * size, (9,) * size),
        99.0,
        (QualityLimit("sharpness", "low", 0.0, 5, 0.3, 0.1, 0.01),),
        None,
        0.05,
        0.05,
        700,
        None,
        (1 / len(TAXA),) * len(TAXA),
    )
    near = neighbours.pack(np.ones((1, 3), np.float32), [b"x"], {c: ["a"] for c in neighbours.COLUMNS})
    model = folder / "model.onnx"
    model.write_bytes(network())
    made = package.Package(
        folder / "package", "smallest", taxonomy, Prepare(SIDE), policy, "room 2", "bench", True, frozenset(["0" * 64])
    )
    files = {"card.md": b"# card", "credits.csv": b"photo_id\n", package.NEIGHBOURS: near}
    return package.write(made, model, "made for tests", {"logits": 0.0}, files).folder
