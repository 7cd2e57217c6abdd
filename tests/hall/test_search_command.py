"""`train --trials`: what it says can be typed as it stands, and the trained model stays as it was."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

pytest.importorskip("optuna")

from tickvision import config
from tickvision.cli import app


@pytest.mark.slow
def test_a_search_names_the_settings_to_train_with_and_leaves_the_model_alone(finished: Path, tmp_path: Path) -> None:
    shutil.copytree(finished.parent, tmp_path / "job")
    job = tmp_path / "job" / "job.toml"
    trained = {p.name: p.read_bytes() for p in (tmp_path / "job" / "run" / "train").iterdir() if p.is_file()}
    words = ["train", str(job), "--trials", "1", "--set", "train.epochs=1", "--quiet", "--json"]
    first, again = (CliRunner().invoke(app, words) for _ in range(2))
    assert first.exit_code == 0, first.output
    lines = json.loads(first.stdout)["lines"]
    assert lines[0].startswith("1 trials over ")
    assert json.loads(again.stdout)["lines"] == lines  # the one trial is done; nothing is trained again
    settings = lines[-1].removeprefix("Next: tickvision train CONFIG --set ").split(" --set ")
    given, found = config.load(job).train, config.load(job, settings).train
    assert found.batch_size == given.batch_size  # the first trial is the recipe as given
    assert found.weight_decay == pytest.approx(given.weight_decay, rel=1e-3)
    assert [p.name for p in (tmp_path / "job" / "run" / "search").iterdir()] == ["study.db"]
    assert {p.name: p.read_bytes() for p in (tmp_path / "job" / "run" / "train").iterdir() if p.is_file()} == trained


def test_a_search_on_several_machines_is_refused(shapes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WORLD_SIZE", "2")
    done = CliRunner().invoke(app, ["train", str(shapes), "--trials", "3"])
    assert "--trials runs in one process; start it without torchrun." in str(done.exception)
