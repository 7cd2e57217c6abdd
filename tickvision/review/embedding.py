"""What a package makes of specimens before anything is decided: calibrated probabilities and mean embeddings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tickvision.deployment.predict import load
from tickvision.deployment.specimens import Specimen
from tickvision.errors import DataError

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Embedded:
    """ids: specimens with a readable photograph, and its path. probs: (N, K) calibrated cells. embedding: (N, D)."""

    ids: list[str]
    first_path: list[str]
    probs: Floats
    embedding: Floats


def embed(package: Path, specimens: Sequence[Specimen], progress: Callable[[int, int], None]) -> Embedded:
    """Return what the package makes of specimens; unreadable photographs are left out, and specimens of these alone.

    progress: called with (done, total). Raises DataError if none has a photograph that can be read.
    """
    predictor = load(package)
    ids, paths, taxa, states, vectors = [], [], [], [], []
    done = 0

    def tell(looked_at: int) -> None:
        nonlocal done
        done += looked_at
        progress(done, len(specimens))

    for specimen, good, taxon, state, embedding in predictor.outputs(specimens, tell):
        ids.append(specimen.specimen_id)
        paths.append(good[0].photo.path)
        taxa.append(taxon)
        states.append(state)
        vectors.append(embedding)
    if not ids:
        raise DataError("none of these specimens has a photograph that can be read.")
    probs = predictor.package.policy.cells(np.stack(taxa), np.stack(states))
    return Embedded(ids, paths, probs, np.stack(vectors))
