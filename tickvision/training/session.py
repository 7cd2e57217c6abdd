"""One training session: features, fitted heads, fine-tuning, scores. Everything it makes lies in the run folder."""

from __future__ import annotations

import json
import platform
from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import torch
from numpy.typing import NDArray
from safetensors.torch import load_file, save_file

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import TrainingError
from tickvision.images.prepare import Prepare
from tickvision.training import augment, features, heads, scores
from tickvision.training.batches import Rows
from tickvision.training.heads import Labels
from tickvision.training.loop import EpochRow, Recipe, fine_tune
from tickvision.training.network import Network, Output, make_backbone

Say = Callable[[str], None]
MIN_SPECIMENS = 8


@dataclass(frozen=True)
class Photographs:
    """Readable photographs with labels, one row each. group, specimen: (N,) int. part: (N,) train, val, ..."""

    squares: Rows
    photo_id: NDArray[np.str_]
    specimen_id: NDArray[np.str_]
    sha256: NDArray[np.str_]
    part: NDArray[np.str_]
    specimen: NDArray[np.int64]
    labels: Labels
    sharpness: NDArray[np.float32]

    def where(self, part: str) -> NDArray[np.intp]:
        """Return the rows of one part."""
        return np.flatnonzero(self.part == part)


def train(
    photos: Photographs,
    taxonomy: Taxonomy,
    prepare: Prepare,
    recipe: Recipe,
    backbone_name: str,
    weights: str,
    use_augment: bool,
    folder: Path,
    features_file: Path,
    say: Say,
    progress: Callable[[str, int, int, int], None],
) -> dict[str, Any]:
    """Train, write model.safetensors, history.csv, scores.npz, classes.json and summary.json; return the summary."""
    _check(photos, taxonomy)
    torch.manual_seed(recipe.seed)
    backbone, weights_line, mean, std = make_backbone(backbone_name, weights)
    prepare = Prepare(prepare.size_px, prepare.fit, mean, std)  # type: ignore[arg-type]
    folder.mkdir(parents=True, exist_ok=True)
    stamp = {"backbone": backbone_name, "weights": weights_line, "prepare": prepare.to_json()}
    embedding = features.embed(
        backbone,
        photos.squares,
        photos.sha256,
        stamp,
        features_file,
        prepare,
        recipe.workers,
        lambda d, t, f: progress("features", d, t, f),
    )
    network = Network(backbone, len(taxonomy.taxa), len(taxonomy.states))
    network.to(memory_format=torch.channels_last)
    rows, val = photos.where("train"), photos.where("val")
    say(f"fitting heads on the features of {len(rows):,} photographs")
    fitted, centre, scale, penalty = heads.fit(embedding[rows], photos.labels.rows(rows), recipe.tau)
    heads.put_into(network, fitted, centre, scale)
    with torch.inference_mode():
        by_heads = network.heads(torch.from_numpy(embedding))
    val_labels, val_specimen = photos.labels.rows(val), photos.specimen[val]

    def judge(candidate: Network) -> tuple[float, float]:
        output = scores.run(candidate, photos.squares, val, prepare, recipe.workers)
        return scores.judge(output, val_labels, val_specimen, taxonomy)

    history = fine_tune(
        network,
        Rows(photos.squares, rows),
        photos.labels.rows(rows),
        photos.specimen[rows],
        prepare,
        recipe,
        judge,
        augment.make(recipe.seed) if use_augment else None,
        folder / "checkpoint.safetensors",
        _reporter(say),
    )
    everything = np.arange(len(photos.photo_id))
    say(f"scoring {len(everything):,} photographs")
    final = scores.run(network, photos.squares, everything, prepare, recipe.workers)
    _write(folder, network, taxonomy, prepare, photos, final, by_heads, history)
    summary = _summary(history, weights_line, penalty, backbone_name, photos, recipe)
    (folder / "summary.json").write_text(json.dumps(summary, indent=1), encoding="utf-8")
    return summary


