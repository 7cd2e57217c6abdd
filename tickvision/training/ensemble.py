"""Several networks that answer as one: each learnt without another part of the training groups (bagging by folds).

Their logits are averaged, which is again a network of this kind: its backbone is the members side by side, its heads
are their heads side by side, divided by their number. So it is scored, explained and packaged like any other.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import numpy as np
import torch
from torch import Tensor, nn

from tickvision.training.loop import EpochRow
from tickvision.training.network import Network


class Members(nn.Module):
    """Backbones side by side: feature maps and embeddings are those of the members, one after the other."""

    def __init__(self, backbones: Sequence[nn.Module]) -> None:
        super().__init__()
        self.members = nn.ModuleList(backbones)
        self.width = int(backbones[0].num_features)  # type: ignore[arg-type]
        self.num_features = self.width * len(backbones)

    def _channels(self, features: Tensor) -> int:
        return 1 if features.ndim == 4 and features.shape[-1] != self.width else -1

    def forward_features(self, pictures: Tensor) -> Tensor:
        """Return the members' last feature maps, joined along their channels."""
        maps = [m.forward_features(pictures) for m in self.members]  # type: ignore[operator]
        return torch.cat(maps, self._channels(maps[0]))

    def forward_head(self, features: Tensor, pre_logits: bool = True) -> Tensor:
        """Return (N, D) the embeddings of joined feature maps."""
        dim = 1 if features.ndim == 4 and features.shape[-1] != self.num_features else -1
        maps = features.chunk(len(self.members), dim)
        embeddings = [m.forward_head(f, pre_logits=True) for m, f in zip(self.members, maps, strict=True)]  # type: ignore[operator]
        return torch.cat(embeddings, 1)

    def forward(self, pictures: Tensor) -> Tensor:
        """Return (N, D) the embeddings of prepared pictures (N, 3, S, S)."""
        return torch.cat([m(pictures) for m in self.members], 1)


def together(networks: Sequence[Network]) -> Network:
    """Return the network whose logits are the mean of those of `networks`, which have one shape."""
    first, n = networks[0], len(networks)
    joined = Network(Members([m.backbone for m in networks]), *first.shape, [len(h.bias) for h in _heads(first)[2:]])
    with torch.no_grad():
        for head, parts in zip(_heads(joined), zip(*map(_heads, networks), strict=True), strict=True):
            head.weight.copy_(torch.cat([p.weight for p in parts], 1) / n)
            head.bias.copy_(torch.stack([p.bias for p in parts]).mean(0))
    return joined.to(first.taxon_head.weight.device).eval()


def _heads(network: Network) -> list[nn.Linear]:
    return [network.taxon_head, network.state_head, *(cast(nn.Linear, h) for h in network.attribute_heads)]


def one_history(
    histories: Sequence[Sequence[EpochRow]], heads: EpochRow, joined: tuple[float, float]
) -> list[EpochRow]:
    """Return the rows of history.csv: the fitted heads, the members' mean at each epoch, what they say together.

    joined: (val macro recall, val loss) of all members; the row is the best if that is not below the fitted heads.
    """
    longest = max(len(h) for h in histories)
    rows = [heads]
    for epoch in range(1, longest):
        at = [h[epoch] for h in histories if len(h) > epoch]
        losses, recalls, val = ([getattr(r, k) for r in at] for k in ("train_loss", "val_macro_recall", "val_loss"))
        rate = float(np.mean([r.photos_per_s for r in at]))
        rows.append(EpochRow(epoch, float(np.mean(losses)), float(np.mean(recalls)), float(np.mean(val)), rate, False))
    is_best = (joined[0], -joined[1]) >= (heads.val_macro_recall, -heads.val_loss)
    return [*rows, EpochRow(longest, math.nan, *joined, 0.0, is_best)]


def folder_of(folder: Path, member: int) -> Path:
    """Return the member's own folder in the run folder; what other inputs have left there is dropped."""
    own, note = folder / f"member_{member}", folder / "inputs.txt"
    mark = note.read_text(encoding="utf-8") if note.is_file() else ""
    held = own / "inputs.txt"
    if own.is_dir() and (held.read_text(encoding="utf-8") if held.is_file() else "") != mark:
        shutil.rmtree(own)
    own.mkdir(parents=True, exist_ok=True)
    held.write_text(mark, encoding="utf-8")
    return own
