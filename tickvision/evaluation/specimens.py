"""The scores file, one row a specimen: logits averaged over its photographs, label cells, the picture's quality."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tickvision.data.arrays import UNREADABLE, open_arrays
from tickvision.domain.taxonomy import settled_answers
from tickvision.errors import CalibrationError
from tickvision.evaluation.probabilities import combine
from tickvision.images.look import MEASURES, best_quality

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Specimens:
    """taxon: (G, T), state: (G, T, S), embedding: (G, D), means over the photographs. taxon_mask: (G, T), state_mask:
    (G, S), what the labels leave open. quality: (G, 4) images.look.MEASURES, each of the photograph that is best in it.
    first_photo: (G,) photo_id. photos: (G,) number of photographs."""

    ids: NDArray[np.str_]
    taxon: Floats
    state: Floats
    taxon_mask: Bools
    state_mask: Bools
    embedding: Floats
    quality: Floats
    photos: NDArray[np.int64]
    first_photo: NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.ids)

    def take(self, rows: NDArray[np.intp]) -> Specimens:
        """Return the specimens of these rows."""
        return Specimens(**{name: value[rows] for name, value in vars(self).items()})

    def cells(self) -> Bools:
        """Return (G, K) bool: the cells that each label leaves open."""
        return np.asarray((self.taxon_mask[:, :, None] & self.state_mask[:, None, :]).reshape(len(self), -1))


def load(path: Path, part: str, heads_only: bool = False) -> Specimens:
    """Return the specimens of one part of a scores file.

    heads_only: the logits of the heads fitted on frozen features instead of the fine-tuned network's.
    Raises CalibrationError if the file is absent, damaged or of another kind, a specimen has no id, or one specimen
    bears two labels.
    """
    try:
        with open_arrays(path) as held:
            arrays = {k: held[k] for k in held.files}
        rows = np.flatnonzero(arrays["part"] == part)
    except UNREADABLE:
        raise CalibrationError(f"{path}: no readable scores. Make them with: tickvision train CONFIG") from None
    prefix = "heads_" if heads_only else ""
    taxon, state = arrays[f"{prefix}taxon_logits"][rows], arrays[f"{prefix}state_logits"][rows]
    ids = arrays["specimen_id"][rows]
    if not len(rows):
        return _empty(taxon.shape[1], state.shape[2], arrays["embedding"].shape[1])
    if (ids == "").any():
        raise CalibrationError(
            f"{path}: {int((ids == '').sum())} photographs of part '{part}' have no specimen id; "
            "set data.photo_is_specimen = true if each is a specimen of its own."
        )
    mean_taxon, order = combine(taxon, ids)
    mean_state, _ = combine(state.reshape(len(state), -1), ids)
    embedding, _ = combine(arrays["embedding"][rows].astype(np.float64), ids)
    place = {s: i for i, s in enumerate(order)}
    number = np.array([place[s] for s in ids])
    first = np.unique(number, return_index=True)[1]
    taxon_mask = _common(arrays["taxon_mask"][rows], number, len(order))
    state_mask = _common(arrays["state_mask"][rows], number, len(order))
    torn = ~(taxon_mask.any(1) & state_mask.any(1))
    if torn.any():
        raise CalibrationError(
            f"{path}: specimen '{order[int(np.argmax(torn))]}' bears two labels that exclude each other; correct "
            "one, or its specimen_id, and run import again."
        )
    return Specimens(
        np.asarray(order, str),
        mean_taxon,
        mean_state.reshape(len(order), *state.shape[1:]),
        taxon_mask,
        state_mask,
        embedding,
        best_quality(arrays["quality"][rows], number, len(order)),
        np.bincount(number),
        arrays["photo_id"][rows][first],
    )


def _common(masks: Bools, number: NDArray[np.intp], size: int) -> Bools:
    """Return what all photographs of a specimen leave open."""
    left = np.ones((size, masks.shape[1]), bool)
    np.logical_and.at(left, number, masks)
    return left


def _empty(n_taxa: int, n_states: int, width: int) -> Specimens:
    return Specimens(
        np.array([], str),
        np.zeros((0, n_taxa)),
        np.zeros((0, n_taxa, n_states)),
        np.zeros((0, n_taxa), bool),
        np.zeros((0, n_states), bool),
        np.zeros((0, width)),
        np.zeros((0, len(MEASURES))),
        np.zeros(0, int),
        np.array([], str),
    )


def true_answers(specimens: Specimens, claims: Bools) -> NDArray[np.int64]:
    """Return (N,) the narrowest answer whose claimed cells hold the whole label, -1 where none does. claims: (A, K)."""
    return settled_answers(specimens.cells(), claims)


def is_right(specimens: Specimens, claims: Bools, said: NDArray[np.intp]) -> Bools:
    """Return (N,) bool: the said answer claims every cell that the label leaves open (unsettled = not right)."""
    return np.asarray(~(specimens.cells() & ~claims[said]).any(1))


def is_wrong(specimens: Specimens, claims: Bools, said: NDArray[np.intp]) -> Bools:
    """Return (N,) bool: the said answer claims none of the cells that the label leaves open."""
    return np.asarray(~(specimens.cells() & claims[said]).any(1))
