"""Fine-tuning from the fitted heads: a plain loop on one screen, resumable after every epoch, never worse on val."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import cast

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from tickvision.errors import TrainingError
from tickvision.training import checkpoint, optimizing
from tickvision.training.batches import draw_epoch
from tickvision.training.feed import Fed, Feeder
from tickvision.training.machine import Machine
from tickvision.training.network import Network
from tickvision.training.objective import Objective, mix, mixed_loss
from tickvision.training.optimizing import Average
from tickvision.training.recipe import Recipe

Judge = Callable[[Network], tuple[float, float]]  # -> (val macro recall, val loss)
LOOK_EVERY = 25  # steps between two looks at the loss on a GPU, each of which waits for it
COMPILE_FROM = 4000  # steps; compiling costs about a minute and saves 10 to 20 ms a step (see DEVELOPERS.md)


@dataclass(frozen=True)
class EpochRow:
    """One line of history.csv. Epoch 0 is the fitted heads."""

    epoch: int
    train_loss: float
    val_macro_recall: float
    val_loss: float
    photos_per_s: float
    is_best: bool


@dataclass(frozen=True)
class Seen:
    """How far training is. row: of an epoch that has just ended."""

    photos: int
    of: int
    epoch: int
    loss: float
    row: EpochRow | None = None


def fine_tune(
    network: Network,
    feeder: Feeder,
    objective: Objective,
    specimen: NDArray[np.int64],
    chance: NDArray[np.float64] | None,
    recipe: Recipe,
    judge: Judge,
    saved: Path,
    machine: Machine,
    report: Callable[[Seen], None],
) -> list[EpochRow]:
    """Train in place and leave the best weights (by val) in the network; return the history.

    feeder, objective, specimen: one row a training photograph. chance: for draw_epoch. saved: the checkpoint; an
    existing one is resumed.
    """
    optimizer = optimizing.make(network, recipe)
    average = Average(network, recipe.ema_decay)
    n = len(np.unique(specimen))
    steps = math.ceil(n / recipe.batch_size)
    if saved.is_file():
        history, best = _resume(saved, network, optimizer, average, recipe)
    else:
        history, best = [EpochRow(0, math.nan, *judge(network), 0.0, True)], average.copy()
    stepping = _stepping(network, recipe, machine, steps)
    if len(history) <= recipe.epochs:
        feeder.keep_on_device(len(specimen))
    for epoch in range(len(history), recipe.epochs + 1):
        if epoch - max(r.epoch for r in history if r.is_best) > recipe.patience_epochs:
            break
        started, losses = time.monotonic(), _Losses(epoch, machine)
        rows = draw_epoch(specimen, recipe.seed, epoch, chance)
        network.train()
        small = epoch <= recipe.small_first * recipe.epochs
        for step, fed in enumerate(feeder.training(rows, recipe.batch_size, epoch, small)):
            optimizing.set_rates(optimizer, recipe, (epoch - 1) * steps + step, steps)
            losses.add(_step(stepping, network, optimizer, objective, fed, recipe, machine, (epoch, step)), fed.total)
            average.follow()
            report(Seen((epoch - 1) * n + losses.photos, recipe.epochs * n, epoch, losses.last))
        mean = losses.mean()
        rate = len(rows) / (time.monotonic() - started)
        with average.instead():
            recall, loss = judge(network)
        better = (recall, -loss) > max((r.val_macro_recall, -r.val_loss) for r in history)
        best = average.copy() if better else best
        history.append(EpochRow(epoch, mean, recall, loss, rate, better))
        if machine.leads:
            values = {"recipe": recipe.of_weights(), "history": [asdict(r) for r in history]}
            checkpoint.save(saved, _tensors(network, optimizer, average, best), values)
        report(Seen(epoch * n, recipe.epochs * n, epoch, mean, history[-1]))
    average.put(best)
    network.eval()
    return history


def _step(
    stepping: nn.Module,
    network: Network,
    optimizer: torch.optim.Optimizer,
    objective: Objective,
    fed: Fed,
    recipe: Recipe,
    machine: Machine,
    place: tuple[int, int],
) -> Tensor:
    """Take one step on this process's share of a batch; return the sum of its losses."""
    pictures, mixing = mix(fed.pictures, fed.count, recipe, *place, machine.rank)
    rows = torch.from_numpy(fed.rows).to(machine.device, non_blocking=True)
    with machine.autocast():
        output = stepping(pictures)
    total = mixed_loss(objective, output, rows, mixing)[: fed.count].sum()
    optimizer.zero_grad()
    (total * (machine.world / fed.total)).backward()  # type: ignore[no-untyped-call]
    optimizing.clip(network)
    optimizer.step()
    return total.detach()


