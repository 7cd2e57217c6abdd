"""`train.weights` = a file of the user's own: what fits is loaded, everything else is one message."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import torch
from safetensors.torch import save_file
from torch import nn

from tickvision.errors import TrainingError
from tickvision.training.weights import load_into


def backbone(width: int = 4) -> nn.Module:
    torch.manual_seed(width)
    return nn.Sequential(nn.Conv2d(3, width, 3), nn.BatchNorm2d(width))


def test_weights_of_a_file_are_loaded_and_what_is_left_over_is_counted(tmp_path: Path) -> None:
    given = {k: v + 1 for k, v in backbone().state_dict().items()}
    save_file(given | {"classifier.weight": torch.zeros(2)}, tmp_path / "own.safetensors")
    taught = backbone()
    path = tmp_path / "own.safetensors"
    line = load_into(taught, "any", str(path))
    held = hashlib.sha256(path.read_bytes()).hexdigest()
    assert line == f"weights from own.safetensors (sha256 {held[:12]}..., 1 tensors not used)"
    assert all(torch.equal(v, given[k]) for k, v in taught.state_dict().items())


@pytest.mark.parametrize(
    ("file", "message"),
    [
        ("gone.safetensors", "no such file"),
        ("own.pth", r"Pickled files \(\.pth, \.pt\) are not loaded"),
        ("text.safetensors", "no .safetensors file, or cut off"),
        ("cut.safetensors", "no .safetensors file, or cut off"),
        ("few.safetensors", "5 tensors are missing, e.g. '0.bias'"),
        ("wide.safetensors", "size mismatch for .* Is it of another backbone"),
    ],
)
def test_a_file_that_does_not_fit_is_one_line(tmp_path: Path, file: str, message: str) -> None:
    (tmp_path / "own.pth").write_bytes(b"\x80\x02.")
    (tmp_path / "text.safetensors").write_text("weights", encoding="utf-8")
    save_file(backbone().state_dict(), tmp_path / "cut.safetensors")
    (tmp_path / "cut.safetensors").write_bytes((tmp_path / "cut.safetensors").read_bytes()[:-9])
    save_file({"0.weight": backbone().state_dict()["0.weight"]}, tmp_path / "few.safetensors")
    save_file(backbone(8).state_dict(), tmp_path / "wide.safetensors")
    with pytest.raises(TrainingError, match=message) as refusal:
        load_into(backbone(), "any", str(tmp_path / file))
    assert file in str(refusal.value) or file == "own.pth"
    assert "\n" not in str(refusal.value)
