"""Fine-tuning from the fitted heads: a plain loop on one screen, resumable after every epoch, never worse on val."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from tickvision.errors import TrainingError
from tickvision.images.prepare import Prepare
from tickvision.training import checkpoint
from tickvision.training.augment import Augment
from tickvision.training.batches import Squares, draw_epoch, prepare_batches
from tickvision.training.heads import Labels
from tickvision.training.network import Network, cells_loss, freeze_stages
from tickvision.training.priors import adjust, shifts

EMA_DECAY = 0.95
Judge = Callable[[Network], tuple[float, float]]  # -> (val macro recall, val loss)


@dataclass(frozen=True)
class Recipe:
    """How to fine-tune; the config's [train] section, seed and batch size included."""

    epochs: int
    patience_epochs: int
    warmup_epochs: float
    batch_size: int
    frozen_stages: int
    backbone_learning_rate: float
    head_learning_rate: float
    weight_decay: float
    tau: float
    workers: int
    seed: int


@dataclass(frozen=True)
class EpochRow:
    """One line of history.csv. Epoch 0 is the fitted heads."""

    epoch: int
    train_loss: float
    val_macro_recall: float
    val_loss: float
    photos_per_s: float
    is_best: bool


def fine_tune(
    network: Network,
    squares: Squares,
    labels: Labels,
    specimen: NDArray[np.int64],
    prepare: Prepare,
    recipe: Recipe,
    judge: Judge,
    augment: Augment | None,
    saved: Path,
    report: Callable[[str, EpochRow | None], None],
) -> list[EpochRow]:
    """Train in place and leave the best weights (by val) in the network; return the history.

    squares, labels, specimen: one row a training photograph. saved: the checkpoint; an existing one is resumed.
    """
    average = {k: v.detach().clone() for k, v in network.state_dict().items()}
    optimizer = _optimizer(network, recipe)
    steps = math.ceil(len(np.unique(specimen)) / recipe.batch_size)
    masks = torch.from_numpy(labels.taxon), torch.from_numpy(labels.state)
    shift = shifts(labels.taxon, labels.state, labels.weight, recipe.tau)
    if saved.is_file():
        history, best = _resume(saved, network, optimizer, average, recipe)
    else:
        recall, loss = judge(network)
        history, best = [EpochRow(0, math.nan, recall, loss, 0.0, True)], dict(average)
    for epoch in range(len(history), recipe.epochs + 1):
        if epoch - max(r.epoch for r in history if r.is_best) > recipe.patience_epochs:
            break
        started, total = time.monotonic(), 0.0
        rows = draw_epoch(specimen, recipe.seed, epoch)
        network.train()
        batches = prepare_batches(squares, rows, recipe.batch_size, prepare, recipe.workers, augment, epoch)
        for step, batch in enumerate(batches):
            _set_rates(optimizer, recipe, (epoch - 1) * steps + step, steps)
            pictures = torch.from_numpy(batch.pictures).contiguous(memory_format=torch.channels_last)
            output = adjust(network(pictures), *shift)
            loss_step = cells_loss(output, masks[0][batch.rows], masks[1][batch.rows]).mean()
            if not torch.isfinite(loss_step):
                raise TrainingError(
                    f"the loss is not a number at epoch {epoch}, step {step}; lower the learning rates."
                )
            optimizer.zero_grad()
            loss_step.backward()  # type: ignore[no-untyped-call]
            torch.nn.utils.clip_grad_norm_(network.parameters(), 2.0)
            optimizer.step()
            _follow(average, network)
            total += float(loss_step.detach()) * len(batch.rows)
            report(f"epoch {epoch}/{recipe.epochs} step {step + 1}/{steps} loss {loss_step.detach():.3f}", None)
        rate = len(rows) / (time.monotonic() - started)
        live = {k: v.detach().clone() for k, v in network.state_dict().items()}
        network.load_state_dict(average)
        recall, loss = judge(network)
        better = (recall, -loss) > max((r.val_macro_recall, -r.val_loss) for r in history)
        row = EpochRow(epoch, total / len(rows), recall, loss, rate, better)
        best = dict(network.state_dict().items()) if better else best
        best = {k: v.clone() for k, v in best.items()}
        network.load_state_dict(live)
        history.append(row)
        checkpoint.save(
            saved,
            _tensors(network, optimizer, average, best),
            {"recipe": asdict(recipe), "history": [asdict(r) for r in history]},
        )
        report(f"epoch {epoch}/{recipe.epochs}", row)
    network.load_state_dict(best)
    network.eval()
    return history


def _optimizer(network: Network, recipe: Recipe) -> torch.optim.Optimizer:
    freeze_stages(network.backbone, recipe.frozen_stages)
    heads = [*network.taxon_head.parameters(), *network.state_head.parameters()]
    body = [p for p in network.backbone.parameters() if p.requires_grad]
    plain = [p for p in body if p.ndim > 1]
    return torch.optim.AdamW(
        [
            {"params": plain, "base": recipe.backbone_learning_rate, "weight_decay": recipe.weight_decay},
            {"params": [p for p in body if p.ndim <= 1], "base": recipe.backbone_learning_rate, "weight_decay": 0.0},
            {"params": heads, "base": recipe.head_learning_rate, "weight_decay": 0.0},
        ],
        lr=recipe.head_learning_rate,
    )


def _set_rates(optimizer: torch.optim.Optimizer, recipe: Recipe, step: int, steps: int) -> None:
    """Warm-up, then a cosine to one hundredth."""
    warm, end = recipe.warmup_epochs * steps, max(1, recipe.epochs * steps)
    done = max(0.0, (step - warm) / max(1.0, end - warm))
    factor = (step + 1) / warm if step < warm else 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * done))
    for group in optimizer.param_groups:
        group["lr"] = group["base"] * min(1.0, factor)


def _follow(average: dict[str, Tensor], network: Network) -> None:
    """Move the running average of the weights a step towards the network."""
    with torch.no_grad():
        for key, value in network.state_dict().items():
            if value.dtype.is_floating_point:
                average[key].lerp_(value, 1 - EMA_DECAY)


def _tensors(
    network: Network, optimizer: torch.optim.Optimizer, average: dict[str, Tensor], best: dict[str, Tensor]
) -> dict[str, Tensor]:
    named = {f"live.{k}": v for k, v in network.state_dict().items()}
    named |= {f"average.{k}": v for k, v in average.items()} | {f"best.{k}": v for k, v in best.items()}
    return named | checkpoint.pack_optimizer(optimizer)


def _resume(
    saved: Path, network: Network, optimizer: torch.optim.Optimizer, average: dict[str, Tensor], recipe: Recipe
) -> tuple[list[EpochRow], dict[str, Tensor]]:
    """Return (history, best weights) of a checkpoint and put its state back. Raises TrainingError on another recipe."""
    tensors, values = checkpoint.load(saved)
    if values["recipe"] != asdict(recipe):
        raise TrainingError(f"{saved} was made with other [train] settings. Delete it to train from the start.")
    live, best = _part(tensors, "live."), _part(tensors, "best.")
    network.load_state_dict(live)
    average.update(_part(tensors, "average."))
    checkpoint.unpack_optimizer(optimizer, tensors)
    return [EpochRow(**r) for r in values["history"]], best


def _part(tensors: dict[str, Tensor], prefix: str) -> dict[str, Any]:
    return {k.removeprefix(prefix): v for k, v in tensors.items() if k.startswith(prefix)}
