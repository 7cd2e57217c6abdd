"""A stage whose input changed runs again, whatever kind of input it is; one whose inputs are as before does not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from made import scene

from tickvision import config, runner
from tickvision.data import manifest
from tickvision.errors import DataError
from tickvision.progress import Progress

JOB = 'name = "f"\noutput = "run"\n[data]\nsource = "folder"\npath = "in"\npattern = "{taxon}/{specimen}"\n'


def test_a_photograph_added_to_a_folder_is_imported_and_an_unchanged_folder_is_left(tmp_path: Path) -> None:
    (tmp_path / "in" / "Ixodes_scapularis").mkdir(parents=True)
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    job = config.load(tmp_path / "job.toml", ['data.defaults={license_uri="CC0-1.0"}'])
    first, second = (tmp_path / "in" / "Ixodes_scapularis" / f"s{i}.png" for i in (1, 2))
    made = tmp_path / "run" / "manifest.csv"
    scene().save(first)
    runner.run(job, Progress(quiet=True), ("import",))
    assert list(manifest.read(made)["specimen_id"]) == ["s1"]
    mark = runner._mark("import", job, runner.Paths(job.output))
    assert runner._mark("import", job, runner.Paths(job.output)) == mark
    scene(seed=1).save(second)
    assert runner._mark("import", job, runner.Paths(job.output)) != mark
    runner.run(job, Progress(quiet=True), ("import",))
    assert list(manifest.read(made)["specimen_id"]) == ["s1", "s2"]


def test_a_changed_threshold_asks_for_what_depends_on_it_and_for_nothing_else(finished: Path) -> None:
    job, other = config.load(finished), config.load(finished, ["decide.min_confidence=0.5"])
    paths = runner.Paths(job.output)
    changed = [s for s in runner.STAGES if runner._mark(s, other, paths) != runner._mark(s, job, paths)]
    assert changed == ["calibrate", "evaluate"]  # package reads what calibrate writes


def test_what_is_expected_elsewhere_is_an_input_of_the_calibration(shapes: Path) -> None:
    table = shapes.parent / "expected.csv"
    job = config.load(shapes, [f"decide.expected={table}"])
    marks = []
    for count in (3, 4):
        table.write_text(f"place,month,scientific_name,specimens\n,,Ixodes scapularis,{count}\n", encoding="utf-8")
        marks.append([runner._mark(stage, job, runner.Paths(job.output)) for stage in ("split", "calibrate")])
    assert marks[0][0] == marks[1][0]
    assert marks[0][1] != marks[1][1]


def test_a_photograph_brought_after_the_import_or_replaced_after_the_check_is_looked_at(shapes: Path) -> None:
    job, quiet = config.load(shapes), Progress(quiet=True)
    photograph = shapes.parent / "photographs" / "p0000-0.jpg"
    held = photograph.read_bytes()
    photograph.unlink()
    runner.run(job, quiet, ("import",))
    assert "missing" in set(manifest.read(job.output / "manifest.csv")["status"])
    photograph.write_bytes(b"no picture")
    runner.run(job, quiet, ("import",))
    assert set(manifest.read(job.output / "manifest.csv")["status"]) == {"ok"}
    paths = runner.Paths(job.output)
    stages = ("import", "check", "split", "train")

    def marks() -> list[str]:
        return [runner._mark(stage, job, paths) for stage in stages]

    runner.run(job, quiet, ("check",))
    before = marks()
    os.utime(photograph, (0, 0))  # as a copy of the job may have it: looked at again, and trained no second time
    assert [a != b for a, b in zip(before, marks(), strict=True)] == [False, True, False, False]
    photograph.write_bytes(held)
    runner.run(job, quiet, ("check",))
    assert [a != b for a, b in zip(before, marks(), strict=True)] == [False, True, False, True]


@pytest.mark.parametrize("content", [b"", b"a,b\n", b"\xff\xfe", b'"', b"a\n1,2\n1,2,3\n"])
def test_a_damaged_manifest_is_no_obstacle_to_an_import(shapes: Path, content: bytes) -> None:
    job = config.load(shapes)
    runner.run(job, Progress(quiet=True), ("import",))
    made = job.output / "manifest.csv"
    held = made.read_bytes()
    made.write_bytes(content)
    with pytest.raises(DataError, match=r"manifest"):
        runner.run(job, Progress(quiet=True), ("check",))
    runner.run(job, Progress(quiet=True), ("import",), again=True)
    assert made.read_bytes() == held


def test_other_terms_of_the_promise_make_split_say_anew_which_classes_are_too_small(shapes: Path) -> None:
    marks = [
        runner._mark("split", job, runner.Paths(job.output))
        for job in (config.load(shapes, [f"decide.max_error={e}"]) for e in (0.05, 0.1))
    ]
    assert marks[0] != marks[1]
