"""Run the network: onnxruntime on the CPU, pictures in, logits and embedding out."""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import NDArray

from tickvision.errors import PackageError
from tickvision.images.prepare import Prepare, normalise

Floats = NDArray[np.float32]


class Engine:
    """A loaded model.onnx. threads: 0 = all cores. where: what messages call the model."""

    def __init__(self, model: bytes, prepare: Prepare, threads: int = 0, where: str = "model.onnx") -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads or os.cpu_count() or 1
        options.log_severity_level = 3
        # a thread that spins between batches takes the core from the decoders
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        try:
            self._session = onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
        except Exception as error:  # onnxruntime raises types of its own
            raise PackageError(f"{where}: onnxruntime cannot read it ({error}).") from None
        self._prepare = prepare

    def logits(self, squares: NDArray[np.uint8]) -> tuple[Floats, Floats, Floats]:
        """Return (taxon (N, T), state (N, T, S), embedding (N, D)) of prepared squares (N, S, S, 3)."""
        taxon, state, embedding = self._session.run(
            ["taxon_logits", "state_logits", "embedding"], {"pictures": normalise(squares, self._prepare)}
        )
        return taxon, state, embedding

    @property
    def explains(self) -> bool:
        """True if the model gives its last feature map."""
        return "feature_map" in {o.name for o in self._session.get_outputs()}

    def feature_map(self, square: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return the last feature map (C, H, W) of one prepared square (S, S, 3)."""
        (maps,) = self._session.run(["feature_map"], {"pictures": normalise(square[None], self._prepare)})
        return np.asarray(maps[0])
