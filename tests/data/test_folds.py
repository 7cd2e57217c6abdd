from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tickvision.data import folds
from tickvision.errors import DataError


def test_no_group_is_torn_between_folds_and_strata_are_spread() -> None:
    rng = np.random.default_rng(0)
    groups = rng.integers(0, 150, 600)
    strata = rng.integers(0, 3, 150)[groups]
    fold = folds.fold_of(groups, strata, 5, 1)
    assert pd.Series(fold).groupby(groups).nunique().max() == 1
    share = pd.crosstab(strata, fold, normalize="index").to_numpy()
    assert np.abs(share - 0.2).max() < 0.06
    with pytest.raises(DataError, match="2 independent groups"):
        folds.fold_of(np.array([0, 0, 1]), np.zeros(3, int), 3)


def test_a_held_out_source_takes_its_whole_groups_along() -> None:
    frame = pd.DataFrame({"source": ["phone", "phone", "microscope", "", "phone"]})
    groups = np.array([0, 1, 1, 2, 3])
    wanted = folds.hold_out(frame, groups, "source", ("microscope",), np.array(["", "", "", "train", ""]))
    assert list(wanted) == ["", "test", "test", "train", ""]
    with pytest.raises(DataError, match="Did you mean 'microscope'"):
        folds.hold_out(frame, groups, "source", ("microscop",), wanted)
    with pytest.raises(DataError, match="Did you mean 'source'"):
        folds.hold_out(frame, groups, "sources", ("phone",), wanted)
    with pytest.raises(DataError, match="holds out every group"):
        folds.hold_out(frame[:2], groups[:2], "source", ("phone",), wanted[:2])


def test_optimism_shows_where_groups_leak_and_is_near_nought_where_they_do_not() -> None:
    rng = np.random.default_rng(0)
    group = np.repeat(np.arange(60), 10)
    said = np.where(rng.random(60) < 0.5, "a", "b")[group]
    mark = rng.normal(0, 3, (60, 100))[group]  # each group has a look of its own, which says nothing of the class
    leaking = (mark + rng.normal(0, 0.5, mark.shape)).astype(np.float32)
    told = folds.optimism(leaking, said, group)
    assert told["random"] > 0.95
    assert told["optimism"] > 0.25
    honest = rng.normal(0, 1, (600, 20)).astype(np.float32)
    honest[:, 0] += 6 * (said == "a")
    assert abs(folds.optimism(honest, said, group)["optimism"]) < 0.02
    assert set(folds.optimism(honest[:20], said[:20], group[:20])) == {"n"}
