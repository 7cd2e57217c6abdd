from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import scene

from tickvision.deployment import load
from tickvision.deployment.package import INDEX, read, write
from tickvision.deployment.sources import find_photographs
from tickvision.deployment.specimens import Specimen, group, read_list
from tickvision.domain import cautions
from tickvision.errors import DataError, PackageError
from tickvision.evaluation import policy as policies
from tickvision.evaluation import specimens


@pytest.fixture
def copied(package: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(package, tmp_path / "package"))


@pytest.mark.parametrize("by_hand", [False, True])
def test_predict_says_what_the_training_side_says_of_every_test_specimen(
    finished: Path, package: Path, tmp_path: Path, by_hand: bool
) -> None:
    """24 calibration specimens promise nothing, so names are given by a least confidence, one that is far from any."""
    run, held = finished.parent / "run", read(package)
    policy = policies.load(run / "calibration.json")
    test = specimens.load(run / "train/scores.npz", "test")
    expected = policy.decide(test.taxon, test.state, held.taxonomy, test.quality)
    assert {choice.rung for choice in expected} == {None}
    if by_hand:
        confidence = np.sort([choice.confidence for choice in expected])[4:-4]
        widest = int(np.diff(confidence).argmax())
        policy = replace(policy, min_confidence=float(confidence[widest : widest + 2].mean()))
        expected = policy.decide(test.taxon, test.state, held.taxonomy, test.quality)
        assert {choice.rung is None for choice in expected} == {True, False}
        package = write(replace(held, folder=tmp_path / "p", policy=policy), package / "model.onnx", "", {}, {}).folder
    predictor = load(package)
    manifest = pd.read_csv(run / "manifest.csv", dtype=str, keep_default_na=False)
    asked = [Specimen(i, tuple(Path(p) for p in manifest.loc[manifest["specimen_id"] == i, "path"])) for i in test.ids]
    got = predictor.predict(asked)
    assert [d.specimen_id for d in got] == list(test.ids)
    for decision, choice in zip(got, expected, strict=True):
        assert decision.confidence == pytest.approx(choice.confidence, abs=1e-3)
        if choice.rung is None:
            assert (decision.state, decision.scientific_name) == ("referred", "")
        else:
            said = choice.answer.scientific_name, choice.answer.life_stage, choice.answer.sex
            assert (decision.scientific_name, decision.life_stage, decision.sex) == said


def test_logits_of_both_sides_differ_by_less_than_a_thousandth(finished: Path, package: Path) -> None:
    index = json.loads((package / INDEX).read_text(encoding="utf-8"))
    assert index["parity"]["largest_difference"] < 1e-3
    assert index["parity"]["same_top"] == 1.0
    assert index["parity"]["photographs"] == 32


def test_training_photographs_are_flagged_and_others_are_not(finished: Path, package: Path, tmp_path: Path) -> None:
    run = finished.parent / "run"
    split = pd.read_csv(run / "splits.csv", dtype=str)
    manifest = pd.read_csv(run / "manifest.csv", dtype=str).set_index("photo_id")
    taught, fresh = (
        manifest.loc[split.loc[split["part"] == part, "photo_id"].iloc[0], "path"] for part in ("train", "test")
    )
    decisions = load(package).predict([taught, fresh])
    assert [d.photographs[0].in_training for d in decisions] == [True, False]


def test_one_bad_file_is_a_row_with_a_reason_and_the_rest_is_named(package: Path, awkward: dict[str, Path]) -> None:
    names = list(awkward)
    decisions = load(package).predict([awkward[n] for n in names])
    assert [d.specimen_id for d in decisions] == [str(awkward[n]) for n in names]
    unreadable = {n for n, d in zip(names, decisions, strict=True) if d.photographs[0].status != "ok"}
    assert unreadable == {"truncated.jpg", "empty.jpg", "text.jpg", "huge_header.png"}
    for name, decision in zip(names, decisions, strict=True):
        if name in unreadable:
            assert decision.state == "unusable"
            assert decision.refer_to == "the identifier, room 2"
            assert decision.photographs[0].reason


def test_a_specimen_with_one_bad_photo_is_decided_on_the_good_one(package: Path, awkward: dict[str, Path]) -> None:
    predictor = load(package)
    alone, both = predictor.predict([
        Specimen("a", (awkward["grey.png"],)), Specimen("b", (awkward["empty.jpg"], awkward["grey.png"]))])  # fmt: skip
    assert both.confidence == alone.confidence
    assert [p.status for p in both.photographs] == ["empty", "ok"]


