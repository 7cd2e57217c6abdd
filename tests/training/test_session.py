from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import torch

from tickvision import config, runner
from tickvision.errors import OutputError, TrainingError
from tickvision.progress import Progress
from tickvision.stages import training
from tickvision.training import checkpoint, loop
from tickvision.workplace import Paths

BEFORE = ("import", "check", "split")
QUIET = Progress(quiet=True)


def history(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "history.csv").drop(columns="photos_per_s")


def scores(folder: Path) -> dict[str, np.ndarray]:
    with np.load(folder / "scores.npz", allow_pickle=False) as held:
        return {k: held[k] for k in held.files}


@pytest.mark.slow
def test_workers_do_not_change_a_digit(shapes: Path) -> None:
    runs = []
    for workers in (0, 1, 4):
        job = config.load(shapes, [f"train.workers={workers}", "train.epochs=1", "picture.size_px=48"])
        runner.run(job, QUIET, (*BEFORE, "train"))  # trained anew, as [train] has changed
        runs.append((history(job.output / "train"), scores(job.output / "train")))
    for other in runs[1:]:
        pd.testing.assert_frame_equal(runs[0][0], other[0], check_exact=True)
        for name, values in runs[0][1].items():
            np.testing.assert_array_equal(values, other[1][name], err_msg=name)


KILLED = """
import os, pathlib, signal, sys
from tickvision import config, runner
from tickvision.progress import Progress
from tickvision.stages import training
from tickvision.training import loop
epochs, steps = int(sys.argv[2]), int(sys.argv[3])
real = loop.optimizing.set_rates
def kill(optimizer, recipe, step, per_epoch):
    if step == epochs * per_epoch + steps:
        os.kill(os.getpid(), signal.SIGKILL)
    real(optimizer, recipe, step, per_epoch)
loop.optimizing.set_rates = kill
job = config.load(pathlib.Path(sys.argv[1]), [*sys.argv[5:], f"output={sys.argv[4]}"])
runner.run(job, Progress(True), ("train",))
"""


