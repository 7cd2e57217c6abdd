"""import, check and split as a person runs them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import COLOURS, scene
from PIL import Image
from typer.testing import CliRunner

from tickvision import config, runner
from tickvision.cli import app
from tickvision.data import ingest, manifest, splits
from tickvision.errors import ConfigError, DataError
from tickvision.progress import Progress
from tickvision.stages import checking
from tickvision.workplace import Paths


def say(*words: object) -> list[str]:
    result = CliRunner().invoke(app, [str(w) for w in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout.splitlines()


def test_a_label_that_is_none_of_the_taxonomy_is_left_out_with_a_word(shapes: Path) -> None:
    lines = say("import", shapes, "--quiet", "--set", 'taxonomy.taxa=["Ixodes scapularis", "Amblyomma americanum"]')
    assert "90 photographs of 60 specimens" in lines[0]
    assert "; 60 can be used." in lines[0]
    assert lines[1] == "  30 left out: not_in_taxonomy"
    found = ingest.read_findings(shapes.parent / "run" / "import_findings.csv")
    assert len([f for f in found if f.finding == "not_in_taxonomy"]) == 30
    frame = manifest.read(shapes.parent / "run" / "manifest.csv")
    assert {f.message for f in found} == set(frame.loc[frame["status"] == "not_in_taxonomy", "reason"])
    assert all("Dermacentor" in f.message and "is not in the taxonomy" in f.message for f in found)


def test_the_data_commands_walk_from_a_table_to_a_split(shapes: Path) -> None:
    output = shapes.parent / "run"
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (57.0, 30.0, 0.0), 3: "E", 4: (18.0, 0.0, 0.0)}
    placed = shapes.parent / "photographs" / "p0000-0.jpg"
    scene((96, 96)).save(placed, exif=exif.tobytes())
    before = placed.read_bytes()
    assert "90 photographs of 60 specimens" in say("import", shapes, "--quiet")[0]
    lines = say("check", shapes, "--quiet", "--remove-gps", "--regions", "*p000*")
    assert any("1 of 1 photographs with coordinates" in line for line in lines)
    assert any("15 of 15 photographs stand on" in line for line in lines)
    copy = output / "without_place" / "p0000-0.jpg"
    assert (copy.stat().st_size, placed.read_bytes()) == (len(before), before)
    assert "gps" in {f.finding for f in ingest.read_findings(output / "findings.csv")}
    probes = json.loads((output / "audit.json").read_text("utf-8"))["shortcut_probe"]
    assert all("accuracy" in p["by"]["picture"] for p in probes.values())  # frozen features, before any training
    told = say("split", shapes, "--quiet", "--set", "split.folds=5", "--set", "split.fold=2")
    assert any("a random split would flatter by" in line for line in told)
    table = pd.read_csv(output / "splits.csv")
    assert ((table["part"] == "test") == (table["fold"] == 2)).all()
    assert any("test is fold 2 of 5" in line for line in told)
    assert any("too small to certify" in line for line in told)
    small = json.loads((output / "audit.json").read_text("utf-8"))["too_small_to_certify"]
    cells = [f"{name} {state}" for name in COLOURS for state in ("adult female", "adult male", "nymph")]
    assert sorted(c["class"] for c in small) == sorted(cells)  # "Ixodes sp." is the one Ixodes that is listed
    with pytest.raises(DataError, match="takes every group"):
        runner.run(
            config.load(shapes, ['split.hold_out={device=["phone"]}']), Progress(quiet=True), ("split",), again=True
        )


def test_a_split_that_leaks_is_refused_and_the_old_one_stays(shapes: Path) -> None:
    job = config.load(shapes)
    runner.run(job, Progress(quiet=True), ("import", "split"))
    before = (job.output / "splits.csv").read_bytes()
    frame = manifest.usable(manifest.read(job.output / "manifest.csv"))
    parts = np.random.default_rng(0).choice(splits.PARTS, len(frame))
    frame.assign(part=parts)[["photo_id", "part"]].to_csv(shapes.parent / "own.csv", index=False)
    with pytest.raises(DataError, match=r"The split leaks: .* Nothing was written"):
        runner.run(config.load(shapes, [f"split.file={shapes.parent / 'own.csv'}"]), Progress(quiet=True), ("split",))
    assert (job.output / "splits.csv").read_bytes() == before


def test_duplicates_found_after_the_split_stop_a_training_that_they_would_fool(shapes: Path) -> None:
    job = config.load(shapes)
    told = runner.run(job, Progress(quiet=True), ("import", "split"))
    assert any("no check has looked for duplicates" in line for line in told)
    part_of = splits.read(job.output / "splits.csv")
    one, two = (next(p for p, part in part_of.items() if part == wanted) for wanted in ("train", "test"))
    (job.output / "duplicates.csv").write_text(f"photo_a,photo_b\n{one},{two}\n", "utf-8")
    with pytest.raises(DataError, match=r"The split leaks: 1 of .* deal again with tickvision split"):
        runner.run(job, Progress(quiet=True), ("train",))
    runner.run(job, Progress(quiet=True), ("split",))
    part_of = splits.read(job.output / "splits.csv")
    assert part_of[one] == part_of[two]


def test_boxes_reach_the_manifest_and_a_changed_file_of_boxes_is_read_again(shapes: Path) -> None:
    boxes = shapes.parent / "regions.csv"
    boxes.write_text("photo_id,tick,region\nphotographs/p0000-0.jpg,1,0.2 0.2 0.5 0.5\n", "utf-8")
    job = config.load(shapes, [f"data.regions={boxes}"])
    for text in ("0.2 0.2 0.5 0.5", "0.1 0.1 0.5 0.5"):
        boxes.write_text(f"photo_id,tick,region\nphotographs/p0000-0.jpg,1,{text}\n", "utf-8")
        runner.run(job, Progress(quiet=True), ("import",))
        frame = manifest.read(job.output / "manifest.csv").set_index("photo_id")
        assert frame.loc["photographs/p0000-0.jpg", "region"] == text


def test_training_adds_doubted_labels_and_the_optimism_of_a_random_split(finished: Path) -> None:
    job = config.load(finished)
    told = json.loads((job.output / "audit.json").read_text("utf-8"))
    assert set(told["split_optimism"]) == {"n", "random", "grouped", "optimism"}
    assert told["split_optimism"]["optimism"] == pytest.approx(
        told["split_optimism"]["random"] - told["split_optimism"]["grouped"]
    )
    for probe in told["shortcut_probe"].values():
        assert set(probe["by"]) == {"rim", "size", "source", "picture"}
        assert probe["by"]["picture"]["accuracy"] > probe["majority"]
    made = [(job.output / name).stat().st_mtime_ns for name in ("features.npz", "splits.csv", "train/scores.npz")]
    assert made == sorted(made)  # features are made once, by check; train finds them
    stages = json.loads((job.output / "stages.json").read_text("utf-8"))
    assert runner._mark("check", job, Paths(job.output)) == stages["check"]  # what training adds asks for no new check


def test_doubted_labels_replace_those_of_an_earlier_training(finished: Path, tmp_path: Path) -> None:
    import shutil

    shutil.copytree(finished.parent, tmp_path / "job")
    job = config.load(tmp_path / "job" / finished.name)
    paths = Paths(job.output)
    old = ingest.read_findings(paths.findings)
    frame = manifest.read(paths.manifest)
    row = frame.index[(frame["taxon_rank"] == "species") & (frame["status"] == "ok")][4]
    specimen = frame["specimen_id"] == frame.loc[row, "specimen_id"]
    wrong = "Ixodes scapularis" if frame.loc[row, "scientific_name"] != "Ixodes scapularis" else "Amblyomma americanum"
    frame.loc[specimen, "scientific_name"] = wrong
    manifest.write(frame, paths.manifest)
    paths.scores.unlink()  # features that have not seen the labels
    checking.after_training(job, paths, Progress(quiet=True))
    new = ingest.read_findings(paths.findings)
    doubted = [f for f in new if f.finding == "likely_wrong_label"]
    assert frame.loc[row, "specimen_id"] in doubted[0].message
    assert [f for f in new if f.finding != "likely_wrong_label"] == [
        f for f in old if f.finding != "likely_wrong_label"
    ]


@pytest.mark.parametrize(
    ("settings", "message"),
    [(["split.folds=5", 'split.hold_out={device=["phone"]}'], "hold_out and folds exclude each other"),
     (["split.folds=3", "split.fold=4"], "fold from 1 to folds"), (["split.folds=1"], "at least 2 folds"),
     (['split.hold_out={device=["a"], place=["b"]}'], "hold out by one")],
)  # fmt: skip
def test_ways_to_split_that_exclude_each_other_are_refused(shapes: Path, settings: list[str], message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        config.load(shapes, settings)


def test_the_package_carries_both_credit_files(finished: Path) -> None:
    folder = config.load(finished).output
    for name in ("credits.csv", "CREDITS.md"):
        assert (folder / "package" / name).read_text("utf-8") == (folder / name).read_text("utf-8")
    index = json.loads((folder / "package" / "package.json").read_text("utf-8"))
    assert {"credits.csv", "CREDITS.md"} <= set(index["files"])
