"""The network's logits for every labelled photograph, written for calibrate and evaluate, which know no torch."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from sklearn.metrics import recall_score
from torch import Tensor

from tickvision.domain.taxonomy import Taxonomy, settled_answers
from tickvision.training.feed import Feeder
from tickvision.training.heads import Labels
from tickvision.training.network import Network, Output, cells_loss
from tickvision.whole_files import whole

BATCH = 64


def run(network: Network, feeder: Feeder, rows: NDArray[np.intp], exact: bool = True) -> Output:
    """Return the outputs of these rows, in order, on the CPU, without gradients; the processes share the work.

    exact: in float32 whatever the machine trains in, as the package will compute them.
    """
    machine = feeder.machine
    network.eval()
    mine = np.array_split(rows, machine.world)
    parts: list[tuple[Tensor, ...]] = []
    with torch.inference_mode(), nullcontext() if exact else machine.autocast():
        for pictures in feeder.plain(mine[machine.rank], BATCH):
            out = network(pictures)
            parts.append(tuple(t.float() for t in (out.taxon, out.state, out.embedding, *out.attributes)))
    sizes = [len(m) for m in mine]
    columns = [machine.gather(torch.cat(c), sizes).cpu() for c in zip(*parts, strict=True)]
    return Output(columns[0], columns[1], columns[2], tuple(columns[3:]))


def judge(output: Output, labels: Labels, specimen: NDArray[np.int64], taxonomy: Taxonomy) -> tuple[float, float]:
    """Return (macro recall over the finest answers, mean cells loss), per specimen: logits averaged over its photos."""
    _, first, place = np.unique(specimen, return_index=True, return_inverse=True)
    index = torch.from_numpy(place)
    count = torch.bincount(index).float()
    taxon = torch.zeros(len(first), output.taxon.shape[1]).index_add_(0, index, output.taxon) / count[:, None]
    state = torch.zeros(len(first), *output.state.shape[1:]).index_add_(0, index, output.state) / count[:, None, None]
    mean = Output(taxon, state, taxon)
    loss = float(cells_loss(mean, torch.from_numpy(labels.taxon[first]), torch.from_numpy(labels.state[first])).mean())
    cells = (torch.softmax(taxon, 1)[:, :, None] * torch.softmax(state, 2)).flatten(1).numpy()
    truth, said = finest_answers(cells, labels.taxon[first], labels.state[first], taxonomy)
    known = truth >= 0
    if not known.any():
        return 0.0, loss
    return float(recall_score(truth[known], said[known], average="macro", labels=np.unique(truth[known]))), loss


def finest_answers(
    cells: NDArray[np.floating], taxon_mask: NDArray[np.bool_], state_mask: NDArray[np.bool_], taxonomy: Taxonomy
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return (true answer or -1 where the label leaves it open, said answer) on the finest rung, (N,) each.

    cells: (N, K) probabilities.
    """
    _, _, claims = taxonomy.rung_answers("species_stage_sex")
    labels = (taxon_mask[:, :, None] & state_mask[:, None, :]).reshape(len(cells), -1)
    return settled_answers(labels, claims), taxonomy.answer_probs(cells, "species_stage_sex").argmax(1)


def save(path: Path, **arrays: NDArray[np.generic]) -> None:
    """Write named arrays through a temporary file; no pickled objects."""
    with whole(path) as temporary, temporary.open("wb") as handle:
        np.savez(handle, **arrays)  # type: ignore[arg-type]
