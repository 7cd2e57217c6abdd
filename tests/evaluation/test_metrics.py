"""Each metric against an independent library, and each known trap."""

from __future__ import annotations

import inspect
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.errors import MetricError
from tickvision.evaluation import metrics

K = 7


def _labels(seed: int, n: int = 800) -> tuple[np.ndarray, np.ndarray]:
    """Imbalanced truth with class 5 absent, and predictions right about 7 times in 10."""
    rng = np.random.default_rng(seed)
    target = rng.choice(K, n, p=[0.5, 0.25, 0.12, 0.08, 0.04, 0.0, 0.01])
    pred = np.where(rng.random(n) < 0.7, target, rng.integers(0, K, n))
    return target, pred


def _probs(seed: int, n: int = 800) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities with exact 0 and 1, ties, and confidences on the edges of 15 and of 10 bins."""
    rng = np.random.default_rng(seed)
    target, _ = _labels(seed, n)
    probs = rng.dirichlet(np.full(K, 0.4), n)
    probs[np.arange(n), target] += rng.random(n)
    probs /= probs.sum(axis=1, keepdims=True)
    probs[:20] = np.eye(K)[rng.integers(0, K, 20)]
    for row, edge in enumerate([9 / 15, 12 / 15, 0.6, 0.8, 0.7, 0.9, 2 / 3, 0.4], start=20):
        probs[row] = (1 - edge) / (K - 1)
        probs[row, row % K] = edge
    probs[40:80] = np.round(probs[40:80], 2)
    probs[40:80, 0] += 1 - probs[40:80].sum(axis=1)
    probs = np.clip(probs, 0, 1)
    return probs / probs.sum(axis=1, keepdims=True), target


@pytest.mark.parametrize("seed", range(4))
def test_label_metrics_equal_scikit_learn(seed: int) -> None:
    from sklearn import metrics as reference

    target, pred = _labels(seed)
    assert np.array_equal(metrics.confusion(target, pred, K), reference.confusion_matrix(target, pred, labels=range(K)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # y_pred contains classes not in y_true
        assert metrics.macro_recall(target, pred, K) == pytest.approx(
            reference.balanced_accuracy_score(target, pred), abs=1e-12
        )
    f1 = reference.f1_score(target, pred, labels=range(K), average="macro", zero_division=0)
    assert metrics.macro_f1(target, pred, K) == pytest.approx(f1, abs=1e-12)
    assert metrics.matthews(target, pred, K) == pytest.approx(reference.matthews_corrcoef(target, pred), abs=1e-12)
    assert metrics.cohen_kappa(target, pred, K) == pytest.approx(reference.cohen_kappa_score(target, pred), abs=1e-12)


def test_two_classes_and_single_cases_count() -> None:
    # worked example of the correlation (6 true and 1 false positive, 3 true and 2 false negatives: .478) and of kappa
    # (20, 5, 10, 15: .4), both widely printed, from memory
    truth, named = [1] * 8 + [0] * 4, [1] * 6 + [0] * 2 + [1] + [0] * 3
    assert metrics.matthews(truth, named, 2) == pytest.approx(0.478, abs=5e-4)
    truth, named = [0] * 25 + [1] * 25, [0] * 20 + [1] * 5 + [0] * 10 + [1] * 15
    assert metrics.cohen_kappa(truth, named, 2) == pytest.approx(0.4)
    assert metrics.macro_recall([0, 0, 1], [0, 0, 0], 2) == 0.5  # a class of one specimen is a class
    assert metrics.macro_f1([0, 0], [0, 1], 2) == pytest.approx((2 / 3 + 0) / 2)
    assert metrics.confusion([0], [0], 1).dtype == np.int64


def test_label_metrics_equal_torchmetrics() -> None:
    pytest.importorskip("torchmetrics")
    import torch
    from torchmetrics.functional import classification as reference

    target, pred = _labels(11)
    t, p = torch.from_numpy(target), torch.from_numpy(pred)
    assert metrics.matthews(target, pred, K) == pytest.approx(
        float(reference.multiclass_matthews_corrcoef(p, t, K)), abs=1e-6
    )
    assert metrics.cohen_kappa(target, pred, K) == pytest.approx(
        float(reference.multiclass_cohen_kappa(p, t, K)), abs=1e-6
    )
    assert np.array_equal(metrics.confusion(target, pred, K), reference.multiclass_confusion_matrix(p, t, K).numpy())


@pytest.mark.parametrize("seed", range(4))
def test_proper_scores_equal_scikit_learn(seed: int) -> None:
    from sklearn import metrics as reference

    probs, target = _probs(seed)
    one_hot = np.eye(K)[target]
    assert metrics.brier(probs, target) == pytest.approx(float(((probs - one_hot) ** 2).sum(1).mean()), abs=1e-12)
    assert metrics.brier(probs, target) == pytest.approx(
        reference.brier_score_loss(one_hot, probs, scale_by_half=False), abs=1e-9
    )
    inside = 0.9 * probs + 0.1 / K
    assert metrics.nll(inside, target) == pytest.approx(reference.log_loss(target, inside, labels=range(K)), abs=1e-9)


def test_nll_is_infinite_where_a_true_class_has_probability_zero() -> None:
    assert metrics.nll([[1.0, 0.0], [0.5, 0.5]], [1, 0]) == np.inf
    certain = metrics.nll([[1.0, 0.0], [1.000001, 0.0]], [0, 0])  # float32 rows may sum to a little more than 1
    assert certain == 0.0
    assert not np.signbit(certain)  # no report shows "-0.000"


def test_brier_is_the_sum_form_with_range_0_to_2() -> None:
    assert metrics.brier([[1.0, 0.0]], [1]) == 2.0
    assert metrics.brier([[0.5, 0.5]], [1]) == 0.5


def test_macro_recall_averages_present_classes_and_macro_f1_all_classes() -> None:
    target, pred = [0, 0, 1, 1], [0, 0, 1, 0]
    assert metrics.macro_recall(target, pred, 4) == pytest.approx(0.75)
    assert metrics.macro_f1(target, pred, 4) == pytest.approx((0.8 + 2 / 3) / 4)
    assert metrics.macro_f1(target, pred, 2) == pytest.approx((0.8 + 2 / 3) / 2)


def test_unknown_truth_is_left_out_everywhere() -> None:
    probs, target = _probs(5)
    pred = probs.argmax(1)
    marked, known = target.copy(), np.arange(len(target)) % 3 != 0
    marked[~known] = -1
    for name in ("macro_recall", "macro_f1", "matthews", "cohen_kappa"):
        metric = getattr(metrics, name)
        assert metric(marked, pred, K) == metric(target[known], pred[known], K)
    for name in ("brier", "ece", "classwise_ece"):
        metric = getattr(metrics, name)
        assert metric(probs, marked) == metric(probs[known], target[known])
    assert metrics.confusion(marked, pred, K).sum() == known.sum()


def test_no_known_row_is_no_data() -> None:
    for name in ("macro_recall", "macro_f1", "matthews", "cohen_kappa"):
        assert np.isnan(getattr(metrics, name)([-1, -1], [0, 1], 2))
    for name in ("nll", "brier", "ece", "classwise_ece"):
        assert np.isnan(getattr(metrics, name)([[0.5, 0.5]], [-1]))
        assert np.isnan(getattr(metrics, name)(np.zeros((0, 2)), []))
    for name in ("aurc", "augrc", "auroc", "fpr_at_tpr"):
        assert np.isnan(getattr(metrics, name)([], []))
    assert np.isnan(metrics.risk_at_coverage([], [], 0.5))
    assert metrics.confusion([], [], 3).tolist() == [[0] * 3] * 3


@pytest.mark.parametrize("seed", range(4))
def test_auroc_and_fpr_equal_scikit_learn_with_ties(seed: int) -> None:
    from sklearn import metrics as reference

    rng = np.random.default_rng(seed)
    positive = rng.random(500) < 0.1
    scores = np.round(rng.normal(positive, 1.0), 1)
    assert metrics.auroc(scores, positive) == pytest.approx(reference.roc_auc_score(positive, scores), abs=1e-12)
    fpr, tpr, _ = reference.roc_curve(positive, scores, drop_intermediate=False)
    for wanted in (0.5, 0.8, 0.95, 1.0):
        assert metrics.fpr_at_tpr(scores, positive, wanted) == pytest.approx(fpr[np.argmax(tpr >= wanted)], abs=1e-12)


def test_fpr_at_tpr_depends_on_which_side_is_positive() -> None:
    rng = np.random.default_rng(3)
    scores, strange = np.r_[rng.normal(0, 1, 500), rng.normal(1, 3, 500)], np.arange(1000) >= 500
    assert abs(metrics.fpr_at_tpr(scores, strange) - metrics.fpr_at_tpr(-scores, ~strange)) > 0.1


def test_a_share_of_tpr_that_is_a_whole_number_is_not_rounded_up() -> None:
    scores, positive = np.arange(21, 0, -1), np.r_[np.ones(19), 0, 1].astype(bool)
    assert metrics.fpr_at_tpr(scores, positive, 0.95) == 0.0  # 19 of 20 suffice
    assert metrics.fpr_at_tpr([3, 2, 1], [1, 0, 1], 0.001) == 0.0  # the first positive suffices


@pytest.mark.parametrize(
    ("probs", "target"),
    [
        ([[0.5, 0.6]], [0]),
        ([[0.2, 0.2]], [0]),
        ([[np.nan, 1.0]], [0]),
        ([[np.inf, 0.0]], [0]),
        ([[2.0, -1.0]], [0]),
        ([[0.5, 0.5]], [2]),
        ([[0.5, 0.5]], [-2]),
        ([[0.5, 0.5]], [0, 1]),
        ([0.5, 0.5], [0]),
        ([[0.5, 0.5]], [0.5]),
        ([["a", "b"]], [0]),
    ],
)
def test_bad_probabilities_or_labels_are_refused(probs: object, target: object) -> None:
    for metric in (metrics.nll, metrics.brier, metrics.ece, metrics.classwise_ece):
        with pytest.raises(MetricError):
            metric(probs, target)


def test_bad_labels_scores_and_settings_are_refused() -> None:
    for call in (
        lambda: metrics.confusion([0, 1], [0], 2),
        lambda: metrics.confusion([0, 2], [0, 1], 2),
        lambda: metrics.confusion([0, 1], [0, -1], 2),
        lambda: metrics.confusion([0], [0], 0),
        lambda: metrics.auroc([0.1, np.nan], [0, 1]),
        lambda: metrics.auroc([0.1, 0.2], [0, 2]),
        lambda: metrics.aurc([0.1, np.inf], [0, 1]),
        lambda: metrics.augrc([0.1], [0, 1]),
        lambda: metrics.risk_at_coverage([0.1], [0], 0.0),
        lambda: metrics.risk_at_coverage([0.1], [0], 1.1),
        lambda: metrics.fpr_at_tpr([0.1, 0.2], [0, 1], 0.0),
        lambda: metrics.ece([[0.5, 0.5]], [0], n_bins=0),
        lambda: metrics.ece([[0.5, 0.5]], [0], binning="depth"),  # type: ignore[arg-type]
    ):
        with pytest.raises(MetricError):
            call()


def test_one_class_where_the_number_is_undefined_is_refused() -> None:
    one_side = "only one side is present; expected positives and negatives. Show 'no data'."
    for call, said in (
        (lambda: metrics.auroc([0.1, 0.2], [1, 1]), f"auroc: {one_side}"),
        (lambda: metrics.fpr_at_tpr([0.1, 0.2], [0, 0]), f"fpr_at_tpr: {one_side}"),
        (
            lambda: metrics.matthews([1, 1], [1, 0], 2),
            "matthews: the truth holds one class only; expected at least two. Show 'no data'.",
        ),
        (
            lambda: metrics.cohen_kappa([1, 1], [1, 1], 2),
            "cohen_kappa: truth and prediction hold one and the same class; kappa is undefined.",
        ),
    ):
        with pytest.raises(MetricError) as refusal:
            call()
        assert str(refusal.value) == said


def test_a_refusal_names_the_argument_that_is_wrong() -> None:
    for call, said in (
        (lambda: metrics.auroc([0.1, np.nan], [0, 1]), "scores: 1 of 2 values"),
        (lambda: metrics.auroc([0.1, 0.2], [0, 2]), "positive: found values other than 0 and 1"),
        (lambda: metrics.auroc([0.1], [0, 1]), "row counts differ: scores 1, positive 2"),
        (lambda: metrics.confusion([[0]], [0], 2), "target: found shape (1, 1); expected one axis."),
        (lambda: metrics.confusion(["a"], [0], 2), "target: found <U1; expected class numbers."),
        (lambda: metrics.nll(np.zeros((1, 0)), [0]), "probs: found no columns; expected one per class."),
        (lambda: metrics.fpr_at_tpr([0.1, 0.2], [0, 1], 1.5), "tpr: found 1.5; expected more than 0 and at most 1."),
    ):
        with pytest.raises(MetricError) as refusal:
            call()
        assert str(refusal.value).startswith(said)


def test_a_constant_prediction_has_no_correlation() -> None:
    assert metrics.matthews([0, 1, 2], [1, 1, 1], 3) == 0.0


@settings(deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 6), st.integers(1, 40))
def test_metrics_do_not_depend_on_the_order_of_rows(seed: int, n_classes: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    target, probs = rng.integers(-1, n_classes, n), rng.dirichlet(np.ones(n_classes), n)
    turn = rng.permutation(n)
    pred = probs.argmax(1)
    for metric in (metrics.nll, metrics.brier, metrics.ece, metrics.classwise_ece):
        assert metric(probs[turn], target[turn]) == pytest.approx(metric(probs, target), nan_ok=True)
    for metric in (metrics.macro_recall, metrics.macro_f1):
        assert metric(target[turn], pred[turn], n_classes) == pytest.approx(
            metric(target, pred, n_classes), nan_ok=True
        )


def test_every_name_of_the_contract_is_exported_with_its_arguments() -> None:
    wanted = {
        "confusion": ["target", "pred", "n_classes"],
        "macro_recall": ["target", "pred", "n_classes"],
        "macro_f1": ["target", "pred", "n_classes"],
        "matthews": ["target", "pred", "n_classes"],
        "cohen_kappa": ["target", "pred", "n_classes"],
        "nll": ["probs", "target"],
        "brier": ["probs", "target"],
        "ece": ["probs", "target", "n_bins", "binning"],
        "classwise_ece": ["probs", "target", "n_bins"],
        "aurc": ["confidence", "wrong"],
        "augrc": ["confidence", "wrong"],
        "risk_at_coverage": ["confidence", "wrong", "coverage"],
        "auroc": ["scores", "positive"],
        "fpr_at_tpr": ["scores", "positive", "tpr"],
    }
    assert set(metrics.__all__) == set(wanted)
    for name, arguments in wanted.items():
        assert list(inspect.signature(getattr(metrics, name)).parameters) == arguments
