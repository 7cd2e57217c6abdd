"""One training session: features, fitted heads, fine-tuning, scores. Everything it makes lies in the run folder."""

from __future__ import annotations

import copy
import json
import math
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
from tickvision.training import augment, augment_torch, ensemble, features, heads, objective, results, scores
from tickvision.training.batches import Rows, Squares
from tickvision.training.feed import Feeder
from tickvision.training.folds import deal
from tickvision.training.heads import Labels
from tickvision.training.loop import EpochRow, fine_tune
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
    region_known: NDArray[np.bool_] | None = None

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
    _check(photos, taxonomy, machine, recipe)
    backbone, weights_line, prepare = _backbone(recipe, prepare)
    network = Network(backbone, len(taxonomy.taxa), len(taxonomy.states), [len(c) for c in photos.attribute_classes])
    network.to(machine.device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    plain = Feeder(photos.squares, prepare, machine, recipe.workers)
    with machine.leader_first():
        embedding = _embed(backbone, plain, photos.sha256, recipe, weights_line, features_file, tick)
    job = _Job(photos, taxonomy, recipe, machine, plain, embedding, say, tick)
    rows = photos.where("train")
    say(results.class_line(photos.labels.rows(rows), taxonomy))
    say(f"fitting heads on the features of {len(rows):,} photographs")
    untaught = copy.deepcopy(network) if recipe.folds else None
    penalty = _fit_heads(job, network, rows)
    with torch.inference_mode():
        by_heads = network.heads(torch.from_numpy(embedding).to(machine.device))
    members: list[list[EpochRow]] = []
    if untaught is None:
        history = _fine_tune(job, network, rows, folder)
    else:
        network, history, members = _members(job, network, untaught, rows, folder)
    say(f"scoring {len(photos.photo_id):,} photographs")
    final = scores.run(network, plain, np.arange(len(photos.photo_id)))
    summary = results.summarise(history, members, weights_line, penalty, photos, taxonomy, recipe, machine)
    if machine.leads:
        results.write(folder, network, taxonomy, prepare, photos, recipe, final, by_heads, history, summary)
    return summary


@dataclass(frozen=True)
class _Job:
    """What fitting and fine-tuning share. embedding: (N, D) of all photographs."""

    photos: Photographs
    taxonomy: Taxonomy
    recipe: Recipe
    machine: Machine
    plain: Feeder
    embedding: NDArray[np.float32]
    say: Say
    tick: Tick

    def judge(self, network: Network) -> tuple[float, float]:
        """Return (macro recall, loss) on val."""
        val = self.photos.where("val")
        said = scores.run(network, self.plain, val, exact=False)
        return scores.judge(said, self.photos.labels.rows(val), self.photos.specimen[val], self.taxonomy)

    def counts(self, rows: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return how much each of these training photographs counts for the long tail."""
        taught = self.photos.labels.rows(rows)
        return importance(taught.taxon, taught.state, taught.weight, self.recipe.long_tail)


def _fit_heads(job: _Job, network: Network, rows: NDArray[np.intp]) -> float:
    """Fit all heads on the features of these rows, put them into the network and return the penalty."""
    taught = job.photos.labels.rows(rows)
    weighted = Labels(taught.taxon, taught.state, taught.weight * job.counts(rows), taught.group)
    fitted, centre, scale, penalty = heads.fit(job.embedding[rows], weighted, job.recipe.tau)
    heads.put_into(network, fitted, centre, scale)
    heads.fit_attributes(network, job.embedding[rows], job.photos.attributes[rows], taught.weight)
    return penalty


def _fine_tune(job: _Job, network: Network, rows: NDArray[np.intp], folder: Path, who: str = "") -> list[EpochRow]:
    """Fine-tune a network on these rows, its checkpoint in the folder, and return its history."""
    photos, recipe, machine = job.photos, job.recipe, job.machine
    counts, by_chance = job.counts(rows), recipe.long_tail == "square_root_sampling"
    weight = np.ones_like(counts) if by_chance else counts
    teach = objective.make(photos.labels.rows(rows), weight, photos.attributes[rows], recipe)
    return fine_tune(
        network,
        _augmenting(photos, rows, job.plain.prepare, machine, recipe),
        teach.to(machine.device),
        photos.specimen[rows],
        counts if by_chance else None,
        recipe,
        job.judge,
        folder / "checkpoint.safetensors",
        machine,
        results.Recorder(folder, machine, recipe, job.say, job.tick, who).see,
    )


def _members(
    job: _Job, fitted: Network, untaught: Network, rows: NDArray[np.intp], folder: Path
) -> tuple[Network, list[EpochRow], list[list[EpochRow]]]:
    """Return (network, history, the members' histories): all members together, or the fitted heads if they are better.

    Member k learns from all folds of the training groups but the k-th; each stops by the val part, which no fold holds.
    """
    folds = job.recipe.folds
    fold = deal(job.photos.labels.group[rows], folds, job.recipe.seed)
    networks, histories = [], []
    for k in range(folds):
        member, mine = copy.deepcopy(untaught), rows[fold != k]
        _fit_heads(job, member, mine)
        with job.machine.leader_first():
            own = ensemble.folder_of(folder, k + 1)
        histories.append(_fine_tune(job, member, mine, own, f"member {k + 1}/{folds}, "))
        networks.append(member)
    joined = ensemble.together(networks)
    heads_row = EpochRow(0, math.nan, *job.judge(fitted), 0.0, True)
    history = ensemble.one_history(histories, heads_row, job.judge(joined))
    return (joined if history[-1].is_best else fitted), history, histories


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
    squares, known = Rows(photos.squares, rows), photos.region_known
    known = known[rows] if known is not None else None
    by_tensors = recipe.augment_with == "torch" or (recipe.augment_with == "auto" and machine.is_gpu)
    if not recipe.augment:
        return Feeder(squares, prepare, machine, recipe.workers)
    if by_tensors and machine.is_gpu:  # pragma: no cover (needs a GPU)
        return Feeder(squares, prepare, machine, recipe.workers, on_device=augment_torch.make(recipe.seed, known))
    one = augment_torch.make_single(recipe.seed, known) if by_tensors else augment.make(recipe.seed, known)
    return Feeder(squares, prepare, machine, recipe.workers, on_cpu=one)


def _check(photos: Photographs, taxonomy: Taxonomy, machine: Machine, recipe: Recipe) -> None:
    rows = photos.where("train")
    n = len(np.unique(photos.specimen[rows]))
    if n < MIN_SPECIMENS:
        raise TrainingError(
            f"the train part has {n} specimens with readable photographs; at least {MIN_SPECIMENS} are needed."
        )
    groups = len(np.unique(photos.labels.group[rows]))
    if recipe.folds == 1:
        raise TrainingError("train.folds = 1 leaves nothing to learn from; give 0 (one network) or at least 2.")
    if groups < 2 * recipe.folds:
        raise TrainingError(
            f"train.folds = {recipe.folds} needs {2 * recipe.folds} groups to train on; {groups} found."
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
    except FileNotFoundError:
        raise TrainingError(f"{folder}: no trained model here. Make it with: tickvision train CONFIG") from None
    taxonomy, prepare = Taxonomy.from_json(classes["taxonomy"]), Prepare.from_json(classes["prepare"])
    backbones = [make_backbone(backbone_name, "none")[0] for _ in range(classes.get("members", 1))]
    backbone = ensemble.Members(backbones) if len(backbones) > 1 else backbones[0]
    network = Network(backbone, len(taxonomy.taxa), len(taxonomy.states))
    network.load_state_dict(state)
    return network.eval(), taxonomy, prepare
