"""Resumable checkpoints: all tensors in one safetensors file, all plain values in its header. Never pickled."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import torch
from safetensors import safe_open
from safetensors.torch import load_file, save_file
from torch import Tensor

from tickvision.errors import OutputError, TrainingError
from tickvision.whole_files import whole


def save(path: Path, tensors: dict[str, Tensor], values: dict[str, Any]) -> None:
    """Write through a temporary file, so that a kill or a full disk leaves the last good checkpoint."""
    try:
        held = {k: v.detach().contiguous().clone() for k, v in tensors.items()}
        with whole(path) as temporary:
            save_file(held, temporary, metadata={"values": json.dumps(values)})
    except Exception as error:  # safetensors raises its own type on a full disk
        raise OutputError(
            f"{path}: the checkpoint could not be written ({error}). The last good one is kept."
        ) from None


def load(path: Path) -> tuple[dict[str, Tensor], dict[str, Any]]:
    """Return (tensors, values). Raises TrainingError if the file is damaged or no checkpoint of ours."""
    try:
        with safe_open(path, framework="pt") as held:
            values = json.loads((held.metadata() or {})["values"])
        return load_file(path), values
    except Exception as error:
        raise TrainingError(
            f"{path}: not a readable checkpoint ({error}). Delete it to train from the start."
        ) from None


def pack_optimizer(optimizer: torch.optim.Optimizer) -> dict[str, Tensor]:
    """Return the optimizer's state as named tensors."""
    state = optimizer.state_dict()["state"]
    return {f"optimizer.{i}.{name}": torch.as_tensor(value) for i, s in state.items() for name, value in s.items()}


def unpack_optimizer(optimizer: torch.optim.Optimizer, tensors: dict[str, Tensor]) -> None:
    """Put the state that pack_optimizer gave back into an optimizer of the same shape."""
    form = optimizer.state_dict()
    for key, value in tensors.items():
        if key.startswith("optimizer."):
            _, index, name = key.split(".", 2)
            form["state"].setdefault(int(index), {})[name] = value
    optimizer.load_state_dict(form)
