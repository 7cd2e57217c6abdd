"""What training minimises: the cells loss, with the long tail, smoothing, mixed pictures and attributes by choice."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from tickvision.training.heads import Labels
from tickvision.training.network import Output, cells_loss
from tickvision.training.priors import adjust, shifts
from tickvision.training.recipe import Recipe


@dataclass(frozen=True)
class Objective:
    """taxon (N, T), state (N, S) bool, weight (N,), attributes (N, A) int, -1 = unknown: one row a photograph.
    shift: added to the logits (taxon (T,), state (S,))."""

    taxon: Tensor
    state: Tensor
    weight: Tensor
    attributes: Tensor
    shift: tuple[Tensor, Tensor]
    smoothing: float
    attribute_weight: float

    def __call__(self, output: Output, rows: Tensor) -> Tensor:
        """Return the loss of each of the rows (B,)."""
        exact = Output(output.taxon.float(), output.state.float(), output.embedding, output.attributes)
        adjusted = adjust(exact, *self.shift)
        loss = cells_loss(adjusted, self.taxon[rows], self.state[rows])
        if self.smoothing:
            loss = (1 - self.smoothing) * loss + self.smoothing * _everywhere(adjusted)
        loss = loss * self.weight[rows]
        for k, logits in enumerate(output.attributes):
            told = self.attributes[rows, k]
            own = functional.cross_entropy(logits.float(), told, ignore_index=-1, reduction="none")
            loss = loss + self.attribute_weight * own
        return loss

    def to(self, device: torch.device) -> Objective:
        """Return it on a device."""
        moved = {k: getattr(self, k).to(device) for k in ("taxon", "state", "weight", "attributes")}
        return replace(self, **moved, shift=(self.shift[0].to(device), self.shift[1].to(device)))


def make(labels: Labels, importance: NDArray[np.float64], attributes: NDArray[np.int64], recipe: Recipe) -> Objective:
    """Return the objective of the training photographs. importance: (N,) of priors.importance."""
    return Objective(
        torch.from_numpy(labels.taxon),
        torch.from_numpy(labels.state),
        torch.tensor(importance, dtype=torch.float32),
        torch.from_numpy(attributes),
        shifts(labels.taxon, labels.state, labels.weight, recipe.tau),
        recipe.label_smoothing,
        recipe.attribute_weight,
    )


def _everywhere(output: Output) -> Tensor:
    """Return (N,) the mean over all cells of -log p(cell): what smoothing pulls towards."""
    cells = torch.log_softmax(output.taxon, -1)[:, :, None] + torch.log_softmax(output.state, -1)
    return -cells.mean((1, 2))


@dataclass(frozen=True)
class Mixing:
    """partner: (B,) the place in the batch of each picture's partner. share: of the picture itself."""

    partner: Tensor
    share: float


def mix(pictures: Tensor, count: int, recipe: Recipe, epoch: int, step: int, rank: int) -> tuple[Tensor, Mixing | None]:
    """Return the pictures mixed with partners among the first `count`, drawn from (seed, epoch, step).

    Sources: Zhang et al. 2018 (mixup, a weighted mean), Yun et al. 2019 (CutMix, a rectangle of the partner).
    """
    if recipe.mix == "none" or count < 2:
        return pictures, None
    rng = np.random.default_rng([recipe.seed, epoch, step, rank, 2])
    order = np.concatenate([rng.permutation(count), np.arange(count, len(pictures))])
    partner = torch.from_numpy(order).to(pictures.device)
    share = float(rng.beta(recipe.mix_alpha, recipe.mix_alpha))
    if recipe.mix == "mixup":
        return share * pictures + (1 - share) * pictures[partner], Mixing(partner, share)
    size = pictures.shape[-1]
    side = int(size * np.sqrt(1 - share))
    top, left = (int(v) for v in rng.integers(0, size - side + 1, 2))
    mixed = pictures.clone()
    mixed[:, :, top : top + side, left : left + side] = pictures[partner, :, top : top + side, left : left + side]
    return mixed, Mixing(partner, 1 - (side / size) ** 2)


def mixed_loss(objective: Objective, output: Output, rows: Tensor, mixing: Mixing | None) -> Tensor:
    """Return (B,) losses: of each picture's own label, and of its partner's by the partner's share."""
    own = objective(output, rows)
    if mixing is None:
        return own
    return mixing.share * own + (1 - mixing.share) * objective(output, rows[mixing.partner])
