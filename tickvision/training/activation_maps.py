"""Where the network looks: its last feature map, and the direction in it of every cell of the answer space.

With a mean between the last feature map and a linear head, a logit is the mean over the map of weights . features
+ bias (Zhou et al. 2016, equation 2). Stage and sex are a head given the taxon: a cell's direction is the sum of both.
"""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray

from tickvision.images.prepare import Prepare, normalise
from tickvision.training.network import Network

BATCH = 16


def features_and_directions(
    network: Network, squares: NDArray[np.uint8], prepare: Prepare
) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    """Return (features (N, C, h, w), directions (T * S, C)) of prepared squares (N, S, S, 3).

    None for a backbone that puts more than a mean between its last feature map and its embedding: a map of it would not
    show what it used.
    """
    network.eval()
    maps, embeddings = [], []
    with torch.inference_mode():
        for start in range(0, len(squares), BATCH):
            pictures = torch.from_numpy(normalise(squares[start : start + BATCH], prepare))
            features = network.backbone.forward_features(pictures)  # type: ignore[operator]
            embeddings.append(network.backbone.forward_head(features, pre_logits=True))  # type: ignore[operator]
            maps.append(features)
        taxon, state = network.taxon_head.weight, network.state_head.weight
        directions = (taxon[:, None, :] + state.reshape(*network.shape, -1)).flatten(0, 1)
    held, embedding = torch.cat(maps), torch.cat(embeddings)
    if (
        held.ndim != 4
        or held.shape[:2] != embedding.shape
        or not torch.allclose(held.mean((2, 3)), embedding, rtol=1e-2, atol=1e-2)
    ):
        return None
    return held.numpy(), directions.numpy()
