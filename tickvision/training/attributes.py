"""Further columns of the manifest as targets of heads of their own: feeding class, view. Unknown where blank."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.errors import TrainingError, did_you_mean


def targets(frame: pd.DataFrame, names: Sequence[str]) -> tuple[NDArray[np.int64], tuple[tuple[str, ...], ...]]:
    """Return (targets (N, A) int, -1 where blank; the class names of each attribute, sorted).

    A column of the user's own may be named without its `x_`. Raises TrainingError if a column is absent or tells
    nothing apart.
    """
    columns, classes = [], []
    for name in names:
        found = next((c for c in (name, f"x_{name}") if c in frame.columns), None)
        if found is None:
            raise TrainingError(f"train.attributes: no column '{name}'.{did_you_mean(name, frame.columns)}")
        said = frame[found].to_numpy(str)
        known = tuple(sorted(set(said.tolist()) - {""}))
        if len(known) < 2:
            raise TrainingError(f"train.attributes: the column '{name}' names {len(known)} class(es); 2 are needed.")
        place = {c: i for i, c in enumerate(known)}
        columns.append(np.array([place.get(v, -1) for v in said], np.int64))
        classes.append(known)
    if not columns:
        return np.zeros((len(frame), 0), np.int64), ()
    return np.stack(columns, 1), tuple(classes)
