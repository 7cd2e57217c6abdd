"""Batches where they are computed: prepared on the CPU in threads, or cut and augmented on the GPU."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from tickvision.images.prepare import Prepare
from tickvision.training.augment import Augment
from tickvision.training.augment_torch import Chain
from tickvision.training.batches import Squares, ahead, prepare_batches
from tickvision.training.machine import Machine

SHARE = 0.4  # of the GPU's free memory that prepared squares may take; beyond it they come batch by batch
CHUNK = 1024
SMALL = 0.7  # of the side of a picture; half its pixels
STEP_PX = 16  # smaller sides are multiples of this


@dataclass(frozen=True)
class Fed:
    """rows: (B,) row numbers. count: how many of them are real; the rest repeats a row to keep one shape.
    total: rows of this step in all processes. pictures: (B, 3, S, S) on the device, channels last."""

    rows: NDArray[np.intp]
    count: int
    total: int
    pictures: Tensor


class Feeder:
    """Feeds rows of `squares` to a machine. on_cpu or on_device augments training batches; both None: none."""

    def __init__(
        self,
        squares: Squares,
        prepare: Prepare,
        machine: Machine,
        workers: int,
        on_cpu: Augment | None = None,
        on_device: Chain | None = None,
    ) -> None:
        self.squares, self.prepare, self.machine, self.workers = squares, prepare, machine, workers
        self.on_cpu, self.on_device = on_cpu, on_device
        self._resident: Tensor | None = None
        mean, std = (torch.tensor(v).view(1, 3, 1, 1) for v in (prepare.mean, prepare.std))
        self._scale = (mean.to(machine.device), std.to(machine.device))

    def training(self, rows: NDArray[np.intp], batch_size: int, epoch: int, small: bool = False) -> Iterator[Fed]:
        """Yield this process's share of each batch of the epoch. On a GPU every batch has the same shape.

        small: pictures of SMALL of the size.
        """
        size_px = round(self.prepare.size_px * SMALL / STEP_PX) * STEP_PX if small else 0
        m = self.machine
        whole = [rows[i : i + batch_size] for i in range(0, len(rows), batch_size)]
        size = -(-batch_size // m.world)
        shares = [np.array_split(part, m.world)[m.rank] for part in whole]
        counts = [len(s) for s in shares]
        fill = size if m.is_gpu else min(1, len(rows))  # a process without rows still takes part in the step
        parts = [
            np.concatenate([s, np.repeat(w[:1], max(0, fill - len(s)))]) for s, w in zip(shares, whole, strict=True)
        ]
        if m.is_gpu and self.on_cpu is None:  # pragma: no cover (needs a GPU)
            fed = self._on_device(parts, epoch, size_px)
        else:
            fed = self._on_cpu(parts, self.on_cpu, epoch, size_px)
        for part, count, w, pictures in zip(parts, counts, whole, fed, strict=True):
            yield Fed(part, count, len(w), pictures)

    def plain(self, rows: NDArray[np.intp], batch_size: int) -> Iterator[Tensor]:
        """Yield the pictures (B, 3, S, S) of these rows as they are, in order."""
        parts = [rows[i : i + batch_size] for i in range(0, len(rows), batch_size)]
        yield from self._on_device(parts, None) if self.machine.is_gpu else self._on_cpu(parts, None, 0)

    def keep_on_device(self, count: int) -> None:
        """Copy all squares to the GPU once if there is room: no processor then stands between them and a step."""
        if self.machine.is_gpu and self.on_cpu is None:  # pragma: no cover (needs a GPU)
            first = np.asarray(self.squares[0])
            if count * first.nbytes <= SHARE * torch.cuda.mem_get_info(self.machine.device)[0]:
                self._hold(count, first.shape)

    def _hold(self, count: int, shape: tuple[int, ...]) -> None:
        self._resident = torch.empty((count, *shape), dtype=torch.uint8, device=self.machine.device)
        for i in range(0, count, CHUNK):
            self._resident[i : i + CHUNK] = torch.from_numpy(self._take(np.arange(i, min(i + CHUNK, count))))

    def _take(self, rows: NDArray[np.intp]) -> NDArray[np.uint8]:
        return np.ascontiguousarray(self.squares[rows])

    def _on_cpu(
        self, parts: list[NDArray[np.intp]], augment: Augment | None, epoch: int, size_px: int = 0
    ) -> Iterator[Tensor]:
        overlap = self.machine.is_gpu or augment is None
        for batch in prepare_batches(self.squares, parts, self.workers, augment, epoch, size_px, overlap):
            yield self.normalised(torch.from_numpy(batch.squares).to(self.machine.device))

    def normalised(self, squares: Tensor) -> Tensor:
        """Return what images.prepare.normalise gives, to the last digit, in the threads of a step: three times as fast.

        squares: (B, S, S, 3) uint8. A row of pixels is one long vector, as the three colours alone would be slow.
        """
        side = squares.shape[1]
        mean, scale = (
            torch.from_numpy(np.tile(v, side)).to(squares.device, non_blocking=True)
            for v in (
                np.asarray(self.prepare.mean, np.float32) * 255,
                1 / (np.asarray(self.prepare.std, np.float32) * 255),
            )
        )
        values = squares.flatten(2).float().sub_(mean).mul_(scale)
        return values.view(squares.shape).permute(0, 3, 1, 2)

    def _on_device(self, parts: list[NDArray[np.intp]], epoch: int | None, size_px: int = 0) -> Iterator[Tensor]:
        """Yield pictures cut, augmented and normalised on the GPU. epoch None: not augmented."""
        mean, std = self._scale
        kind = torch.bfloat16 if self.machine.bfloat16 and epoch is not None else torch.float32
        for part, whole in zip(parts, self._squares(parts), strict=True):
            squares = _smaller(whole, size_px) if size_px else whole
            if epoch is None or self.on_device is None:
                pictures = squares.permute(0, 3, 1, 2).float() / 255
            else:
                pictures = self.on_device(squares, epoch, part)
            ready = torch.empty_like(pictures, dtype=kind, memory_format=torch.channels_last)
            yield torch.sub(pictures, mean, out=ready).div_(std)

    def _squares(self, parts: list[NDArray[np.intp]]) -> Iterator[Tensor]:
        device, resident = self.machine.device, self._resident
        if resident is None:  # pragma: no cover (page-locked memory needs a GPU)
            for squares in ahead(parts, lambda part: torch.from_numpy(self._take(part)).pin_memory(), self.workers):
                yield squares.to(device, non_blocking=True)
            return
        for part in parts:
            yield resident[torch.from_numpy(part).to(device, non_blocking=True)]


def _smaller(squares: Tensor, size_px: int) -> Tensor:
    """Return squares (B, S, S, 3) uint8 with a smaller side, antialiased."""
    pictures = squares.permute(0, 3, 1, 2).float()
    small = functional.interpolate(pictures, (size_px, size_px), mode="bilinear", antialias=True)
    return small.round_().to(torch.uint8).permute(0, 2, 3, 1)
