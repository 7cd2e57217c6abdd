"""What a package makes of specimens before anything is decided: calibrated probabilities and mean embeddings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tickvision.deployment.looking import Looker, LookingAhead
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
    with LookingAhead(Looker(predictor.package.prepare, frozenset()), specimens, predictor.cores) as seen:
        for batch in seen:
            for specimen, looked in batch:
                good = [(one.photo.path, one.square) for one in looked if one.square is not None]
                if good:
                    taxon, state, embedding = predictor.engine.logits(np.stack([square for _, square in good]))
                    ids.append(specimen.specimen_id)
                    paths.append(good[0][0])
                    taxa.append(taxon.mean(0))
                    states.append(state.mean(0))
                    vectors.append(embedding.mean(0))
            done += len(batch)
            progress(done, len(specimens))
    if not ids:
        raise DataError("none of these specimens has a photograph that can be read.")
    probs = predictor.package.policy.cells(np.stack(taxa).astype(float), np.stack(states).astype(float))
    return Embedded(ids, paths, probs, np.stack(vectors).astype(float))
