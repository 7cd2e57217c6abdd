from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from made import scene
from test_outputs import decision

from tickvision.deployment import gallery
from tickvision.deployment.decision import Photograph
from tickvision.deployment.explain import Explanation, Folder, file_name
from tickvision.deployment.neighbours import COLUMNS, Neighbour, Neighbours, pack
from tickvision.domain import cautions


def held(count: int = 40, width: int = 12) -> tuple[Neighbours, np.ndarray]:
    embedding = np.random.default_rng(3).normal(size=(count, width)).astype(np.float32)
    columns = {name: [f"{name} {i}" for i in range(count)] for name in COLUMNS}
    return Neighbours(pack(embedding, [b"jpeg %d" % i for i in range(count)], columns)), embedding


def test_the_nearest_are_those_that_scikit_learn_finds() -> None:
    from sklearn.neighbors import NearestNeighbors

    neighbours, embedding = held()
    asked = np.random.default_rng(4).normal(size=(5, 12)).astype(np.float32)
    distance, place = NearestNeighbors(n_neighbors=3, metric="cosine").fit(embedding).kneighbors(asked)
    for one, apart, rows in zip(asked, distance, place, strict=True):
        found = neighbours.nearest(one)
        assert [n.photo_id for n in found] == [f"photo_id {i}" for i in rows]
        assert [n.jpeg for n in found] == [b"jpeg %d" % i for i in rows]
        assert [n.similarity for n in found] == pytest.approx(1 - apart, abs=2e-3)  # kept in half precision


ONE = Neighbour("P1", "Ixodes scapularis", "adult", "female", "A. <Maker>", "CC-BY-4.0", 0.91, b"small")


def test_the_gallery_credits_each_training_photograph(tmp_path: Path) -> None:
    scene((200, 200)).save(tmp_path / "a.jpg")
    shown = decision(photographs=(Photograph(str(tmp_path / "a.jpg"), "ok"),))
    out = io.StringIO()
    gallery.write_html([shown], out, lambda _: Explanation(b"map", (ONE, ONE)))
    text = out.getvalue()
    assert text.count("data:image/jpeg") == 4
    assert (
        text.count("Photograph: A. &lt;Maker&gt;, CC-BY-4.0, made smaller") == 4
    )  # beside the picture and as its text
    assert "likeness 0.91" in text
    assert cautions.SHORT in text


def test_the_folder_of_explanations_says_who_made_what(tmp_path: Path) -> None:
    kept = Folder(tmp_path / "why")
    for number in range(2):
        kept.keep(decision(specimen_id=f"day/t{number}.jpg"), Explanation(b"map", (ONE,)))
    rows = list(csv.DictReader((tmp_path / "why/nearest.csv").read_text(encoding="utf-8").splitlines()))
    assert [(r["specimen_id"], r["credit"], r["licence"]) for r in rows] == [
        ("day/t0.jpg", "A. <Maker>", "CC-BY-4.0"), ("day/t1.jpg", "A. <Maker>", "CC-BY-4.0")]  # fmt: skip
    assert all((tmp_path / "why" / r["picture"]).read_bytes() == b"small" for r in rows)
    assert (tmp_path / "why/000002-t1.jpg").read_bytes() == b"map"


@pytest.mark.parametrize("name", ["../../etc/passwd", "a\nb", "", "..", "ä/♀", "x" * 500])
def test_a_specimen_gives_a_plain_file_name(name: str) -> None:
    made = file_name(decision(specimen_id=name), 7)
    assert made.startswith("000007-")
    assert len(made) < 80
    assert set(made) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")


def test_what_is_explained_later_goes_beside_what_was_explained_before(tmp_path: Path) -> None:
    near = Neighbour("p1", "Ixodes cookei", "nymph", "", "A. Maker", "CC-BY-4.0", 0.9, b"near")
    for number in (1, 2):  # as predict --explain does that is gone on with
        Folder(tmp_path, go_on=number > 1).keep(decision(specimen_id=f"s{number}"), Explanation(b"x", (near,)))
    assert {p.name for p in tmp_path.glob("*-s?.jpg")} == {"000001-s1.jpg", "000002-s2.jpg"}
    lines = (tmp_path / "nearest.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[0] for line in lines] == ["specimen_id", "s1", "s2"]
