"""Run the network: onnxruntime on the CPU, pictures in, logits and embedding out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tickvision.images.prepare import Prepare, normalise

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

Floats = NDArray[np.float32]


class Engine:
    """A network and the preparation of its pictures."""

    def __init__(self, session: InferenceSession, prepare: Prepare) -> None:
        self._session = session
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
