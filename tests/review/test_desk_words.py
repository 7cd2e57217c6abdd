"""What a desk says of the predictions it was given, and of a place that it cannot write to."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from desk_days import decision, named, read, sign_in, write_lines
from starlette.testclient import TestClient
from typer.testing import CliRunner, Result

from tickvision.cli import app
from tickvision.domain import cautions
from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.errors import DataError
from tickvision.review import picking, web


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(w) for w in words])


def test_predictions_of_a_model_of_drawn_specimens_mark_every_page(tmp_path: Path, folder: Path) -> None:
    caution = f"{cautions.DRAWN} {cautions.SHORT}"
    lines = write_lines(tmp_path / "p.jsonl", [decision("a", caution=caution), named("b")])
    desk = tmp_path / "d"
    assert run("review", "import", lines, "--desk", desk, "--photographs", folder, "--quiet").exit_code == 0
    client = TestClient(web.build(web.Desk(desk)), base_url="http://127.0.0.1", follow_redirects=False)
    sign_in(client)
    for page in ("/", "/case?id=a", "/season"):
        assert cautions.DRAWN in client.get(page).text
    more = write_lines(tmp_path / "q.jsonl", [decision("c")])  # later ones of another model do not take it away
    assert run("review", "import", more, "--desk", desk, "--photographs", folder, "--quiet").exit_code == 0
    assert cautions.DRAWN in client.get("/").text


def test_a_file_without_predictions_makes_no_desk(tmp_path: Path, folder: Path) -> None:
    (tmp_path / "p.jsonl").write_text("", encoding="utf-8")
    done = run("review", "import", tmp_path / "p.jsonl", "--desk", tmp_path / "d", "--photographs", folder)
    assert isinstance(done.exception, DataError)
    assert str(done.exception) == f"{tmp_path / 'p.jsonl'}: no predictions."
    assert not (tmp_path / "d").exists()


def test_labels_that_cannot_be_written_are_one_message(desk: sqlite3.Connection, tmp_path: Path) -> None:
    read(desk, "a", "Ann")
    read(desk, "a", "Ben")
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = run("review", "export", "--desk", tmp_path / "desk", "--labels", tmp_path / "file" / "labels.csv")
    assert "cannot be written (Not a directory)." in str(done.exception)


def test_no_picks_are_refused_and_all_are_taken_where_one_taxon_fills_the_set() -> None:
    taxonomy = flat_taxonomy([("a", "", ""), ("b", "", "")])
    probs = np.array([[0.9, 0.1]] * 5 + [[0.2, 0.8]])
    embedding = np.random.default_rng(0).normal(size=(6, 3))
    with pytest.raises(DataError, match="0 specimens cannot be picked; give 1 or more"):
        picking.pick(probs, embedding, taxonomy, 0)
    picks = picking.pick(probs, embedding, taxonomy, 6)
    assert sorted(p.row for p in picks) == list(range(6))
    assert 5 in [p.row for p in picks[:4]]  # b's even share comes before a fills the rest
