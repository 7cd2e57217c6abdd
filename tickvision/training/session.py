"""One training session: features, fitted heads, fine-tuning, scores. Everything it makes lies in the run folder."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from safetensors.torch import load_file
from torch import nn

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import TrainingError
from tickvision.images.prepare import Prepare
from tickvision.training import augment, augment_torch, features, heads, objective, results, scores
from tickvision.training.batches import Rows, Squares
from tickvision.training.feed import Feeder
from tickvision.training.heads import Labels
from tickvision.training.loop import fine_tune
from tickvision.training.machine import Machine
from tickvision.training.network import Network, make_backbone
from tickvision.training.priors import importance
from tickvision.training.recipe import Recipe

Say = Callable[[str], None]
Tick = Callable[[str, int, int, str], None]  # what, done, of, note
MIN_SPECIMENS = 8


@dataclass(frozen=True)
class Photographs:
    """Readable photographs with labels, one row each. group, specimen: (N,) int. part: (N,) train, val, ...
    attributes: (N, A) int, -1 = unknown; attribute_classes: the names of the classes of each."""

    squares: Rows
    photo_id: NDArray[np.str_]
    specimen_id: NDArray[np.str_]
    sha256: NDArray[np.str_]
    part: NDArray[np.str_]
    specimen: NDArray[np.int64]
    labels: Labels
    quality: NDArray[np.float32]
    attributes: NDArray[np.int64]
    attribute_classes: tuple[tuple[str, ...], ...]

    def where(self, part: str) -> NDArray[np.intp]:
        """Return the rows of one part."""
        return np.flatnonzero(self.part == part)


def train(
    photos: Photographs,
    taxonomy: Taxonomy,
    prepare: Prepare,
    recipe: Recipe,
    machine: Machine,
    folder: Path,
    features_file: Path,
    say: Say,
    tick: Tick,
) -> dict[str, Any]:
    """Train, write the files of results.write and return the summary."""
    _check(photos, taxonomy, machine)
    backbone, weights_line, prepare = _backbone(recipe, prepare)
    network = Network(backbone, len(taxonomy.taxa), len(taxonomy.states), [len(c) for c in photos.attribute_classes])
    network.to(machine.device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    plain = Feeder(photos.squares, prepare, machine, recipe.workers)
    with machine.leader_first():
        embedding = _embed(backbone, plain, photos.sha256, recipe, weights_line, features_file, tick)
    rows, val = photos.where("train"), photos.where("val")
    taught = photos.labels.rows(rows)
    counts = importance(taught.taxon, taught.state, taught.weight, recipe.long_tail)
    say(results.class_line(taught, taxonomy))
    say(f"fitting heads on the features of {len(rows):,} photographs")
    weighted = Labels(taught.taxon, taught.state, taught.weight * counts, taught.group)
    fitted, centre, scale, penalty = heads.fit(embedding[rows], weighted, recipe.tau)
    heads.put_into(network, fitted, centre, scale)
    heads.fit_attributes(network, embedding[rows], photos.attributes[rows], taught.weight)
    with torch.inference_mode():
        by_heads = network.heads(torch.from_numpy(embedding).to(machine.device))
    val_labels, val_specimen = photos.labels.rows(val), photos.specimen[val]

    def judge(candidate: Network) -> tuple[float, float]:
        return scores.judge(scores.run(candidate, plain, val, exact=False), val_labels, val_specimen, taxonomy)

    by_chance = recipe.long_tail == "square_root_sampling"
    recorder = results.Recorder(folder, machine, recipe, say, tick)
    history = fine_tune(
        network,
        _augmenting(photos, rows, prepare, machine, recipe),
        objective.make(taught, np.ones_like(counts) if by_chance else counts, photos.attributes[rows], recipe).to(
            machine.device
        ),
        photos.specimen[rows],
        counts if by_chance else None,
        recipe,
        judge,
        folder / "checkpoint.safetensors",
        machine,
        recorder.see,
    )
    everything = np.arange(len(photos.photo_id))
    say(f"scoring {len(everything):,} photographs")
    final = scores.run(network, plain, everything)
    summary = results.summarise(history, weights_line, penalty, photos, taxonomy, recipe, machine)
    if machine.leads:
        results.write(folder, network, taxonomy, prepare, photos, recipe, final, by_heads, history, summary)
    return summary


def look(
    squares: Squares,
    sha256: NDArray[np.str_],
    prepare: Prepare,
    recipe: Recipe,
    machine: Machine,
    features_file: Path,
    tick: Tick,
) -> None:
    """Leave the features that train starts from in features_file, for what is asked of them before any training.

    sha256: (N,), "" where a picture cannot be read.
    """
    backbone, weights_line, prepare = _backbone(recipe, prepare)
    backbone.to(machine.device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    feeder = Feeder(squares, prepare, machine, recipe.workers)
    _embed(backbone, feeder, sha256, recipe, weights_line, features_file, tick)


def _backbone(recipe: Recipe, prepare: Prepare) -> tuple[nn.Module, str, Prepare]:
    """Return (backbone, line on its weights, prepare with its mean and std)."""
    torch.manual_seed(recipe.seed)
    backbone, weights_line, mean, std = make_backbone(recipe.backbone, recipe.weights)
    return backbone, weights_line, Prepare(prepare.size_px, prepare.fit, mean, std)  # type: ignore[arg-type]


def _embed(
    backbone: nn.Module,
    feeder: Feeder,
    sha256: NDArray[np.str_],
    recipe: Recipe,
    weights_line: str,
    file: Path,
    tick: Tick,
) -> NDArray[np.float32]:
    stamp: dict[str, object] = {"backbone": recipe.backbone, "weights": weights_line}
    stamp["prepare"] = feeder.prepare.to_json()
    if recipe.weights == "none":
        stamp["seed"] = recipe.seed
    return features.embed(backbone, feeder, sha256, stamp, file, lambda d, t, _: tick("features", d, t, ""))


def _augmenting(
    photos: Photographs, rows: NDArray[np.intp], prepare: Prepare, machine: Machine, recipe: Recipe
) -> Feeder:
    """Return the feeder of the training rows. auto: on a GPU the tensor chain, where the CPU would be the limit."""
    squares = Rows(photos.squares, rows)
    by_tensors = recipe.augment_with == "torch" or (recipe.augment_with == "auto" and machine.is_gpu)
    if not recipe.augment:
        return Feeder(squares, prepare, machine, recipe.workers)
    if by_tensors and machine.is_gpu:
        return Feeder(squares, prepare, machine, recipe.workers, on_device=augment_torch.make(recipe.seed))
    one = augment_torch.make_single(recipe.seed) if by_tensors else augment.make(recipe.seed)
    return Feeder(squares, prepare, machine, recipe.workers, on_cpu=one)


def _check(photos: Photographs, taxonomy: Taxonomy, machine: Machine) -> None:
    rows = photos.where("train")
    n = len(np.unique(photos.specimen[rows]))
    if n < MIN_SPECIMENS:
        raise TrainingError(
            f"the train part has {n} specimens with readable photographs; at least {MIN_SPECIMENS} are needed."
        )
    if len(photos.where("val")) < machine.world:
        raise TrainingError("the val part has too few readable photographs; give split.val a larger share.")
    if taxonomy.n_cells < 2:
        raise TrainingError(
            f"only one class is labelled ('{taxonomy.taxa[0]}'): there is nothing to tell apart. "
            "Label at least two taxa, stages or sexes."
        )


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
