"""The picture of a training: losses, and macro recall on val with the fitted heads as the line to beat."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tickvision.training.loop import EpochRow


def draw(history: Sequence[EpochRow], path: Path) -> None:
    """Write a PNG with two panels over the epochs."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    epochs = [r.epoch for r in history]
    best = max((r for r in history if r.is_best), key=lambda r: r.epoch)
    figure = Figure(figsize=(9, 3.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    left.plot(epochs, [r.train_loss for r in history], "o-", label="train, augmented")
    left.plot(epochs, [r.val_loss for r in history], "s--", label="val, averaged weights")
    left.set(xlabel="epoch (0 = fitted heads)", ylabel="loss", title="Loss")
    left.legend(frameon=False)
    right.plot(epochs, [r.val_macro_recall for r in history], "s--", color="C1")
    heads, kept = history[0].val_macro_recall, best.val_macro_recall
    right.axhline(heads, color="0.6", linewidth=1, label=f"fitted heads, {heads:.3f}")
    right.plot([best.epoch], [kept], "o", color="C3", markersize=10, fillstyle="none", label=f"kept, {kept:.3f}")
    right.legend(frameon=False, loc="lower right")
    right.margins(y=0.3)
    right.set(xlabel="epoch (0 = fitted heads)", ylabel="macro recall on val", title="Macro recall")
    for axis in (left, right):
        axis.xaxis.set_major_locator(MaxNLocator(integer=True))
        axis.spines[["top", "right"]].set_visible(False)
    figure.savefig(path, dpi=120)
