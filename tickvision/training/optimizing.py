"""The optimizer: which weights learn at which rate and from when, and the running average of the weights."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import torch
from torch import Tensor, nn

from tickvision.training.network import Network, freeze_stages, stage_of
from tickvision.training.recipe import Recipe

LARGEST_NORM = 2.0


def make(network: Network, recipe: Recipe) -> torch.optim.Optimizer:
    """Freeze the first stages and return AdamW over the rest; no decay on biases, norms and heads."""
    freeze_stages(network.backbone, recipe.frozen_stages)
    staged = recipe.layer_decay < 1 or recipe.unfreeze_epochs > 0
    depth_of = stage_of(network.backbone) if staged else {}
    last = max(depth_of.values(), default=0)
    groups: dict[tuple[int, bool], list[nn.Parameter]] = {}
    for name, parameter in network.backbone.named_parameters():
        if parameter.requires_grad:
            below = last - depth_of.get(name, last)  # stages between these weights and the heads
            groups.setdefault((below, parameter.ndim > 1), []).append(parameter)
    form = [
        {
            "params": held,
            "base": recipe.backbone_learning_rate * recipe.layer_decay**below,
            "from_epoch": recipe.unfreeze_epochs * (below + 1),
            "weight_decay": recipe.weight_decay if is_matrix else 0.0,
        }
        for (below, is_matrix), held in sorted(groups.items(), key=lambda g: (g[0][0], not g[0][1]))
    ]
    form.append(
        {
            "params": list(network.head_parameters()),
            "base": recipe.head_learning_rate,
            "from_epoch": 0.0,
            "weight_decay": 0.0,
        }
    )
    return torch.optim.AdamW(form, lr=recipe.head_learning_rate, fused=True)


def set_rates(optimizer: torch.optim.Optimizer, recipe: Recipe, step: int, steps: int) -> None:
    """Warm-up, then a cosine to one hundredth; a stage that is not yet unfrozen stands still. steps: in an epoch."""
    warm, end = recipe.warmup_epochs * steps, max(1, recipe.epochs * steps)
    done = max(0.0, (step - warm) / max(1.0, end - warm))
    factor = (step + 1) / warm if step < warm else 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * done))
    for group in optimizer.param_groups:
        learns = step >= group["from_epoch"] * steps
        group["lr"] = group["base"] * min(1.0, factor) if learns else 0.0


def clip(network: Network) -> None:
    """Shorten the gradient to LARGEST_NORM."""
    nn.utils.clip_grad_norm_([p for p in network.parameters() if p.grad is not None], LARGEST_NORM)


class Average:
    """The running average of the weights that learn."""

    def __init__(self, network: Network, decay: float) -> None:
        self.decay = decay
        self.learning = {k: p for k, p in network.named_parameters() if p.requires_grad}
        self.held = {k: p.detach().clone() for k, p in self.learning.items()}

    def follow(self) -> None:
        """Move a step towards the weights."""
        with torch.no_grad():
            torch._foreach_lerp_(list(self.held.values()), list(self.learning.values()), 1 - self.decay)

    def put(self, tensors: dict[str, Tensor]) -> None:
        """Write tensors over the weights that learn."""
        with torch.no_grad():
            for key, parameter in self.learning.items():
                parameter.copy_(tensors[key])

    def copy(self) -> dict[str, Tensor]:
        """Return the average as it stands."""
        return {k: v.clone() for k, v in self.held.items()}

    @contextmanager
    def instead(self) -> Iterator[None]:
        """Let the network carry the average for a while, to be judged."""
        live = {k: p.detach().clone() for k, p in self.learning.items()}
        self.put(self.held)
        try:
            yield
        finally:
            self.put(live)
