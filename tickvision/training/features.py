"""Frozen backbone features of every readable photograph, cached by content hash."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from tickvision.data.arrays import UNREADABLE, open_arrays
from tickvision.training.feed import Feeder
from tickvision.training.scores import BATCH, save


def embed(
    backbone: nn.Module,
    feeder: Feeder,
    sha256: NDArray[np.str_],
    stamp: Mapping[str, object],
    file: Path,
    progress: Callable[[int, int, int], None],
) -> NDArray[np.float32]:
    """Return (N, D) embeddings; a row whose sha256 is "" (unreadable) is zero.

    file: the features file; rows it holds for the same stamp (backbone, weights, prepare) and hash are not run again.
    """
    known = _known(file, stamp)
    rows = np.array([i for i, h in enumerate(sha256) if h and h not in known], dtype=np.intp)
    parts: list[NDArray[np.float32]] = []
    backbone.eval()
    with torch.inference_mode():
        for pictures in feeder.plain(rows, BATCH):
            parts.append(backbone(pictures).cpu().numpy())
            progress(min(len(parts) * BATCH, len(rows)), len(rows), 0)
    known |= dict(zip(sha256[rows], np.concatenate(parts), strict=True)) if parts else {}
    width = int(backbone.num_features)  # type: ignore[arg-type]
    held = np.stack([known[h] if h else np.zeros(width, np.float32) for h in sha256])
    if parts:
        save(file, sha256=sha256, embedding=held, stamp=np.array(json.dumps(stamp, sort_keys=True)))
    return held


def _known(file: Path, stamp: Mapping[str, object]) -> dict[str, NDArray[np.float32]]:
    try:
        with open_arrays(file) as held:
            if str(held["stamp"]) != json.dumps(stamp, sort_keys=True):
                return {}
            return {str(h): v for h, v in zip(held["sha256"], held["embedding"], strict=True) if h}
    except UNREADABLE:
        return {}
