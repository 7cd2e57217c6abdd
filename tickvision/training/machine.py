"""What computes: the device, its precision, and the processes that torchrun started, if any."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

import torch
import torch.distributed as dist
from torch import Tensor, nn

from tickvision.errors import TrainingError

PATIENCE = timedelta(hours=12)  # the others wait while the first process decodes; torchrun ends them if it fails


@dataclass(frozen=True)
class Machine:
    """One process of `world`, which compute together. rank 0 writes all files and the log."""

    device: torch.device
    bfloat16: bool = False
    rank: int = 0
    world: int = 1

    @property
    def leads(self) -> bool:
        """True in the one process that writes."""
        return self.rank == 0

    @property
    def is_gpu(self) -> bool:
        """True on CUDA."""
        return self.device.type == "cuda"

    def autocast(self) -> AbstractContextManager[object]:
        """Return a context in which matrix products and convolutions compute in bfloat16, if that was chosen."""
        return torch.autocast(self.device.type, torch.bfloat16, enabled=self.bfloat16)

    @contextmanager
    def leader_first(self) -> Iterator[None]:
        """Let the first process through alone, for work that leaves files which the others then only read."""
        if not self.leads:
            self.wait()
        yield
        if self.leads:
            self.wait()

    def wait(self) -> None:
        """Wait until every process is here."""
        if self.world > 1:
            dist.barrier()

    def sum(self, value: Tensor) -> Tensor:
        """Return the sum of a tensor over the processes."""
        if self.world > 1:
            dist.all_reduce(value)
        return value

    def gather(self, part: Tensor, sizes: list[int]) -> Tensor:
        """Return the rows of all processes, in the order of their ranks. sizes: how many rows each has."""
        if self.world == 1:
            return part
        padded = part.new_zeros(max(sizes), *part.shape[1:])
        padded[: len(part)] = part
        held = [torch.empty_like(padded) for _ in sizes]
        dist.all_gather(held, padded)
        return torch.cat([h[:n] for h, n in zip(held, sizes, strict=True)])

    def share(self, network: nn.Module) -> nn.Module:
        """Return the network as one of several that average their gradients; all start as that of rank 0."""
        if self.world == 1:
            return network
        return nn.parallel.DistributedDataParallel(network, broadcast_buffers=False, gradient_as_bucket_view=True)


@contextmanager
def join(
    device: Literal["auto", "cpu", "cuda"], precision: Literal["auto", "float32", "bfloat16"]
) -> Iterator[Machine]:
    """Yield the machine of this process, joined to the others that torchrun started.

    auto: CUDA if there is a card, and bfloat16 there; float32 on the CPU. Raises TrainingError if there is no card.
    """
    if device == "cuda" and not torch.cuda.is_available():
        raise TrainingError("train.device = 'cuda', but torch finds no CUDA card. Use 'auto' or 'cpu'.")
    gpu = device == "cuda" or (device == "auto" and torch.cuda.is_available())
    bfloat16 = precision == "bfloat16" or (precision == "auto" and gpu)
    rank, world = (int(os.environ.get(name, default)) for name, default in (("RANK", "0"), ("WORLD_SIZE", "1")))
    here = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0"))) if gpu else torch.device("cpu")
    if gpu:  # pragma: no cover (needs a GPU)
        if here.index >= torch.cuda.device_count():
            raise TrainingError(f"{world} processes need as many cards; torch finds {torch.cuda.device_count()}.")
        torch.cuda.set_device(here)
        torch.backends.cudnn.allow_tf32 = False  # what is not bfloat16 is true float32, as in the package
        torch.backends.cudnn.benchmark = True
    if world == 1:
        yield Machine(here, bfloat16)
        return
    dist.init_process_group("nccl" if gpu else "gloo", timeout=PATIENCE)
    try:
        yield Machine(here, bfloat16, rank, world)
    finally:
        dist.destroy_process_group()
