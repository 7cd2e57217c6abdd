"""Write the network as ONNX, and prove on photographs that it says the same as torch."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from tickvision.errors import PackageError
from tickvision.images.prepare import Prepare, normalise
from tickvision.training.network import Network

PARITY_PHOTOS = 32
PARITY_LIMIT = 1e-3
HEADS = "heads.npz"
OUTPUTS = ("taxon_logits", "state_logits", "embedding", "feature_map")


class _Exported(nn.Module):
    """The network with its last feature map as a further output, which predict asks for only to explain."""

    def __init__(self, network: Network) -> None:
        super().__init__()
        self.network = network

    def forward(self, pictures: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        features = self.network.backbone.forward_features(pictures)  # type: ignore[operator]
        embedding = self.network.backbone.forward_head(features, pre_logits=True)  # type: ignore[operator]
        out = self.network.heads(embedding)
        return out.taxon, out.state, out.embedding, features


def write(network: Network, prepare: Prepare, path: Path) -> None:
    """Write model.onnx with inputs `pictures` (N, 3, S, S) and the OUTPUTS, N free, weights inside."""
    example = torch.zeros(2, 3, prepare.size_px, prepare.size_px)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter warns of its own deprecations
        torch.onnx.export(
            _Exported(network).eval(),
            (example,),
            str(path),
            input_names=["pictures"],
            output_names=list(OUTPUTS),
            dynamic_shapes=({0: torch.export.Dim("n", min=1)},),
            opset_version=18,
            dynamo=True,
            external_data=False,
            verbose=False,
        )

    _write_heads(network, path.with_name(HEADS))


def _write_heads(network: Network, path: Path) -> None:
    """Write the weights of the heads beside the model: with the feature map they show where a name comes from."""
    heads = {"taxon_weight": network.taxon_head.weight, "taxon_bias": network.taxon_head.bias}
    heads |= {"state_weight": network.state_head.weight, "state_bias": network.state_head.bias}
    with path.open("wb") as handle:
        np.savez(handle, allow_pickle=False, **{k: v.detach().cpu().numpy() for k, v in heads.items()})


def check_parity(network: Network, path: Path, squares: NDArray[np.uint8], prepare: Prepare) -> dict[str, float]:
    """Return {photographs, largest_difference, same_top} of torch and onnxruntime on prepared squares (N, S, S, 3).

    Raises PackageError if a logit differs by 1e-3 or more, or a top answer differs.
    """
    import onnxruntime

    pictures = normalise(squares, prepare)
    with torch.inference_mode():
        expected = network(torch.from_numpy(pictures))
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    got = session.run(list(OUTPUTS[:2]), {"pictures": pictures})
    pairs = list(zip((expected.taxon.numpy(), expected.state.numpy()), got, strict=True))
    largest = max(float(np.abs(a - b).max()) for a, b in pairs)
    same = float(np.mean([(a.argmax(-1) == b.argmax(-1)).mean() for a, b in pairs]))
    if largest >= PARITY_LIMIT or same < 1:
        raise PackageError(
            f"{path}: ONNX and torch differ by {largest:.2g} (limit {PARITY_LIMIT:g}), same top answer for "
            f"{same:.1%} of {len(squares)} photographs. The package is not written."
        )
    return {"photographs": float(len(squares)), "largest_difference": largest, "same_top": same}
