"""What the [train] section lets one choose: long tail, smoothing, blends, layer-wise rates, unfreezing, attributes."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch
from torch.nn import functional

from tickvision.config import TrainConfig
from tickvision.errors import TrainingError
from tickvision.training import attributes, features, heads, objective, optimizing
from tickvision.training.batches import draw_epoch
from tickvision.training.network import Network, Output, make_backbone
from tickvision.training.priors import importance
from tickvision.training.recipe import Recipe


def recipe(**changed: Any) -> Recipe:
    plain = TrainConfig().model_dump(include={f.name for f in fields(Recipe)} - {"seed"})
    return Recipe(**(plain | changed), seed=0)


def full_labels(target: np.ndarray, n_taxa: int = 3) -> heads.Labels:
    n = len(target)
    return heads.Labels(np.eye(n_taxa, dtype=bool)[target], np.ones((n, 1), bool), np.ones(n), np.arange(n))


TARGET = np.repeat([0, 1, 2], [60, 30, 10])


def test_no_choice_for_the_long_tail_counts_every_photograph_once() -> None:
    labels = full_labels(TARGET)
    for choice in ("none", "logit_adjustment"):
        assert (importance(labels.taxon, labels.state, labels.weight, choice) == 1).all()
    assert recipe(long_tail="none").tau == 0
    assert recipe().tau == 1


def test_class_weights_make_classes_count_equally() -> None:
    labels = full_labels(TARGET)
    counts = importance(labels.taxon, labels.state, labels.weight, "class_weights")
    assert counts.mean() == pytest.approx(1)
    sums = [counts[k == TARGET].sum() for k in range(3)]
    assert max(sums) / min(sums) < 1.06  # the one that is added to all counts


def test_the_effective_number_is_that_of_the_paper() -> None:
    # Cui et al. 2019, equation 2: E_n = (1 - beta^n) / (1 - beta), weight 1 / E_n
    labels = full_labels(TARGET)
    counts = importance(labels.taxon, labels.state, labels.weight, "effective_number")
    n = (np.array([60, 30, 10]) + 1 / 3) / 101 * 100
    expected = 1 / (1 - 0.999**n)
    ratios = np.array([counts[k == TARGET][0] for k in range(3)]) / expected
    np.testing.assert_allclose(ratios, ratios[0])


def test_square_root_sampling_draws_rare_specimens_more_often() -> None:
    labels = full_labels(TARGET)
    chance = importance(labels.taxon, labels.state, labels.weight, "square_root_sampling")
    drawn = np.concatenate([draw_epoch(np.arange(100), 0, e, chance) for e in range(200)])
    share = np.bincount(TARGET[drawn], minlength=3) / len(drawn)
    expected = np.sqrt([60, 30, 10]) / np.sqrt([60, 30, 10]).sum()
    np.testing.assert_allclose(share, expected, atol=0.02)


def some_output(n: int = 6) -> Output:
    torch.manual_seed(0)
    return Output(torch.randn(n, 3), torch.randn(n, 3, 1), torch.zeros(n, 1))


def test_label_smoothing_is_torch_s_on_full_labels() -> None:
    target = np.array([0, 1, 2, 0, 1, 2])
    teach = objective.make(full_labels(target), np.ones(6), np.zeros((6, 0), np.int64),
                           recipe(label_smoothing=0.1, long_tail="none"))  # fmt: skip
    out = some_output()
    expected = functional.cross_entropy(out.taxon, torch.from_numpy(target), label_smoothing=0.1, reduction="none")
    torch.testing.assert_close(teach(out, torch.arange(6)), expected)


def test_an_attribute_counts_where_it_is_known() -> None:
    teach = objective.make(full_labels(np.array([0, 1])), np.ones(2), np.array([[1], [-1]]),
                           recipe(attribute_weight=0.5, long_tail="none"))  # fmt: skip
    out = some_output(2)
    logits = torch.tensor([[0.3, -1.0], [2.0, 0.0]])
    without = teach(out, torch.arange(2))
    more = teach(out._replace(attributes=(logits,)), torch.arange(2)) - without
    torch.testing.assert_close(more, torch.tensor([0.5 * float(-torch.log_softmax(logits[0], 0)[1]), 0.0]))


@pytest.mark.parametrize("kind", ["mixup", "cutmix"])
def test_blends_hold_the_stated_share_of_the_picture_and_its_loss(kind: str) -> None:
    values = torch.arange(1.0, 7.0)
    pictures = values[:, None, None, None].expand(6, 3, 16, 16).contiguous()
    choice = recipe(mix=kind, mix_alpha=1.0)
    for step in range(5):
        mixed, mixing = objective.mix(pictures, 5, choice, 1, step, 0)
        again, _ = objective.mix(pictures, 5, choice, 1, step, 0)
        assert torch.equal(mixed, again)
        assert mixing is not None
        assert mixing.partner[5] == 5  # what only fills the batch is left alone
        assert sorted(mixing.partner[:5].tolist()) == [0, 1, 2, 3, 4]
        expected = mixing.share * values + (1 - mixing.share) * values[mixing.partner]
        torch.testing.assert_close(mixed.mean((1, 2, 3)), expected)
        teach = objective.make(
            full_labels(np.array([0, 1, 2, 0, 1, 2])), np.ones(6), np.zeros((6, 0), np.int64), choice
        )
        rows, out = torch.arange(6), some_output()
        blended = objective.mixed_loss(teach, out, rows, mixing)
        expected = mixing.share * teach(out, rows) + (1 - mixing.share) * teach(out, rows[mixing.partner])
        torch.testing.assert_close(blended, expected)
    assert objective.mix(pictures, 6, recipe(), 1, 0, 0)[1] is None


@pytest.fixture(scope="module")
def lite() -> Network:
    return Network(make_backbone("tf_efficientnet_lite0", "none")[0], 3, 4)


def test_layer_decay_slows_stages_the_further_they_are_from_the_heads(lite: Network) -> None:
    optimizer = optimizing.make(lite, recipe(layer_decay=0.5, frozen_stages=0))
    name_of = {id(p): n for n, p in lite.backbone.named_parameters()}
    rate = {name_of[id(p)]: g["base"] for g in optimizer.param_groups[:-1] for p in g["params"]}
    assert rate["conv_head.weight"] == pytest.approx(7e-4)
    assert rate["conv_stem.weight"] < rate["blocks.2.0.conv_pw.weight"] < rate["blocks.5.0.conv_pw.weight"]
    assert optimizer.param_groups[-1]["base"] == pytest.approx(1e-3)
    flat = optimizing.make(lite, recipe(frozen_stages=0))
    assert {g["base"] for g in flat.param_groups[:-1]} == {7e-4}


def test_stages_unfreeze_one_after_another_from_the_heads(lite: Network) -> None:
    choice = recipe(unfreeze_epochs=1.0, frozen_stages=0, epochs=20)
    optimizer = optimizing.make(lite, choice)
    learning = []
    for epoch in range(9):
        optimizing.set_rates(optimizer, choice, epoch * 10 + 5, 10)
        learning.append(sum(g["lr"] > 0 for g in optimizer.param_groups))
    assert learning[0] == 1
    assert learning == sorted(learning)
    assert learning[-1] == len(optimizer.param_groups) > 8


def test_attribute_targets_are_unknown_where_blank() -> None:
    frame = pd.DataFrame({"feeding": ["flat", "", "fed"], "x_light": ["a", "b", ""]})
    targets, classes = attributes.targets(frame, ("feeding", "light"))
    assert targets.tolist() == [[1, 0], [-1, 1], [0, -1]]
    assert classes == (("fed", "flat"), ("a", "b"))
    with pytest.raises(TrainingError, match="Did you mean 'feeding'"):
        attributes.targets(frame, ("feding",))


@pytest.mark.parametrize("n_classes", [2, 3])
def test_fitted_attribute_heads_find_what_the_features_tell(n_classes: int) -> None:
    class Width(torch.nn.Module):
        num_features = 5

    rng = np.random.default_rng(0)
    target = rng.integers(0, n_classes, 200)
    features = (rng.normal(2, 1, (200, 5)) + 4 * np.eye(5)[target]).astype(np.float32)
    told = target[:, None].copy()
    told[::3] = -1
    net = Network(Width(), 2, 2, [n_classes + 1])  # one class that no photograph shows
    heads.fit_attributes(net, features, told, np.ones(200))
    said = net.heads(torch.from_numpy(features)).attributes[0].argmax(1).numpy()
    assert (said == target)[::3].mean() > 0.9


def test_all_that_decides_the_weights_must_agree_to_go_on() -> None:
    plain = recipe()
    assert replace(plain, workers=7, device="cpu").of_weights() == plain.of_weights()
    assert replace(plain, ema_decay=0.5).of_weights() != plain.of_weights()


def test_torchvision_s_weights_fit_timm_s_backbone_of_the_same_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """The two libraries name a ResNet's tensors alike; the download itself is left out."""
    import torchvision

    torch.manual_seed(0)
    theirs = torchvision.models.resnet18(weights=None).eval()

    class Weights:
        def get_state_dict(self, **_: object) -> dict[str, torch.Tensor]:
            return dict(theirs.state_dict())

    monkeypatch.setattr(torchvision.models, "get_weight", lambda name: Weights())
    backbone = make_backbone("resnet18", "torchvision:ResNet18_Weights.IMAGENET1K_V1")[0].eval()
    pictures = torch.randn(2, 3, 64, 64)
    with torch.inference_mode():
        ours = theirs.fc(backbone(pictures))
        torch.testing.assert_close(ours, theirs(pictures))
    with pytest.raises(TrainingError, match="do not fit the backbone resnet34"):
        make_backbone("resnet34", "torchvision:ResNet18_Weights.IMAGENET1K_V1")


def test_weights_that_cannot_be_fetched_are_a_plain_message() -> None:
    with pytest.raises(TrainingError, match="could not be fetched"):
        make_backbone("resnet18", "torchvision:NoSuch_Weights.V1")


def test_features_that_were_cut_off_are_made_anew(tmp_path: Path) -> None:
    file, stamp = tmp_path / "features.npz", {"backbone": "made up"}
    told = np.array(json.dumps(stamp, sort_keys=True))
    np.savez(file, sha256=np.array(["a", "b"]), embedding=np.ones((2, 300), np.float32), stamp=told)
    whole = file.read_bytes()
    assert set(features._known(file, stamp)) == {"a", "b"}
    for kept in (0, 30, len(whole) // 2):
        file.write_bytes(whole[:kept])
        assert features._known(file, stamp) == {}
