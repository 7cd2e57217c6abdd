"""Smaller forms of an ONNX network: weights in 16 bits, or convolutions in 8 bits. Parity decides."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.images.prepare import Prepare, normalise

BATCH = 8


def write_fp16(model: Path, path: Path) -> None:
    """Write the network with its numbers in half precision; inputs and outputs stay float32."""
    import onnx
    from onnxruntime.transformers.float16 import convert_float_to_float16

    onnx.save(convert_float_to_float16(onnx.load(model), keep_io_types=True), path)


def write_int8(model: Path, path: Path, squares: NDArray[np.uint8], prepare: Prepare) -> None:
    """Write the network with its convolutions in 8 bits, ranges taken from prepared squares (N, S, S, 3).

    Weights take 7 of the 8 bits: without VNNI, sums of full 8-bit products overflow (onnxruntime, "Quantize ONNX
    models", on U8S8). The heads and the first half of the convolutions stay float32: there rounding hurts most and
    little is saved (a weakly trained lite0 kept its top answer for 98 % of 202 drawn photographs, instead of 78 %).
    """
    import tempfile

    import onnx
    from onnxruntime.quantization import QuantFormat, QuantType, quantize_static
    from onnxruntime.quantization.shape_inference import quant_pre_process

    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        ready = Path(folder) / "ready.onnx"
        quant_pre_process(str(model), str(ready), skip_symbolic_shape=True)
        convolutions = [n.name for n in onnx.load(ready).graph.node if n.op_type == "Conv"]
        quantize_static(
            str(ready),
            str(path),
            _reader(squares, prepare),
            quant_format=QuantFormat.QDQ,
            op_types_to_quantize=["Conv"],
            nodes_to_exclude=convolutions[: len(convolutions) // 2],
            per_channel=True,
            reduce_range=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
        )


def _reader(squares: NDArray[np.uint8], prepare: Prepare) -> Any:
    from onnxruntime.quantization import CalibrationDataReader

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self._batches: Iterator[NDArray[np.uint8]] = (squares[i : i + BATCH] for i in range(0, len(squares), BATCH))

        def get_next(self) -> dict[str, NDArray[np.float32]] | None:
            batch = next(self._batches, None)
            return None if batch is None else {"pictures": normalise(batch, prepare)}

    return Reader()
