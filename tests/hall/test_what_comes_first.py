"""A stage that is run too early, or whose files were taken away or damaged, names the command that makes them."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tickvision import cli

Told = Callable[..., str]


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Told:
    """Return a function that runs a command, expects the user's fault, and returns what was said."""

    def run(*words: object, code: int = 1) -> str:
        monkeypatch.setattr(sys, "argv", ["tickvision", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            cli.main()
        assert stop.value.code == code
        said = capsys.readouterr().err
        assert "Traceback" not in said
        return said

    return run


@pytest.fixture
def job(finished: Path, tmp_path: Path) -> Path:
    """Return the config of a copy of the finished job, whose files may be damaged."""
    shutil.copytree(finished.parent, tmp_path / "job")
    return tmp_path / "job" / "job.toml"


@pytest.mark.parametrize(
    ("stage", "first"),
    [
        ("check", "import"), ("split", "import"), ("train", "import"), ("calibrate", "train"), ("evaluate", "train"),
        ("package", "calibrate"),
    ],
)  # fmt: skip
def test_a_stage_run_too_early_names_the_one_to_run_first(told: Told, shapes: Path, stage: str, first: str) -> None:
    assert f"Make it with: tickvision {first} CONFIG" in told(stage, shapes)


@pytest.mark.parametrize(
    ("stage", "gone", "first"),
    [
        ("train", "splits.csv", "tickvision split CONFIG"),
        ("calibrate", "train/scores.npz", "tickvision train CONFIG"),
        ("evaluate", "calibration.json", "tickvision calibrate CONFIG"),
        ("package", "train/model.safetensors", "tickvision train CONFIG"),
    ],
)
def test_a_file_that_was_taken_away_is_named_with_what_makes_it(
    told: Told, job: Path, stage: str, gone: str, first: str
) -> None:
    (job.parent / "run" / gone).unlink()
    said = told(stage, job)
    assert str(job.parent / "run" / gone.split("/")[0]) in said
    assert first in said


@pytest.mark.parametrize(
    ("stage", "file", "content", "message"),
    [
        ("split", "manifest.csv", "name,count\na,1\n", "not a manifest, columns missing"),
        ("train", "splits.csv", "photo_id,part\np0000-1,train\n", "photographs are in no part"),
        ("calibrate", "train/scores.npz", "cut off", "no readable scores"),
        ("evaluate", "calibration.json", "{", "not a calibration file"),
        ("evaluate", "calibration.json", '{"schema": 99}', "calibration schema 99"),
    ],
)
def test_a_file_that_is_no_more_what_it_was_is_refused(
    told: Told, job: Path, stage: str, file: str, content: str, message: str
) -> None:
    (job.parent / "run" / file).write_text(content, encoding="utf-8")
    assert message in told(stage, job)


def test_a_folder_in_the_place_of_a_config_is_said_to_be_one(told: Told, tmp_path: Path) -> None:
    assert f"{tmp_path}: cannot be read: Is a directory" in told("import", tmp_path)


def test_one_run_cannot_be_compared(told: Told, finished: Path) -> None:
    assert "give two runs or more" in told("compare", finished.parent / "run", code=2)