def test_a_referred_case_says_why_whom_to_ask_and_what_it_could_be(package: Path, tmp_path: Path) -> None:
    scene((96, 96)).save(tmp_path / "noise.jpg")
    decision = load(package).predict([tmp_path / "noise.jpg"])[0]
    assert decision.state == "referred"
    assert decision.reason
    assert decision.refer_to == "the identifier, room 2"
    assert decision.shortlist
    assert cautions.SHORT in decision.caution
    assert cautions.DRAWN in decision.caution


def test_the_package_keeps_its_hashes_and_says_which_file_was_changed(copied: Path) -> None:
    with (copied / "model.onnx").open("r+b") as handle:
        handle.seek(2000)
        handle.write(b"x")
    with pytest.raises(PackageError, match=r"model\.onnx: sha256"):
        read(copied)


def spoil(change: Callable[[dict[str, object]], None]) -> Callable[[Path], None]:
    def apply(folder: Path) -> None:
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        change(index)
        (folder / INDEX).write_text(json.dumps(index), encoding="utf-8")

    return apply


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda f: (f / INDEX).unlink(), "no package.json"),
        (lambda f: (f / INDEX).write_text("{", encoding="utf-8"), "not readable"),
        (lambda f: (f / INDEX).write_text("[]", encoding="utf-8"), "not a package index"),
        (lambda f: (f / "card.md").unlink(), "card.md is missing"),
        (spoil(lambda i: i.update(schema=99, made_by="tickvision 9.0")), "schema 99.*tickvision 9.0"),
        (spoil(lambda i: i["files"].update({"../../etc/passwd": "0"})), "outside the package"),  # type: ignore[attr-defined]
        (spoil(lambda i: i.pop("taxonomy")), "a part is missing"),
        (spoil(lambda i: i["policy"].pop("rungs")), "a part is missing"),  # type: ignore[attr-defined]
        (spoil(lambda i: i["taxonomy"]["taxa"].reverse()), "labels, preparation or policy are not those"),  # type: ignore[index]
        (spoil(lambda i: i["policy"].update(min_confidence=0.1)), "labels, preparation or policy are not those"),  # type: ignore[attr-defined]
    ],
)
def test_a_damaged_package_is_refused_with_what_is_wrong(
    copied: Path, damage: Callable[[Path], None], message: str
) -> None:
    damage(copied)
    with pytest.raises(PackageError, match=message):
        load(copied)


def test_files_folders_and_patterns_are_found_once_each_in_order(tmp_path: Path) -> None:
    for name in ("b.jpg", "a.png", "deep/c.jpeg", "notes.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "deep" / "loop").symlink_to(tmp_path, target_is_directory=True)
    found = find_photographs([str(tmp_path), str(tmp_path / "*.jpg"), str(tmp_path / "gone.jpg")])
    assert [Path(p).name for p in found] == ["a.png", "b.jpg", "c.jpeg", "gone.jpg"]
    with pytest.raises(DataError, match="no pictures in this folder"):
        (tmp_path / "none").mkdir()
        find_photographs([str(tmp_path / "none")])
    with pytest.raises(DataError, match="no file fits"):
        find_photographs([str(tmp_path / "*.bmp")])


def test_photographs_are_grouped_by_folder_or_by_a_list(tmp_path: Path) -> None:
    paths = [tmp_path / "s1" / "a.jpg", tmp_path / "s1" / "b.jpg", tmp_path / "s2" / "c.jpg"]
    assert [len(s.paths) for s in group(paths, "folder")] == [2, 1]
    assert [len(s.paths) for s in group(paths, "photo")] == [1, 1, 1]
    (tmp_path / "list.csv").write_text("file,specimen_id\ns1/a.jpg,t1\ns2/c.jpg,t1\n", encoding="utf-8")
    assert [(s.specimen_id, len(s.paths)) for s in read_list(tmp_path / "list.csv")] == [("t1", 2)]
    (tmp_path / "bad.csv").write_text("photo\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"no column file, specimen_id; expected .*; found photo"):
        read_list(tmp_path / "bad.csv")


def test_the_engine_gives_one_photo_the_same_logits_alone_and_in_a_batch(package: Path) -> None:
    predictor = load(package)
    size = predictor.package.prepare.size_px
    squares = np.random.default_rng(0).integers(0, 255, (5, size, size, 3), np.uint8)
    together = predictor.engine.logits(squares)
    for i in range(5):
        alone = predictor.engine.logits(squares[i : i + 1])
        for a, b in zip(alone, together, strict=True):
            np.testing.assert_allclose(a[0], b[i], atol=1e-4)
