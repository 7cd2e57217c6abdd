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
    held = folds.held_out(frame, groups, "source", ("microscope",))
    assert list(held) == [False, True, True, False, False]
    with pytest.raises(DataError, match="Did you mean 'microscope'"):
        folds.held_out(frame, groups, "source", ("microscop",))
    with pytest.raises(DataError, match="Did you mean 'source'"):
        folds.held_out(frame, groups, "sources", ("phone",))
    with pytest.raises(DataError, match="none; the manifest leaves it blank"):
        folds.held_out(frame.assign(source=""), groups, "source", ("phone",))
    with pytest.raises(DataError, match="takes every group"):
        folds.held_out(frame[:2], groups[:2], "source", ("phone",))


def labelled(specimens: int, **columns: list[str]) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """A frame of one photograph a specimen and two specimens a group, with blank columns where none are given."""
    names = ["specimen_id", "event_date", "creator", "rights_holder", "use"]
    frame = pd.DataFrame({c: columns.get(c, [""] * specimens) for c in names})
    frame["specimen_id"] = [f"s{i}" for i in range(specimens)]
    frame["device"] = columns.get("device", ["phone"] * specimens)
    return frame, np.arange(specimens) // 2, np.array(["a", "b"] * (specimens // 2))


SHARES = {"train": 0.5, "val": 0.1, "calibration": 0.2, "test": 0.2}


@pytest.mark.parametrize(
    ("column", "value", "given"),
    [("device", "microscope", {"device": ["microscope"] * 8 + ["phone"] * 72}),
     ("season", "Jun-Aug", {"event_date": ["2024-07-02"] * 8 + ["2024-05-01", "2023", "", "2024-12-24"] * 18}),
     ("year", "2023", {"event_date": ["2023"] * 8 + ["2024-05-01"] * 72}),
     ("submitter", "Å.", {"creator": ["Å."] * 7 + [""] * 73, "rights_holder": [""] * 7 + ["Å."] + ["X"] * 72})],
)  # fmt: skip
def test_test_is_what_is_held_out_and_nothing_else(column: str, value: str, given: dict[str, list[str]]) -> None:
    frame, groups, strata = labelled(80, **given)
    parts, fold = folds.deal(frame, groups, strata, SHARES, 0, {column: (value,)})
    assert fold is None
    assert list(np.flatnonzero(parts == "test")) == list(range(8))
    assert [int((parts == p).sum()) for p in ("train", "val", "calibration")] == pytest.approx([45, 9, 18], abs=3)


def test_each_fold_is_test_once_and_what_may_only_train_never() -> None:
    frame, groups, strata = labelled(80, use=["train"] * 10 + [""] * 70)
    tested = []
    for number in (1, 2, 3, 4, 5):
        parts, fold = folds.deal(frame, groups, strata, SHARES, 0, None, 5, number)
        assert fold is not None
        assert ((fold == number) == (parts == "test")).all()
        assert pd.Series(parts).groupby(groups).nunique().max() == 1
        tested += list(np.flatnonzero(parts == "test"))
    assert sorted(tested) == list(range(10, 80))


def test_a_photograph_that_must_be_tested_cannot_stand_outside_the_held_out_part() -> None:
    frame, groups, strata = labelled(80, device=["microscope"] * 8 + ["phone"] * 72, use=[""] * 79 + ["test"])
    with pytest.raises(DataError, match="marks photographs as test"):
        folds.deal(frame, groups, strata, SHARES, 0, {"device": ("microscope",)})


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
