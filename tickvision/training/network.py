"""The network: a backbone, a taxon head, and a head for stage and sex given the taxon."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import torch
from torch import Tensor, nn

from tickvision.errors import TrainingError, did_you_mean
from tickvision.training import torchvision_backbone
from tickvision.training import weights as pretrained


class Output(NamedTuple):
    """taxon: (N, T) logits. state: (N, T, S) logits of stage and sex given each taxon. embedding: (N, D).
    attributes: (N, C) logits of each attribute head."""

    taxon: Tensor
    state: Tensor
    embedding: Tensor
    attributes: tuple[Tensor, ...] = ()


class Network(nn.Module):
    """p(cell) = softmax(taxon)[t] * softmax(state[t])[s]. attributes: number of classes of each attribute head."""

    def __init__(self, backbone: nn.Module, n_taxa: int, n_states: int, attributes: Sequence[int] = ()) -> None:
        super().__init__()
        self.backbone = backbone
        self.shape = (n_taxa, n_states)
        width = int(backbone.num_features)  # type: ignore[arg-type]
        self.taxon_head = nn.Linear(width, n_taxa)
        self.state_head = nn.Linear(width, n_taxa * n_states)
        self.attribute_heads = nn.ModuleList(nn.Linear(width, n) for n in attributes)

    def heads(self, embedding: Tensor) -> Output:
        """Return the logits of an embedding (N, D)."""
        state = self.state_head(embedding).reshape(-1, *self.shape)
        own = tuple(head(embedding) for head in self.attribute_heads)
        return Output(self.taxon_head(embedding), state, embedding, own)

    def head_parameters(self) -> Iterator[nn.Parameter]:
        """Yield the weights of all heads."""
        for head in (self.taxon_head, self.state_head, self.attribute_heads):
            yield from head.parameters()

    def forward(self, pictures: Tensor) -> Output:
        """Return the logits of prepared pictures (N, 3, S, S)."""
        return self.heads(self.backbone(pictures))

    def train(self, mode: bool = True) -> Network:
        """Batch statistics stay as pretrained: small batches of few specimens would only blur them."""
        super().train(mode)
        for module in self.modules():
            if isinstance(module, nn.modules.batchnorm._BatchNorm):
                module.eval()
        return self


def make_backbone(name: str, weights: str) -> tuple[nn.Module, str, tuple[float, ...], tuple[float, ...]]:
    """Return (backbone that gives an embedding, line on its weights, mean, std). TrainingError on an unknown name."""
    if name.startswith(torchvision_backbone.PREFIX):
        backbone, line = torchvision_backbone.make(name, weights)
    else:
        import timm

        if name not in timm.list_models():
            raise TrainingError(f"train.backbone '{name}' is no timm model.{did_you_mean(name, timm.list_models())}")
        backbone = timm.create_model(name, pretrained=False, num_classes=0)
        line = pretrained.load_into(backbone, name, weights)
    settings = backbone.pretrained_cfg
    return backbone, line, tuple(settings["mean"]), tuple(settings["std"])


def stage_of(backbone: nn.Module) -> dict[str, int]:
    """Return parameter -> number of its stage; the stem is 0."""
    from timm.models import group_parameters

    matcher = backbone.group_matcher(coarse=True)  # type: ignore[operator]
    return dict(group_parameters(backbone, matcher, reverse=True))


def freeze_stages(backbone: nn.Module, stages: int) -> None:
    """Let the stem and the first stages keep their weights: general features, and the dearest part of a step."""
    if stages == 0:
        return
    layer_of = stage_of(backbone)
    for name, parameter in backbone.named_parameters():
        if layer_of.get(name, stages + 1) <= stages:
            parameter.requires_grad_(False)


def cells_loss(output: Output, taxon_mask: Tensor, state_mask: Tensor) -> Tensor:
    """Return (N,) -log of the probability of all cells that a label leaves open.

    taxon_mask: (N, T) bool, state_mask: (N, S) bool; the label's cells are their product, never empty.
    """
    log_state = torch.log_softmax(output.state, -1).masked_fill(~state_mask[:, None, :], -torch.inf)
    log_cell_row = torch.log_softmax(output.taxon, -1) + torch.logsumexp(log_state, -1)
    return -torch.logsumexp(log_cell_row.masked_fill(~taxon_mask, -torch.inf), -1)
