"""What a training leaves behind: the network, its history and picture of it, scores, and a summary."""

from __future__ import annotations

import json
import platform
from collections.abc import Callable
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import torch
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import TrainingError
from tickvision.images.prepare import Prepare
from tickvision.training import checkpoint, curves, scores
from tickvision.training.ensemble import Members
from tickvision.training.heads import Labels
from tickvision.training.loop import EpochRow, Seen
from tickvision.training.machine import Machine
from tickvision.training.network import Network, Output
from tickvision.training.recipe import Recipe
from tickvision.whole_files import write_text

if TYPE_CHECKING:
    from tickvision.training.session import Photographs

HEADS_ALONE = "attribute_heads."  # never part of the answer, so never part of the package


class Recorder:
    """Says and keeps what the loop reports, in the first process only."""

    def __init__(
        self,
        folder: Path,
        machine: Machine,
        recipe: Recipe,
        say: Callable[[str], None],
        tick: Callable[[str, int, int, str], None],
        who: str = "",
    ) -> None:
        self.who = who
        self.leads, self.epochs, self.say, self.tick = machine.leads, recipe.epochs, say, tick
        self.val = ""
        self.board = _board(folder) if recipe.tensorboard and machine.leads else None

    def see(self, seen: Seen) -> None:
        """Show the bar, or the line of an epoch that has ended."""
        if not self.leads:
            return
        where, row = f"{self.who}epoch {seen.epoch}/{self.epochs}", seen.row
        if row is None:
            self.tick("fine-tuning", seen.photos, seen.of, f"{where}, loss {seen.loss:.3f}{self.val}")
            return
        self.val = f", val {row.val_macro_recall:.3f}"
        self.say(
            f"{where}: loss {row.train_loss:.3f}, val macro recall {row.val_macro_recall:.3f}, val loss "
            f"{row.val_loss:.3f}, {row.photos_per_s:,.1f} photographs/s{' (best)' if row.is_best else ''}"
        )
        if self.board is not None:
            for name in ("train_loss", "val_macro_recall", "val_loss", "photos_per_s"):
                self.board.add_scalar(name, getattr(row, name), row.epoch)
            self.board.flush()


def _board(folder: Path) -> Any:
    try:
        from torch.utils.tensorboard import SummaryWriter
    except ImportError:
        raise TrainingError("train.tensorboard = true needs the package: pip install tensorboard") from None
    return SummaryWriter(str(folder / "tensorboard"))


def class_line(labels: Labels, taxonomy: Taxonomy) -> str:
    """Return a line with the number of training specimens settled to each taxon."""
    counts = _settled(labels.taxon, labels.weight)
    named = sorted(zip(counts, taxonomy.taxa, strict=True), reverse=True)
    open_ = labels.weight.sum() - counts.sum()
    line = "training specimens: " + ", ".join(f"{name} {n:,.0f}" for n, name in named)
    return line + (f"; not named to one taxon {open_:,.0f}" if open_ > 0.5 else "")


def _settled(masks: NDArray[np.bool_], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (C,) specimens whose label leaves only this class."""
    single = masks.sum(1) == 1
    return np.asarray((masks[single] * weight[single, None]).sum(0))


def summarise(
    history: list[EpochRow],
    members: list[list[EpochRow]],
    weights_line: str,
    penalty: float,
    photos: Photographs,
    taxonomy: Taxonomy,
    recipe: Recipe,
    machine: Machine,
) -> dict[str, Any]:
    """Return what summary.json holds. members: the histories of an ensemble's members, if it is one."""
    best = max((r for r in history if r.is_best), key=lambda r: r.epoch)
    parts = {
        p: {
            "photographs": int((photos.part == p).sum()),
            "specimens": len(np.unique(photos.specimen[photos.part == p])),
        }
        for p in np.unique(photos.part)
    }
    taught = photos.labels.rows(photos.where("train"))
    states = [" ".join(filter(None, s)) or "any" for s in taxonomy.states]
    return {
        "backbone": recipe.backbone,
        "weights": weights_line,
        "head_penalty": penalty,
        "epochs_run": max(len(h) for h in members or [history]) - 1,
        "best_epoch": best.epoch,
        "members": [max(h, key=lambda r: (r.is_best, r.epoch)).val_macro_recall for h in members],
        "val_macro_recall": best.val_macro_recall,
        "val_macro_recall_fitted_heads": history[0].val_macro_recall,
        "parts": parts,
        "training_specimens": {
            "taxa": dict(zip(taxonomy.taxa, _settled(taught.taxon, taught.weight).round().tolist(), strict=True)),
            "states": dict(zip(states, _settled(taught.state, taught.weight).round().tolist(), strict=True)),
        },
        "seed": recipe.seed,
        "long_tail": recipe.long_tail,
        "device": torch.cuda.get_device_name(machine.device) if machine.is_gpu else "cpu",
        "precision": "bfloat16" if machine.bfloat16 else "float32",
        "processes": machine.world,
        "versions": {p: version(p) for p in ("torch", "timm", "albumentations", "scikit-learn", "numpy")}
        | {"python": platform.python_version()},
    }


def write(
    folder: Path,
    network: Network,
    taxonomy: Taxonomy,
    prepare: Prepare,
    photos: Photographs,
    recipe: Recipe,
    final: Output,
    by_heads: Output,
    history: list[EpochRow],
    summary: dict[str, Any],
) -> None:
    """Write model.safetensors, classes.json, history.csv, curves.png, scores.npz and summary.json."""
    state = {k: v.cpu().contiguous() for k, v in network.state_dict().items() if not k.startswith(HEADS_ALONE)}
    checkpoint.save(folder / "model.safetensors", state, {})
    classes: dict[str, Any] = {"taxonomy": taxonomy.to_json(), "prepare": prepare.to_json()}
    if isinstance(network.backbone, Members):
        classes["members"] = len(network.backbone.members)
    write_text(folder / "classes.json", json.dumps(classes, indent=1))
    write_text(folder / "history.csv", pd.DataFrame([asdict(r) for r in history]).to_csv(index=False))
    curves.draw(history, folder / "curves.png")
    own: dict[str, NDArray[Any]] = {}
    for k, name in enumerate(recipe.attributes):
        own[f"attribute_{name}_logits"] = final.attributes[k].numpy()
        own[f"attribute_{name}_target"] = photos.attributes[:, k]
        own[f"attribute_{name}_classes"] = np.array(photos.attribute_classes[k])
    scores.save(
        folder / "scores.npz",
        photo_id=photos.photo_id,
        specimen_id=photos.specimen_id,
        sha256=photos.sha256,
        part=photos.part,
        taxon_logits=final.taxon.numpy(),
        state_logits=final.state.numpy(),
        embedding=final.embedding.numpy().astype(np.float16),
        heads_taxon_logits=by_heads.taxon.cpu().numpy(),
        heads_state_logits=by_heads.state.cpu().numpy(),
        quality=photos.quality,
        taxon_mask=photos.labels.taxon,
        state_mask=photos.labels.state,
        **own,
    )
    write_text(folder / "summary.json", json.dumps(summary, indent=1))
