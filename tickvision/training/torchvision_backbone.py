"""torchvision's networks by name as backbones: the same four things that are asked of timm's."""

from __future__ import annotations

from typing import Any

from torch import Tensor, nn

from tickvision.errors import TrainingError, did_you_mean
from tickvision.training import weights as pretrained

PREFIX = "torchvision/"
# Networks that end in a mean over their last feature map.
FAMILIES = ("resnet", "resnext", "wide_resnet", "efficientnet", "mobilenet", "regnet")
MEAN, STD = (0.485, 0.456, 0.406), (0.229, 0.224, 0.225)  # of all their weights


class Torchvision(nn.Module):
    """stages: what a picture runs through, the stem first; then a mean over the map."""

    def __init__(self, stages: list[nn.Module]) -> None:
        super().__init__()
        self.stages = nn.Sequential(*stages)
        self.num_features = 0
        self.pretrained_cfg = {"mean": MEAN, "std": STD}

    def forward_features(self, pictures: Tensor) -> Tensor:
        """Return the last feature map (N, D, h, w)."""
        return self.stages(pictures)  # type: ignore[no-any-return]

    def forward_head(self, features: Tensor, pre_logits: bool = True) -> Tensor:
        """Return (N, D)."""
        return features.mean((2, 3))

    def forward(self, pictures: Tensor) -> Tensor:
        """Return the embedding (N, D) of prepared pictures (N, 3, S, S)."""
        return self.forward_head(self.forward_features(pictures))

    def group_matcher(self, coarse: bool = False) -> dict[str, Any]:
        """Return timm's form of which parameter belongs to which stage."""
        return {"stem": r"^stages\.0\.", "blocks": r"^stages\.(\d+)\."}


def make(name: str, weights: str) -> tuple[Torchvision, str]:
    """Return (backbone, line on its weights) of 'torchvision/NAME'. Raises TrainingError on a name it does not know."""
    from torchvision import models

    known = [m for m in models.list_models(models) if m.startswith(FAMILIES)]
    own = name.removeprefix(PREFIX)
    if own not in known:
        raise TrainingError(
            f"train.backbone '{name}': no such backbone.{did_you_mean(own, known)} torchvision's {', '.join(FAMILIES)} "
            "can be used; timm has the others."
        )
    whole = models.get_model(own, weights=None)
    head = "fc" if hasattr(whole, "fc") else "classifier"
    linear = next(m for m in getattr(whole, head).modules() if isinstance(m, nn.Linear))
    setattr(whole, head, nn.Identity())
    line = pretrained.load_into(whole, name, weights)
    backbone = Torchvision(_stages(whole))
    backbone.num_features = linear.in_features
    return backbone, line


def _stages(whole: Any) -> list[nn.Module]:
    if hasattr(whole, "features"):
        return list(whole.features)
    if hasattr(whole, "trunk_output"):
        return [whole.stem, *whole.trunk_output]
    stem = nn.Sequential(whole.conv1, whole.bn1, whole.relu, whole.maxpool)
    return [stem, whole.layer1, whole.layer2, whole.layer3, whole.layer4]