@pytest.mark.slow
def test_a_training_killed_in_the_second_epoch_goes_on_there_and_ends_as_an_unbroken_one(
    shapes: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, broken = shapes.parent / "whole", shapes.parent / "broken"
    settings = ["train.epochs=2", "train.batch_size=16", "picture.size_px=48"]
    runner.run(config.load(shapes, [*settings, f"output={whole}"]), QUIET, BEFORE)
    shutil.copytree(whole, broken)
    runner.run(config.load(shapes, [*settings, f"output={whole}"]), QUIET, ("train",))
    call = [sys.executable, "-c", KILLED, str(shapes), "1", "1", str(broken), *settings]
    killed = subprocess.run(call, capture_output=True)
    assert killed.returncode == -9, killed.stderr.decode()
    assert (broken / "train" / "checkpoint.safetensors").is_file()
    steps, real = [], loop.optimizing.set_rates
    monkeypatch.setattr(loop.optimizing, "set_rates", lambda o, r, step, n: steps.append(step) or real(o, r, step, n))
    runner.run(config.load(shapes, [*settings, f"output={broken}"]), QUIET, ("train",))
    assert steps == list(range(len(steps), 2 * len(steps))) != []  # of the second epoch alone
    pd.testing.assert_frame_equal(history(whole / "train"), history(broken / "train"), check_exact=True)
    for name, values in scores(whole / "train").items():
        np.testing.assert_array_equal(values, scores(broken / "train")[name], err_msg=name)


def test_fine_tuning_never_ends_below_the_fitted_heads_on_val(finished: Path) -> None:
    summary = json.loads((finished.parent / "run/train/summary.json").read_text(encoding="utf-8"))
    assert summary["val_macro_recall"] >= summary["val_macro_recall_fitted_heads"]
    rows = pd.read_csv(finished.parent / "run/train/history.csv")
    best = rows[rows["is_best"]].iloc[-1]
    assert best["val_macro_recall"] == rows["val_macro_recall"].max() == summary["val_macro_recall"]


def test_a_checkpoint_of_other_settings_is_not_resumed_silently(finished: Path, tmp_path: Path) -> None:
    shutil.copytree(finished.parent / "run", tmp_path / "run")
    job = config.load(finished, [f"output={tmp_path / 'run'}", "train.epochs=1"])
    saved = job.output / "train" / "checkpoint.safetensors"
    checkpoint.save(saved, {"live.x": torch.zeros(1)}, {"recipe": {"epochs": 9}, "history": []})
    with pytest.raises(TrainingError, match="other \\[train\\] settings"):
        training.train(job, Paths(job.output), QUIET)


@pytest.mark.slow
def test_all_choices_train_together_and_an_attribute_head_learns(shapes: Path) -> None:
    settings = [
        "train.epochs=1", "train.batch_size=8", "train.augment_with=torch", "train.mix=mixup", "seed=3",
        "train.label_smoothing=0.05", "train.layer_decay=0.7", "train.unfreeze_epochs=0.1",
        "train.long_tail=square_root_sampling", 'train.attributes=["life_stage"]', "train.small_first=1.0",
        "picture.size_px=48",
    ]  # fmt: skip
    job = config.load(shapes, settings)
    lines = runner.run(job, QUIET, (*BEFORE, "train"))
    held = scores(job.output / "train")
    known = held["attribute_life_stage_target"] >= 0
    right = held["attribute_life_stage_logits"].argmax(1) == held["attribute_life_stage_target"]
    assert right[known].mean() > 0.7  # two classes; the larger has two thirds
    assert held["attribute_life_stage_classes"].tolist() == ["adult", "nymph"]
    assert any("no part of any promise" in line for line in lines)
    assert np.isfinite(history(job.output / "train")["train_loss"].iloc[1])
    assert (job.output / "train" / "curves.png").read_bytes().startswith(b"\x89PNG")
    summary = json.loads((job.output / "train" / "summary.json").read_text(encoding="utf-8"))
    assert sum(summary["training_specimens"]["taxa"].values()) > 0


@pytest.mark.parametrize(("tested", "told"), [(0, "no test photograph is labelled"), (3, "too few for an interval")])
def test_an_attribute_with_few_or_no_labels_in_test_is_said_to_be_so(tmp_path: Path, tested: int, told: str) -> None:
    paths = Paths(tmp_path)
    paths.train.mkdir()
    target = np.where(np.arange(8) < tested, np.arange(8) % 2, -1)
    np.savez(
        paths.scores, part=np.full(8, "test"), specimen_id=np.arange(8).astype(str), attribute_feeding_target=target,
        attribute_feeding_logits=np.eye(2)[np.arange(8) % 2], attribute_feeding_classes=np.array(["flat", "fully"]),
    )  # fmt: skip
    (line,) = training._attribute_lines(paths, ("feeding",))
    assert told in line
    held = json.loads((paths.train / "attributes.json").read_text("utf-8"), parse_constant=pytest.fail)["feeding"]
    assert held["interval"] == [None, None]
    assert held["macro_recall"] == (1.0 if tested else None)


def test_a_damaged_checkpoint_says_so(tmp_path: Path) -> None:
    (tmp_path / "c.safetensors").write_bytes(b"nonsense")
    with pytest.raises(TrainingError, match="not a readable checkpoint"):
        checkpoint.load(tmp_path / "c.safetensors")


def test_a_full_disk_keeps_the_last_good_checkpoint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "c.safetensors"
    checkpoint.save(path, {"x": torch.arange(3.0)}, {"epoch": 1})

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(checkpoint, "save_file", full)
    with pytest.raises(OutputError, match="No space left"):
        checkpoint.save(path, {"x": torch.zeros(3)}, {"epoch": 2})
    tensors, values = checkpoint.load(path)
    assert values == {"epoch": 1}
    assert tensors["x"].tolist() == [0, 1, 2]
    assert list(tmp_path.iterdir()) == [path]
