"""Activation maps: their mean is the logit, they find the place, and networks that they would belie are refused."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor, nn

from tickvision.deployment.explain import activation
from tickvision.images.prepare import Prepare
from tickvision.training.activation_maps import features_and_directions
from tickvision.training.network import Network

PREPARE = Prepare(32, "pad", (0.0, 0.0, 0.0), (1.0, 1.0, 1.0))


class Colours(nn.Module):
    """A backbone whose feature map is the picture itself, eight times smaller; the embedding is its mean or maximum."""

    num_features = 3

    def __init__(self, pool: str = "mean") -> None:
        super().__init__()
        self.pool = pool

    def forward_features(self, pictures: Tensor) -> Tensor:
        return nn.functional.avg_pool2d(pictures, 8)

    def forward_head(self, features: Tensor, pre_logits: bool) -> Tensor:
        return features.mean((2, 3)) if self.pool == "mean" else features.amax((2, 3))

    def forward(self, pictures: Tensor) -> Tensor:
        return self.forward_head(self.forward_features(pictures), True)


def _squares() -> np.ndarray:
    squares = np.random.default_rng(0).integers(0, 60, (3, 32, 32, 3), dtype=np.uint8)
    squares[0, :8, 24:, 0] = 255
    return squares


def test_the_mean_of_a_map_is_the_logit_of_its_cell_without_the_bias() -> None:
    torch.manual_seed(0)
    network, squares = Network(Colours(), 2, 3), _squares()
    held = features_and_directions(network, squares, PREPARE)
    assert held is not None
    features, directions = held
    said = np.einsum("kc,nchw->nkhw", directions, features).mean((2, 3))
    with torch.inference_mode():
        out = network(torch.from_numpy(squares.transpose(0, 3, 1, 2).astype(np.float32) / 255))
        taxon, state = out.taxon - network.taxon_head.bias, out.state - network.state_head.bias.reshape(2, 3)
    assert said == pytest.approx((taxon[:, :, None] + state).flatten(1).numpy(), abs=1e-5)


def test_the_map_is_strongest_where_the_colour_lies_that_the_name_stands_for() -> None:
    network = Network(Colours(), 2, 1)
    with torch.no_grad():
        network.taxon_head.weight.copy_(torch.tensor([[1.0, 0, 0], [0, 1, 0]]))
        network.state_head.weight.zero_()
    held = features_and_directions(network, _squares(), PREPARE)
    assert held is not None
    values = activation(held[0][0], held[1], [0])
    assert np.unravel_index(values.argmax(), values.shape) == (0, 3)


def test_a_backbone_with_more_than_a_mean_has_no_map() -> None:
    assert features_and_directions(Network(Colours("maximum"), 2, 1), _squares(), PREPARE) is None
