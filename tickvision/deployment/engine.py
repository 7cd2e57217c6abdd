"""Run the network: onnxruntime on the CPU, pictures in, logits out."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tickvision.errors import PackageError
from tickvision.images.prepare import Prepare, normalise


class Engine:
    """A loaded model.onnx. threads: 0 = all cores."""

    def __init__(self, model: Path, prepare: Prepare, threads: int = 0) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads or os.cpu_count() or 1
        options.log_severity_level = 3
        try:
            self._session = onnxruntime.InferenceSession(str(model), options, providers=["CPUExecutionProvider"])
        except Exception as error:  # onnxruntime raises types of its own
            raise PackageError(f"{model}: onnxruntime cannot read it ({error}).") from None
        self._prepare = prepare

    def logits(self, squares: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return (taxon (N, T), state (N, T, S)) of prepared squares (N, S, S, 3)."""
        taxon, state = self._session.run(
            ["taxon_logits", "state_logits"], {"pictures": normalise(squares, self._prepare)}
        )
        return taxon, state
