from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tickvision.data import splits
from tickvision.errors import DataError

SHARES = {"train": 0.5, "val": 0.1, "calibration": 0.2, "test": 0.2}


def bench(specimens: int, seed: int) -> tuple[pd.DataFrame, np.ndarray]:
    rng = np.random.default_rng(seed)
    specimen = np.repeat(np.arange(specimens), rng.integers(1, 4, specimens))
    group = rng.integers(0, max(4, specimens // 3), specimens)[specimen]
    stratum = rng.choice(6, specimens, p=[0.5, 0.2, 0.1, 0.1, 0.05, 0.05])[specimen]
    frame = pd.DataFrame(
        {
            "photo_id": [f"p{i}" for i in range(len(specimen))],
            "specimen_id": [f"s{i}" for i in specimen],
            "group_id": [f"g{i}" for i in group],
        }
    )
    return frame, stratum


@settings(max_examples=25, deadline=None)
@given(specimens=st.integers(60, 300), seed=st.integers(0, 1000))
def test_no_group_is_torn_and_every_part_gets_specimens(specimens: int, seed: int) -> None:
    frame, stratum = bench(specimens, seed)
    groups = splits.tie_groups(frame)
    parts = splits.assign(groups, stratum, frame["specimen_id"].to_numpy(str), SHARES, seed)
    splits.check_no_leak(frame, groups, parts)
    for column in ("specimen_id", "group_id"):
        assert frame.assign(part=parts).groupby(column)["part"].nunique().max() == 1
    assert set(parts) == set(SHARES)


def test_classes_are_dealt_in_the_shares_asked_for() -> None:
    frame, stratum = bench(1500, 0)
    parts = splits.assign(splits.tie_groups(frame), stratum, frame["specimen_id"].to_numpy(str), SHARES)
    one = frame.assign(stratum=stratum, part=parts).drop_duplicates("specimen_id")
    share = pd.crosstab(one["stratum"], one["part"], normalize="index")
    assert np.abs(share[list(SHARES)].to_numpy() - np.array(list(SHARES.values()))).max() < 0.05


def test_a_split_is_the_same_for_a_seed_and_another_for_another() -> None:
    frame, stratum = bench(300, 1)
    groups, ids = splits.tie_groups(frame), frame["specimen_id"].to_numpy(str)
    first, again, other = (splits.assign(groups, stratum, ids, SHARES, seed) for seed in (4, 4, 5))
    assert (first == again).all()
    assert (first != other).any()


def test_near_duplicates_tie_groups_together() -> None:
    frame, _ = bench(40, 2)
    loose, tied = splits.tie_groups(frame), splits.tie_groups(frame, [("p0", f"p{len(frame) - 1}")])
    assert loose[0] != loose[-1]
    assert tied[0] == tied[-1]
    assert len(np.unique(tied)) <= len(np.unique(loose))


def test_a_torn_group_is_found() -> None:
    frame, _ = bench(40, 3)
    groups = splits.tie_groups(frame)
    parts = np.array(["train"] * len(frame))
    assert (groups == groups[0]).sum() > 1
    parts[0] = "test"
    with pytest.raises(DataError, match="leaks"):
        splits.check_no_leak(frame, groups, parts)


def test_a_split_of_ones_own_is_read_and_refused_when_it_leaks_or_lacks(tmp_path: Path) -> None:
    frame, _ = bench(40, 3)
    groups = splits.tie_groups(frame)
    rng = np.random.default_rng(0)
    parts = rng.choice(splits.PARTS, groups.max() + 1)[groups]
    table = frame.assign(part=parts)[["photo_id", "part"]]
    table.to_csv(tmp_path / "own.csv", index=False)
    mine = splits.own(frame, tmp_path / "own.csv")
    splits.check_no_leak(frame, groups, mine)
    assert (mine == parts).all()
    torn = table.assign(part=rng.choice(splits.PARTS, len(table)))
    torn.to_csv(tmp_path / "own.csv", index=False)
    with pytest.raises(DataError, match=r"leaks: \d+ of \d+ groups stand in several parts, e.g. p\d+ in \w+, p\d+ in"):
        splits.check_no_leak(frame, groups, splits.own(frame, tmp_path / "own.csv"))
    table[1:].to_csv(tmp_path / "own.csv", index=False)
    with pytest.raises(DataError, match=r"1 of .* photographs are in no part, e\.g\. 'p0'"):
        splits.own(frame, tmp_path / "own.csv")
    table.assign(part="trian").to_csv(tmp_path / "own.csv", index=False)
    with pytest.raises(DataError, match=r"part 'trian' is none of .*Did you mean 'train'"):
        splits.own(frame, tmp_path / "own.csv")


def test_as_many_specimens_are_needed_as_the_exact_interval_says() -> None:
    for error, failure in ((0.05, 0.05), (0.02, 0.1), (0.1, 0.01)):
        needed = splits.needed_to_certify(error, failure)
        # scipy's exact (Clopper-Pearson) interval of 0 among n, one-sided
        high = [
            stats.binomtest(0, n, alternative="less").proportion_ci(1 - failure, "exact").high
            for n in (needed - 1, needed)
        ]
        assert high[0] > error >= high[1]
    assert splits.needed_to_certify(0.05, 0.05) == 59  # zero failures, 95 % / 95 %: from memory


def test_classes_too_small_are_those_with_few_calibration_specimens() -> None:
    specimens = np.array([f"s{i // 2}" for i in range(40)])
    classes = np.array(["Ixodes nymph"] * 28 + ["Ixodes larva"] * 10 + [""] * 2)
    parts = np.array((["calibration"] * 20 + ["train"] * 4 + ["test"] * 4) + ["calibration"] * 4 + ["train"] * 8)
    assert splits.too_small(specimens, classes, parts, 10) == [
        {"class": "Ixodes larva", "train": 3, "calibration": 2, "test": 0, "needed": 10}
    ]
    assert [c["class"] for c in splits.too_small(specimens, classes, parts, 11)] == ["Ixodes larva", "Ixodes nymph"]


def test_fewer_groups_than_parts_are_refused() -> None:
    frame = pd.DataFrame({"photo_id": ["a", "b"], "specimen_id": ["s", "t"], "group_id": ["g", "g"]})
    with pytest.raises(DataError, match="1 independent groups"):
        splits.assign(splits.tie_groups(frame), np.zeros(2, int), np.array(["s", "t"]), SHARES)


def test_the_stratum_of_a_specimen_is_its_most_telling_label() -> None:
    frame = pd.DataFrame(
        {
            "specimen_id": ["a", "a"],
            "scientific_name": ["Ixodes", "Ixodes scapularis"],
            "taxon_rank": ["genus", "species"],
            "life_stage": ["", "adult"],
            "sex": ["", "female"],
        }
    )
    assert list(splits.strata_of(frame)) == ["Ixodes scapularis|adult|female"] * 2


def test_photographs_meant_for_one_part_never_reach_another() -> None:
    frame, stratum = bench(600, 4)
    groups = splits.tie_groups(frame)
    wanted = np.random.default_rng(0).choice(["", "", "", "train", "test"], groups.max() + 1)[groups]
    parts = splits.assign(groups, stratum, frame["specimen_id"].to_numpy(str), SHARES, 0, wanted)
    splits.check_no_leak(frame, groups, parts)
    for part in ("train", "test"):
        assert set(parts[wanted == part]) == {part}
    assert set(parts) == set(SHARES)


def test_a_group_wanted_in_two_parts_is_refused() -> None:
    frame, stratum = bench(60, 5)
    groups = splits.tie_groups(frame)
    wanted = np.full(len(frame), "", dtype="U5")
    first = np.flatnonzero(groups == np.bincount(groups).argmax())[:2]
    wanted[first] = ["train", "test"]
    with pytest.raises(DataError, match="wanted in train and in test"):
        splits.assign(groups, stratum, frame["specimen_id"].to_numpy(str), SHARES, 0, wanted)
