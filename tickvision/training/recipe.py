"""How to fine-tune: the [train] section of the config and the seed."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

LongTail = Literal["logit_adjustment", "class_weights", "effective_number", "square_root_sampling", "none"]
_FREE = ("workers", "device", "precision", "compile", "tensorboard")  # may change between a stop and going on


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """Names and meaning as in the config's [train] section, which owns the defaults."""

    backbone: str
    weights: str
    epochs: int
    patience_epochs: int
    warmup_epochs: float
    small_first: float
    folds: int
    batch_size: int
    frozen_stages: int
    unfreeze_epochs: float
    backbone_learning_rate: float
    head_learning_rate: float
    layer_decay: float
    weight_decay: float
    ema_decay: float
    long_tail: LongTail
    logit_adjustment: float
    label_smoothing: float
    mix: Literal["none", "mixup", "cutmix"]
    mix_alpha: float
    augment: bool
    augment_with: Literal["auto", "albumentations", "torch"]
    attributes: tuple[str, ...]
    attribute_weight: float
    workers: int
    device: Literal["auto", "cpu", "cuda"]
    precision: Literal["auto", "float32", "bfloat16"]
    compile: Literal["auto", "always", "never"]
    tensorboard: bool
    seed: int

    @property
    def tau(self) -> float:
        """Strength of the logit adjustment, 0 if the long tail is met otherwise."""
        return self.logit_adjustment if self.long_tail == "logit_adjustment" else 0.0

    def of_weights(self) -> dict[str, Any]:
        """Return all that decides the weights; a checkpoint goes on only with the same."""
        return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self).items() if k not in _FREE}
