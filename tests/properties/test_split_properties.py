"""Splits of any set: groups as a graph library ties them, none torn, and strata spread."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tickvision.data import splits
from tickvision.errors import DataError

SHARES = {"train": 0.5, "val": 0.1, "calibration": 0.2, "test": 0.2}


@st.composite
def photographs(draw: st.DrawFn) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Photographs with blank or shared specimens and submissions, and pairs of near-duplicates (some of no row)."""
    n = draw(st.integers(1, 30))
    ids = st.integers(0, n).map(lambda i: f"{i}" if i else "")
    frame = pd.DataFrame(
        {
            "photo_id": [f"p{i}" for i in range(n)],
            "specimen_id": draw(st.lists(ids, min_size=n, max_size=n)),
            "group_id": draw(st.lists(ids, min_size=n, max_size=n)),
        }
    )
    photo = st.integers(0, n + 1).map(lambda i: f"p{i}")
    return frame, draw(st.lists(st.tuples(photo, photo), max_size=5))


@settings(max_examples=60, deadline=None)
@given(photographs())
def test_groups_are_the_connected_components_of_what_ties_photographs(
    drawn: tuple[pd.DataFrame, list[tuple[str, str]]],
) -> None:
    frame, pairs = drawn
    place = {p: i for i, p in enumerate(frame["photo_id"])}
    edges = [(place[a], place[b]) for a, b in pairs if a in place and b in place]
    for column in ("specimen_id", "group_id"):
        for _, rows in frame[frame[column] != ""].groupby(column):
            edges += [(int(rows.index[0]), int(i)) for i in rows.index]
    n = len(frame)
    row, column = np.array(edges, int).reshape(-1, 2).T
    _, expected = connected_components(coo_array((np.ones(len(row)), (row, column)), shape=(n, n)), directed=False)
    groups = splits.tie_groups(frame, pairs)
    assert ((groups[:, None] == groups) == (expected[:, None] == expected)).all()
    assert sorted(set(groups)) == list(range(len(set(groups))))  # numbered without gaps


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.integers(2, 8), st.sampled_from([1, 3]))
def test_every_stratum_is_dealt_in_the_shares_asked_for(seed: int, strata: int, photos: int) -> None:
    # groups of one specimen: each part may miss its share of a stratum by what one group brings, and by rounding
    rng = np.random.default_rng(seed)
    specimen = np.repeat(np.arange(200), photos)
    stratum = rng.integers(0, strata, 200)[specimen]
    parts = splits.assign(specimen, stratum, specimen.astype(str), SHARES, seed)
    one = pd.DataFrame({"stratum": stratum, "part": parts, "specimen": specimen}).drop_duplicates("specimen")
    table = pd.crosstab(one["stratum"], one["part"]).reindex(columns=list(SHARES), fill_value=0)
    wanted = np.outer(table.sum(axis=1), list(SHARES.values()))
    assert np.abs(table.to_numpy() - wanted).max() <= 2
    assert pd.Series(parts).groupby(specimen).nunique().max() == 1
    again = splits.assign(specimen, stratum, specimen.astype(str), SHARES, seed)
    assert (again == parts).all()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.permutations(range(40)))
def test_the_names_of_specimens_do_not_decide(seed: int, turn: list[int]) -> None:
    rng = np.random.default_rng(seed)
    stratum = rng.integers(0, 3, 40)
    plain = splits.assign(np.arange(40), stratum, np.arange(40).astype(str), SHARES, seed)
    other = splits.assign(np.arange(40), stratum, np.array(turn).astype(str), SHARES, seed)
    assert (plain == other).all()


def test_worked_split_of_two_strata() -> None:
    # 20 specimens of a, 10 of b, halves: each half gets 10 and 5
    stratum = np.array([0] * 20 + [1] * 10)
    parts = splits.assign(np.arange(30), stratum, np.arange(30).astype(str), {"train": 0.5, "test": 0.5})
    assert pd.crosstab(stratum, parts).to_numpy().tolist() == [[10, 10], [5, 5]]


def test_a_large_group_does_not_overfill_a_part() -> None:
    # one submission of 60 of 100 specimens must go to train (half) rather than to test (a tenth)
    group = np.r_[np.zeros(60, int), np.arange(1, 41)]
    shares = {"train": 0.5, "val": 0.2, "calibration": 0.2, "test": 0.1}
    for seed in range(5):
        parts = splits.assign(group, np.zeros(100, int), np.arange(100).astype(str), shares, seed)
        assert set(parts[:60]) == {"train"}
        assert {p: int((parts == p).sum()) for p in shares} == {"train": 60, "val": 16, "calibration": 16, "test": 8}


