"""ECE and its companions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tickvision.errors import MetricError
from tickvision.evaluation.calibration_error import (
    classwise_ece,
    corp,
    debiased_ce2,
    ece,
    ece_null_quantile,
    smooth_ece,
    top_label,
)


def _calibrated(seed: int, n: int, n_classes: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """A perfectly calibrated model: the truth is drawn from its own probabilities."""
    rng = np.random.default_rng(seed)
    probs = rng.dirichlet(np.full(n_classes, 0.3), n)
    return probs, (rng.random(n)[:, None] > probs.cumsum(1)).sum(1).clip(0, n_classes - 1)


def _plain_ece(confidence: np.ndarray, correct: np.ndarray, n_bins: int) -> float:
    """The definition, bin by bin, with (a, b] written out."""
    edges = np.linspace(0, 1, n_bins + 1)
    total = 0.0
    for a, b in pairwise(edges):
        rows = (confidence > a) & (confidence <= b)
        if rows.any():
            total += rows.mean() * abs(correct[rows].mean() - confidence[rows].mean())
    return total


@pytest.mark.parametrize("n_bins", [10, 15, 20])
def test_ece_equals_its_definition_with_values_on_edges(n_bins: int) -> None:
    rng = np.random.default_rng(n_bins)
    confidence = rng.integers(n_bins // 2 + 1, n_bins + 1, 400) / n_bins
    probs = np.stack([confidence, 1 - confidence], axis=1)
    target = (rng.random(400) > 0.6).astype(int)
    assert ece(probs, target, n_bins) == pytest.approx(_plain_ece(confidence, target == 0, n_bins), abs=1e-12)


def test_ece_and_classwise_ece_equal_torchmetrics_away_from_its_hidden_bin() -> None:
    pytest.importorskip("torchmetrics")
    import torch
    from torchmetrics.functional.classification import multiclass_calibration_error

    probs, target = _calibrated(1, 700)
    keep = probs.max(1) < 1
    p, t = torch.from_numpy(probs[keep]), torch.from_numpy(target[keep])
    reference = float(multiclass_calibration_error(p, t, probs.shape[1], n_bins=15, norm="l1"))
    assert ece(probs[keep], target[keep]) == pytest.approx(reference, abs=1e-6)
    from torchmetrics.functional.classification import binary_calibration_error

    parts = [
        float(binary_calibration_error(p[:, k].contiguous(), (t == k).long(), n_bins=15, norm="l1"))
        for k in range(probs.shape[1])
    ]
    assert classwise_ece(probs[keep], target[keep]) == pytest.approx(float(np.mean(parts)), abs=1e-6)


def test_a_confidence_of_exactly_one_shares_the_last_bin() -> None:
    # torchmetrics 1.9 puts it in a bin of its own: .5 * |1 - 1| + .5 * |0 - .95| there, |.5 - .975| here.
    probs = np.array([[1.0, 0.0], [0.95, 0.05]])
    assert ece(probs, [0, 1], n_bins=10) == pytest.approx(0.475)


def test_ece_equals_mapie_when_its_edges_are_counted() -> None:
    from mapie.metrics.calibration import expected_calibration_error

    probs, target = _calibrated(2, 600)
    confidence, correct = top_label(probs, target)
    reference = expected_calibration_error(correct.astype(int), confidence, num_bins=16, split_strategy="uniform")
    assert ece(probs, target, 15) == pytest.approx(reference, abs=1e-6)


def test_equal_mass_bins_hold_equal_counts() -> None:
    probs, target = _calibrated(3, 607)
    confidence, correct = top_label(probs, target)
    order = np.argsort(confidence, kind="stable")
    expected = sum(
        len(rows) / 607 * abs(correct[rows].mean() - confidence[rows].mean()) for rows in np.array_split(order, 15)
    )
    assert ece(probs, target, 15, "mass") == pytest.approx(expected, abs=1e-12)


def test_mass_bins_stay_legal_with_fewer_rows_than_bins() -> None:
    assert ece([[0.7, 0.3], [0.6, 0.4]], [0, 1], 15, "mass") == pytest.approx((0.3 + 0.6) / 2)


def test_a_calibrated_model_has_a_large_ece_at_small_n_but_no_debiased_error() -> None:
    plain, debiased = [], []
    for seed in range(200):
        probs, target = _calibrated(seed, 100)
        plain.append(ece(probs, target))
        debiased.append(debiased_ce2(probs, target))
    assert np.mean(plain) > 0.05
    assert abs(np.mean(debiased)) < 4 * np.std(debiased) / np.sqrt(200)


def test_the_null_quantile_covers_a_calibrated_model_and_not_an_overconfident_one() -> None:
    inside = 0
    for seed in range(100):
        probs, target = _calibrated(seed, 300)
        inside += ece(probs, target) <= ece_null_quantile(probs.max(1), seed=seed)
    assert inside >= 88  # 95 expected, standard deviation 2.2
    probs, _ = _calibrated(0, 300)
    shuffled = np.random.default_rng(1).integers(0, 5, 300)
    assert ece(probs, shuffled) > ece_null_quantile(probs.max(1))


def test_the_null_quantile_grows_when_photos_of_a_specimen_go_together() -> None:
    probs, _ = _calibrated(4, 600)
    specimen = np.arange(600) // 6
    assert ece_null_quantile(probs.max(1), specimen) > ece_null_quantile(probs.max(1))


def test_smooth_ece_of_one_stated_confidence_is_its_distance_to_the_truth() -> None:
    # All residuals in one place have one sign, and the reflected kernel keeps the mass: exact at any width.
    for stated, share in ((0.7, 0.3), (1.0, 0.4), (0.02, 0.9)):
        correct = np.arange(50) < round(50 * share)
        assert smooth_ece(np.full(50, stated), correct) == pytest.approx(abs(stated - share), abs=1e-9)


def test_smooth_ece_equals_a_direct_sum_over_reflected_images() -> None:
    rng = np.random.default_rng(5)
    stated = rng.random(300)
    correct = rng.random(300) < stated**2
    value = smooth_ece(stated, correct)
    grid = (np.arange(4000) + 0.5) / 4000
    images = np.concatenate([stated + 2 * j for j in (-1, 0, 1)] + [-stated + 2 * j for j in (-1, 0, 1, 2)])
    weight = np.tile(correct - stated, 7) / 300
    kernel = np.exp(-0.5 * ((grid[:, None] - images) / value) ** 2) / (value * np.sqrt(2 * np.pi))
    assert np.abs(kernel @ weight).mean() == pytest.approx(value, abs=2e-5)


def test_corp_parts_add_up_and_equal_scikit_learn_isotonic_fits() -> None:
    from sklearn.isotonic import IsotonicRegression
    from sklearn.metrics import brier_score_loss

    rng = np.random.default_rng(6)
    stated = np.round(rng.random(500), 2)
    correct = rng.random(500) < stated**2
    parts = corp(stated, correct)
    fitted = IsotonicRegression().fit(stated, correct.astype(float)).predict(stated)
    assert parts.score == pytest.approx(brier_score_loss(correct, stated), abs=1e-9)
    assert parts.miscalibration == pytest.approx(parts.score - np.mean((fitted - correct) ** 2), abs=1e-9)
    assert parts.score == pytest.approx(parts.miscalibration - parts.discrimination + parts.uncertainty, abs=1e-12)
    assert parts.miscalibration > 0
    assert parts.discrimination > 0


def test_constant_base_rate_has_no_calibration_error_and_no_discrimination() -> None:
    correct = np.arange(100) < 30
    parts = corp(np.full(100, 0.3), correct)
    assert parts.miscalibration == pytest.approx(0, abs=1e-12)
    assert parts.discrimination == pytest.approx(0, abs=1e-12)


def test_confidences_outside_0_to_1_are_refused_and_empty_is_no_data() -> None:
    for call in (smooth_ece, corp):
        assert np.isnan(np.asarray(call([], []))).all()
    with pytest.raises(MetricError):
        smooth_ece([1.2], [1])
    with pytest.raises(MetricError):
        ece_null_quantile([1.2])
    assert np.isnan(ece_null_quantile([]))
    assert np.isnan(debiased_ce2([[0.5, 0.5]], [-1]))