def _check(photos: Photographs, taxonomy: Taxonomy) -> None:
    rows = photos.where("train")
    n = len(np.unique(photos.specimen[rows]))
    if n < MIN_SPECIMENS:
        raise TrainingError(
            f"the train part has {n} specimens with readable photographs; at least {MIN_SPECIMENS} are needed."
        )
    if not len(photos.where("val")):
        raise TrainingError("the val part has no readable photographs; give split.val a larger share.")
    if taxonomy.n_cells < 2:
        raise TrainingError(
            f"only one class is labelled ('{taxonomy.taxa[0]}'): there is nothing to tell apart. "
            "Label at least two taxa, stages or sexes."
        )


def _reporter(say: Say) -> Callable[[str, EpochRow | None], None]:
    def report(line: str, row: EpochRow | None) -> None:
        if row is not None:
            say(
                f"{line}: loss {row.train_loss:.3f}, val macro recall {row.val_macro_recall:.3f}, "
                f"val loss {row.val_loss:.3f}, "
                f"{row.photos_per_s:.1f} photographs/s{' (best)' if row.is_best else ''}"
            )

    return report


def _write(
    folder: Path,
    network: Network,
    taxonomy: Taxonomy,
    prepare: Prepare,
    photos: Photographs,
    final: Output,
    by_heads: Output,
    history: list[EpochRow],
) -> None:
    state = {k: v.contiguous() for k, v in network.state_dict().items()}
    save_file(state, folder / "model.safetensors.tmp")
    (folder / "model.safetensors.tmp").replace(folder / "model.safetensors")
    classes = {"taxonomy": taxonomy.to_json(), "prepare": prepare.to_json()}
    (folder / "classes.json").write_text(json.dumps(classes, indent=1), encoding="utf-8")
    pd.DataFrame([asdict(r) for r in history]).to_csv(folder / "history.csv", index=False)
    scores.save(
        folder / "scores.npz",
        photo_id=photos.photo_id,
        specimen_id=photos.specimen_id,
        sha256=photos.sha256,
        part=photos.part,
        taxon_logits=final.taxon.numpy(),
        state_logits=final.state.numpy(),
        embedding=final.embedding.numpy().astype(np.float16),
        heads_taxon_logits=by_heads.taxon.numpy(),
        heads_state_logits=by_heads.state.numpy(),
        sharpness=photos.sharpness,
        taxon_mask=photos.labels.taxon,
        state_mask=photos.labels.state,
    )


def _summary(
    history: list[EpochRow], weights_line: str, penalty: float, backbone: str, photos: Photographs, recipe: Recipe
) -> dict[str, Any]:
    best = max((r for r in history if r.is_best), key=lambda r: r.epoch)
    parts = {
        p: {
            "photographs": int((photos.part == p).sum()),
            "specimens": len(np.unique(photos.specimen[photos.part == p])),
        }
        for p in np.unique(photos.part)
    }
    return {
        "backbone": backbone,
        "weights": weights_line,
        "head_penalty": penalty,
        "epochs_run": len(history) - 1,
        "best_epoch": best.epoch,
        "val_macro_recall": best.val_macro_recall,
        "val_macro_recall_fitted_heads": history[0].val_macro_recall,
        "parts": parts,
        "seed": recipe.seed,
        "versions": {p: version(p) for p in ("torch", "timm", "albumentations", "scikit-learn", "numpy")}
        | {"python": platform.python_version()},
    }


def load_network(folder: Path, backbone_name: str) -> tuple[Network, Taxonomy, Prepare]:
    """Return the trained network of a run folder. Raises TrainingError if there is none."""
    try:
        classes = json.loads((folder / "classes.json").read_text(encoding="utf-8"))
        state = load_file(folder / "model.safetensors")
    except FileNotFoundError as error:
        raise TrainingError(f"{error.filename}: no trained model here. Make it with: tickvision train CONFIG") from None
    taxonomy, prepare = Taxonomy.from_json(classes["taxonomy"]), Prepare.from_json(classes["prepare"])
    backbone = make_backbone(backbone_name, "none")[0]
    network = Network(backbone, len(taxonomy.taxa), len(taxonomy.states))
    network.load_state_dict(state)
    return network.eval(), taxonomy, prepare
