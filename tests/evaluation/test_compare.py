"""Two runs on the same specimens."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.errors import MetricError
from tickvision.evaluation.compare import changes, compare, holm, mcnemar, paired_bootstrap, sign_flip
from tickvision.evaluation.intervals import mean_interval
from tickvision.evaluation.metrics import macro_recall, nll


def test_mcnemar_equals_statsmodels() -> None:
    from statsmodels.stats.contingency_tables import mcnemar as reference

    for b, c in ((0, 1), (3, 9), (25, 11), (40, 40), (0, 12)):
        expected = reference(np.array([[50, b], [c, 50]]), exact=True).pvalue
        assert mcnemar(b, c) == pytest.approx(expected, abs=1e-12)
    assert mcnemar(0, 0) == 1.0
    with pytest.raises(MetricError):
        mcnemar(-1, 2)


def test_holm_equals_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(0).random(20) ** 3
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-12)
    assert holm([]).tolist() == []
    with pytest.raises(MetricError):
        holm([1.2])


def _right(target: np.ndarray, pred: np.ndarray) -> float:
    return float(np.mean(target == pred))


def _runs(seed: int, gain: float, specimens: int = 150) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    specimen = np.repeat(np.arange(specimens), rng.integers(1, 5, specimens))
    target = rng.integers(0, 4, specimens)[specimen]
    hard = rng.random(specimens)[specimen]
    a = np.where(hard < 0.7, target, (target + 1) % 4)
    b = np.where((hard + rng.normal(0, 0.1, specimens)[specimen]) < 0.7 + gain, target, (target + 1) % 4)
    return specimen, target, a, b


def test_a_real_gain_is_found_and_its_interval_is_paired() -> None:
    specimen, target, a, b = _runs(0, 0.15)
    found = compare(lambda t, p: macro_recall(t, p, 4), specimen, [target], [a], [b], reps=400)
    assert found.low > 0
    assert found.p_value < 0.02
    low, high = paired_bootstrap(_right, specimen, [target], [a], [b], reps=600)
    alone = [np.ptp(mean_interval(target == p, specimen, reps=600)) for p in (a, b)]
    assert high - low < np.hypot(*alone)


def test_the_sign_flip_agrees_with_the_exact_binomial() -> None:
    # One photo each, 12 gains and 3 losses: the sign-flip p is the two-sided binomial tail.
    specimen = np.arange(40)
    target = np.zeros(40, int)
    a = np.r_[np.ones(12, int), np.zeros(28, int)]
    b = np.r_[np.zeros(12, int), np.ones(3, int), np.zeros(25, int)]
    exact = mcnemar(3, 12)
    assert sign_flip(_right, specimen, [target], [a], [b], reps=6000) == pytest.approx(exact, abs=0.008)


def test_the_photos_of_a_specimen_swap_together() -> None:
    # 8 specimens of 25 photos, run b right in all photos of each: p is 2 / 2^8, not the 2 / 2^200 of single photos.
    specimen = np.repeat(np.arange(8), 25)
    target = np.zeros(200, int)
    p = sign_flip(_right, specimen, [target], [np.ones(200, int)], [target], reps=6000)
    assert p == pytest.approx(2 / 2**8, abs=0.004)


def test_runs_without_a_difference_are_called_different_about_as_often_as_said() -> None:
    called = 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        specimen, target, a, b = _runs(seed, 0.0, 60)
        swap = (rng.random(60) < 0.5)[specimen]
        a, b = np.where(swap, a, b), np.where(swap, b, a)
        called += sign_flip(_right, specimen, [target], [a], [b], reps=99, seed=seed) <= 0.05
    assert called / 120 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 120)


def test_probabilities_are_swapped_whole_rows_at_a_time() -> None:
    rng = np.random.default_rng(3)
    target = rng.integers(0, 3, 60)
    good = rng.dirichlet(np.ones(3), 60)
    good[np.arange(60), target] += 1
    good /= good.sum(1, keepdims=True)
    found = compare(lambda t, p: nll(p, t), np.arange(60), [target], [np.full((60, 3), 1 / 3)], [good], reps=300)
    assert found.value < 0
    assert found.high < 0
    assert found.p_value == pytest.approx(1 / 301)


def test_an_infinite_difference_or_unequal_rows_are_refused() -> None:
    sure, unsure = np.array([[1.0, 0.0]] * 6), np.full((6, 2), 0.5)
    with pytest.raises(MetricError):
        sign_flip(lambda t, p: nll(p, t), np.arange(6), [np.ones(6, int)], [sure], [unsure])
    with pytest.raises(MetricError):
        sign_flip(_right, np.arange(6), [np.ones(5)], [np.ones(6)], [np.ones(6)])


def test_changed_specimens_are_named() -> None:
    found = changes([0, 0, 1, 1, -1], [0, 1, 1, 0, 0], [1, 0, 1, 1, 1], ["a", "b", "c", "d", "e"])
    assert found.right_to_wrong.tolist() == ["a"]
    assert found.wrong_to_right.tolist() == ["b", "d"]
    assert found.p_value == mcnemar(1, 2)
    with pytest.raises(MetricError):
        changes([0, 0], [0, 0], [0, 0], ["a", "a"])
