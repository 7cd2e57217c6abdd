"""Tables that a user writes for a job of their own: the taxa (taxonomy.table) and the split (split.file)."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tickvision import config
from tickvision.data import manifest, splits
from tickvision.errors import ConfigError, DataError

# a tree of invented names: two genera of a family, and a species that stands alone
TAXA = (
    "name,rank,parent\nOnidae,family,\nOne,genus,Onidae\nOne a,species,One\nOne b,species,One\nTwo c,species,Onidae\n"
)
JOB = """
name = "own"
output = "run"
[data]
path = "labels.csv"
[taxonomy]
kind = "table"
table = "taxa.csv"
stages = { young = [], grown = ["female", "male"] }
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "taxa.csv").write_text(TAXA, encoding="utf-8")
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path / "job.toml"


def test_a_table_of_taxa_gives_the_leaves_and_what_stands_above_them(job: Path) -> None:
    tax = config.load(job).taxonomy
    empty = pd.DataFrame(columns=["status", "scientific_name", "taxon_rank", "life_stage", "sex"], dtype=str)
    made = manifest.build_taxonomy(tax.kind, empty, tax.taxa, tax.non_target, tax.table, tax.stages)
    assert made.taxa == ("One a", "One b", "Two c")
    assert made.states == (("young", ""), ("grown", "female"), ("grown", "male"))
    assert made.lineage("One b") == ["One b", "One", "Onidae"]
    assert list(made.taxon_mask("One")) == [True, True, False]
    assert list(made.state_mask("grown", "")) == [False, True, True]


def test_a_table_of_taxa_without_stages_has_one_state(job: Path) -> None:
    tax = config.load(job, ["taxonomy.stages={}"]).taxonomy
    empty = pd.DataFrame(columns=["status", "scientific_name", "taxon_rank", "life_stage", "sex"], dtype=str)
    made = manifest.build_taxonomy(tax.kind, empty, table=tax.table, stages=tax.stages)
    assert made.states == (("", ""),)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "no column name, rank, parent"),
        (b"name,rank\nOne,genus\n", "no column parent"),
        ("name,rank,parent\nÖne,genus,\n".encode("latin-1"), "cannot be read as a table of taxa"),
        ("name,rank,parent\nOne,genus,\n".encode("utf-16-le"), "no column name"),
        (None, "cannot be read as a table of taxa, taxonomy.table (No such file or directory)"),
    ],
)
def test_a_table_of_taxa_that_cannot_be_read_is_named(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "taxa.csv"
    if content is not None:
        path.write_bytes(content)
    empty = pd.DataFrame(columns=["status", "scientific_name", "taxon_rank", "life_stage", "sex"], dtype=str)
    with pytest.raises(DataError) as refusal:
        manifest.build_taxonomy("table", empty, table=path)
    assert str(refusal.value).startswith(f"{path}: ")
    assert message in str(refusal.value)


def test_a_table_that_is_not_named_is_a_fault_of_the_config(job: Path) -> None:
    job.write_text(JOB.replace('table = "taxa.csv"\n', ""), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"kind = 'table' needs taxonomy\.table"):
        config.load(job)


FRAME = pd.DataFrame({"photo_id": ["a", "b"]})


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "no column photo_id, part; expected photo_id, part; found none."),
        (b"photo_id,share\na,1\n", "no column part; expected photo_id, part; found photo_id, share."),
        (b"photo_id,part\n\xe9,train\n", "cannot be read as a split, split.file"),
        (b"photo_id,part\na,train\nb,test\na,val\n", "line 4: photograph 'a' is in train and in val."),
        (None, "cannot be read as a split, split.file (No such file or directory)."),
    ],
)
def test_a_split_of_ones_own_that_is_none_is_named(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "own.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(DataError) as refusal:
        splits.own(FRAME, path)
    assert str(refusal.value).startswith(f"{path}")
    assert message in str(refusal.value)


def test_a_photograph_that_stands_twice_in_one_part_is_in_that_part(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("photo_id,part\na,train\nb,test\na,train\n", encoding="utf-8")
    assert list(splits.own(FRAME, tmp_path / "own.csv")) == ["train", "test"]