def _stepping(network: Network, recipe: Recipe, machine: Machine, steps: int) -> nn.Module:
    """Return what a step calls: the network, shared between processes and compiled where that pays."""
    shared = machine.share(network)
    pays = machine.is_gpu and recipe.epochs * steps >= COMPILE_FROM
    if recipe.compile == "always" or (recipe.compile == "auto" and pays):
        return cast(nn.Module, torch.compile(shared, dynamic=False))  # two sizes at most, each compiled for itself
    return shared


class _Losses:
    """The losses of an epoch, left on the device as long as nobody needs them."""

    def __init__(self, epoch: int, machine: Machine) -> None:
        self.epoch, self.machine = epoch, machine
        self.photos, self.last = 0, math.nan
        self._sums: list[Tensor] = []

    def add(self, total: Tensor, photos: int) -> None:
        """Take the sum of this process's losses of a step in which `photos` took part. TrainingError if it is none."""
        self._sums.append(total)
        self.photos += photos
        if not self.machine.is_gpu or len(self._sums) % LOOK_EVERY == 0:
            value = float(total)
            self.last = value * self.machine.world / photos
            if not math.isfinite(value):
                raise TrainingError(
                    f"the loss is not a number at epoch {self.epoch}, step {len(self._sums)}; lower the learning rates."
                )

    def mean(self) -> float:
        """Return the mean over the photographs of all processes."""
        value = float(self.machine.sum(torch.stack(self._sums).double().sum())) / self.photos
        if not math.isfinite(value):
            raise TrainingError(f"the loss is not a number in epoch {self.epoch}; lower the learning rates.")
        return value


def _tensors(
    network: Network, optimizer: torch.optim.Optimizer, average: Average, best: dict[str, Tensor]
) -> dict[str, Tensor]:
    named = {f"live.{k}": v for k, v in network.state_dict().items()}
    named |= {f"average.{k}": v for k, v in average.held.items()} | {f"best.{k}": v for k, v in best.items()}
    return named | checkpoint.pack_optimizer(optimizer)


def _resume(
    saved: Path, network: Network, optimizer: torch.optim.Optimizer, average: Average, recipe: Recipe
) -> tuple[list[EpochRow], dict[str, Tensor]]:
    """Return (history, best weights) of a checkpoint and put its state back. Raises TrainingError on another recipe."""
    tensors, values = checkpoint.load(saved)
    if values["recipe"] != recipe.of_weights():
        raise TrainingError(f"{saved} was made with other [train] settings. Delete it to train from the start.")
    network.load_state_dict(_part(tensors, "live."))
    for key, value in _part(tensors, "average.").items():
        average.held[key].copy_(value)
    checkpoint.unpack_optimizer(optimizer, tensors)
    best = {k: v.to(average.held[k].device) for k, v in _part(tensors, "best.").items()}
    return [EpochRow(**r) for r in values["history"]], best


def _part(tensors: dict[str, Tensor], prefix: str) -> dict[str, Tensor]:
    return {k.removeprefix(prefix): v for k, v in tensors.items() if k.startswith(prefix)}