def test_the_file_of_a_split_says_what_was_dealt(tmp_path: Path) -> None:
    frame = pd.DataFrame({"photo_id": ["a,b", 'c"', "é ♀"], "specimen_id": ["1", "1", "2"]})
    path = tmp_path / "splits.csv"
    splits.write(
        frame, np.array([0, 0, 1]), np.array(["x|y|", "x|y|", "z||"]), np.array(["train", "train", "test"]), path
    )
    assert path.read_text(encoding="utf-8").splitlines() == [
        "photo_id,specimen_id,group,stratum,part",
        '"a,b",1,0,x|y|,train',
        '"c""",1,0,x|y|,train',
        "é ♀,2,1,z||,test",
    ]
    assert splits.read(path) == {"a,b": "train", 'c"': "train", "é ♀": "test"}
    splits.write(frame, np.arange(3), np.array(["", "", ""]), np.array(["val"] * 3), path, fold=np.array([1, 2, 0]))
    assert path.read_text(encoding="utf-8").splitlines()[:2] == [
        "photo_id,specimen_id,group,stratum,part,fold",
        '"a,b",1,0,,val,1',
    ]
    assert sorted(p.name for p in path.parent.iterdir()) == ["splits.csv"]


@pytest.mark.parametrize(
    ("first", "second", "wins"),
    [
        # rank, name, stage: a species tells more than a genus with as much beside it, a blank tells nothing
        (("genus", "Ixodes", "nymph"), ("species", "Ixodes cookei", "nymph"), 1),
        (("species", "Ixodes cookei", "nymph"), ("genus", "Ixodes", "nymph"), 0),
        (("species", "Ixodes cookei", ""), ("genus", "Ixodes", ""), 0),
        (("genus", "Ixodes", "nymph"), ("species", "Ixodes cookei", ""), 0),  # as telling: the first photograph's
        (("genus", "Ixodes", ""), ("", "", ""), 0),
    ],
)
def test_the_most_telling_label_of_a_specimen_is_its_stratum(
    first: tuple[str, str, str], second: tuple[str, str, str], wins: int
) -> None:
    rows = [first, second] * 20  # many, so that a sort which is not stable shows
    frame = pd.DataFrame(rows, columns=["taxon_rank", "scientific_name", "life_stage"]).assign(sex="", specimen_id="s")
    other = pd.DataFrame([("genus", "Ixodes", "larva", "", "t")], columns=frame.columns)
    strata = splits.strata_of(pd.concat([frame, other], ignore_index=True))
    _, name, stage = (first, second)[wins]
    assert list(strata) == [f"{name}|{stage}|"] * 40 + ["Ixodes|larva|"]


def test_no_split_or_another_table_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "splits.csv"
    with pytest.raises(DataError) as refusal:
        splits.read(path)
    assert str(refusal.value) == f"{path}: no split. Make it with: tickvision split CONFIG"
    path.write_text("photo_id,share\na,1\n", encoding="utf-8")
    with pytest.raises(DataError) as refusal:
        splits.read(path)
    assert str(refusal.value).startswith(f"{path}: not a split (columns photo_id and part are missing).")


def test_ids_stay_text_and_parts_are_told_by_their_names(tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    path.write_text("photo_id,part\n007,train\nNA,test\n1e3,val\n", encoding="utf-8")
    assert splits.read(path) == {"007": "train", "NA": "test", "1e3": "val"}
    path.write_text("photo_id,part\n007,train\nNA,tset\n", encoding="utf-8")
    with pytest.raises(DataError) as refusal:
        splits.own(pd.DataFrame({"photo_id": ["007", "NA"]}), path)
    assert str(refusal.value) == (f"{path}: part 'tset' is none of train, val, calibration, test. Did you mean 'test'?")


def test_a_leak_names_one_photograph_of_each_part_and_says_what_to_do() -> None:
    frame = pd.DataFrame({"photo_id": list("abcde")})
    groups, parts = np.array([0, 1, 1, 1, 2]), np.array(["train", "val", "val", "test", "train"])
    with pytest.raises(DataError) as refusal:
        splits.check_no_leak(frame, groups, parts)
    assert str(refusal.value) == (
        "The split leaks: 1 of 3 groups stand in several parts, e.g. b in val, d in test. Groups are tied by "
        "specimen_id, submission_id and near-duplicates. Nothing was written; deal again with tickvision split, or "
        "mend split.file."
    )
    splits.check_no_leak(frame, groups, np.array(["train", "val", "val", "val", "train"]))
