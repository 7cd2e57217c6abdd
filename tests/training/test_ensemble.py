"""Networks that answer as one: their logits are the mean, from training to a package that predicts."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import torch

from tickvision import config, runner
from tickvision.deployment import load
from tickvision.errors import TrainingError
from tickvision.progress import Progress
from tickvision.training import ensemble
from tickvision.training.loop import EpochRow
from tickvision.training.network import Network, make_backbone, stage_of

QUIET = Progress(quiet=True)


def small(seed: int) -> Network:
    torch.manual_seed(seed)
    return Network(make_backbone("torchvision/resnet18", "none")[0], 3, 4, [2]).eval()


def test_the_logits_of_members_together_are_the_mean_of_theirs() -> None:
    members = [small(k) for k in range(3)]
    pictures = torch.randn(2, 3, 64, 64)
    with torch.inference_mode():
        each = [m(pictures) for m in members]
        joined = ensemble.together(members)
        said = joined(pictures)
        maps = joined.backbone.forward_features(pictures)
        torch.testing.assert_close(said.taxon, torch.stack([e.taxon for e in each]).mean(0))
        torch.testing.assert_close(said.state, torch.stack([e.state for e in each]).mean(0))
        torch.testing.assert_close(said.attributes[0], torch.stack([e.attributes[0] for e in each]).mean(0))
        torch.testing.assert_close(joined.backbone.forward_head(maps, pre_logits=True), said.embedding)
        torch.testing.assert_close(maps.mean((2, 3)), said.embedding)  # so maps of where it looked hold, too


def test_an_ensemble_below_the_fitted_heads_is_not_kept() -> None:
    heads = EpochRow(0, float("nan"), 0.8, 0.5, 0.0, True)
    histories = [[heads, EpochRow(1, 1.0, 0.6, 0.7, 30.0, True)], [heads, EpochRow(1, 3.0, 0.8, 0.9, 10.0, False)]]
    kept, dropped = (ensemble.one_history(histories, heads, (recall, 0.4)) for recall in (0.81, 0.79))
    assert [r.is_best for r in kept] == [True, False, True]
    assert [r.is_best for r in dropped] == [True, False, False]
    assert (kept[1].train_loss, kept[1].val_macro_recall, kept[1].photos_per_s) == (2.0, pytest.approx(0.7), 20.0)


@pytest.mark.slow
def test_an_ensemble_walks_from_training_to_a_package_and_goes_on_where_it_was_stopped(
    shapes: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = ensemble.one_history  # so small a set is not learnt in an epoch: let the fitted heads count for nothing
    monkeypatch.setattr(
        ensemble, "one_history", lambda h, heads, joined: real(h, replace(heads, val_macro_recall=0.0), joined)
    )
    small = ["train.epochs=1", "train.folds=2", "train.batch_size=16", "picture.size_px=48"]
    job = config.load(shapes, [*small, "train.backbone=torchvision/resnet18", "train.weights=none"])
    runner.run(job, QUIET, ("import", "check", "split", "train", "calibrate", "package"))
    train, package = job.output / "train", job.output / "package"
    summary = json.loads((train / "summary.json").read_text(encoding="utf-8"))
    assert len(summary["members"]) == 2
    with np.load(train / "scores.npz") as held:
        first = {k: held[k] for k in ("taxon_logits", "embedding", "photo_id", "sha256")}
    assert first["embedding"].shape[1] == 2 * 512
    photographs = sorted((shapes.parent / "photographs").glob("*.jpg"))[:2]
    assert all(d.state for d in load(package).predict(photographs))
    rows = pd.read_csv(train / "history.csv").drop(columns="photos_per_s")
    first_saved = (train / "member_1/checkpoint.safetensors").stat().st_mtime_ns
    shutil.rmtree(train / "member_2")  # as if stopped before the second member began
    (train / "scores.npz").unlink()
    runner.run(job, QUIET, ("train",))
    assert (train / "member_1/checkpoint.safetensors").stat().st_mtime_ns == first_saved  # not trained again
    pd.testing.assert_frame_equal(rows, pd.read_csv(train / "history.csv").drop(columns="photos_per_s"))
    with np.load(train / "scores.npz") as held:
        np.testing.assert_array_equal(held["taxon_logits"], first["taxon_logits"])


def test_what_other_inputs_left_in_a_member_s_folder_is_dropped(tmp_path: Path) -> None:
    (tmp_path / "inputs.txt").write_text("a", encoding="utf-8")
    own = ensemble.folder_of(tmp_path, 1)
    (own / "checkpoint.safetensors").write_bytes(b"x")
    assert (ensemble.folder_of(tmp_path, 1) / "checkpoint.safetensors").is_file()
    (tmp_path / "inputs.txt").write_text("b", encoding="utf-8")
    assert not (ensemble.folder_of(tmp_path, 1) / "checkpoint.safetensors").exists()


@pytest.mark.parametrize("name", ["resnet18", "mobilenet_v3_small", "efficientnet_b0", "regnet_y_400mf"])
def test_torchvision_s_networks_by_name_give_what_torchvision_gives(name: str) -> None:
    import torchvision

    torch.manual_seed(0)
    whole = torchvision.models.get_model(name, weights=None).eval()
    torch.manual_seed(0)
    backbone = make_backbone(f"torchvision/{name}", "none")[0].eval()
    head = whole.fc if hasattr(whole, "fc") else whole.classifier
    pictures = torch.randn(2, 3, 64, 64)
    with torch.inference_mode():
        torch.testing.assert_close(head(backbone(pictures)), whole(pictures))
        torch.testing.assert_close(backbone.forward_head(backbone.forward_features(pictures)), backbone(pictures))
    stages = stage_of(backbone)
    assert len(set(stages.values())) >= 4
    assert stages[next(n for n, _ in backbone.named_parameters())] == 0


def test_a_torchvision_network_that_is_not_there_is_answered_with_the_nearest() -> None:
    with pytest.raises(TrainingError, match="Did you mean 'resnet18'"):
        make_backbone("torchvision/resnet81", "none")
