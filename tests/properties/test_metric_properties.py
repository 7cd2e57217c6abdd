"""Metrics of any predictions: indifferent to the order of specimens and to what the classes are called."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.evaluation import metrics
from tickvision.evaluation.intervals import specimen_bootstrap


@st.composite
def predictions(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, int]:
    """Truth with unknown rows, probabilities with ties, number of classes (two of them present at least)."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    k, n = draw(st.integers(2, 6)), draw(st.integers(4, 40))
    target = np.r_[0, 1, rng.integers(-1, k, n - 2)]
    probs = np.round(rng.dirichlet(np.ones(k), n), 2) + 0.01
    return target, probs / probs.sum(axis=1, keepdims=True), k


@settings(max_examples=40, deadline=None)
@given(predictions(), st.integers(0, 2**32 - 1))
def test_order_and_names_change_nothing(drawn: tuple[np.ndarray, np.ndarray, int], seed: int) -> None:
    target, probs, k = drawn
    rng = np.random.default_rng(seed)
    turn, new = rng.permutation(len(target)), rng.permutation(k)
    named = np.where(target < 0, -1, new[target])
    renamed = np.empty_like(probs)
    renamed[:, new] = probs
    pred = np.random.default_rng(1).integers(0, k, len(target))  # any names: a top answer would break ties by place
    for metric in (metrics.macro_recall, metrics.macro_f1, metrics.matthews, metrics.cohen_kappa):
        value = metric(target, pred, k)
        assert metric(target[turn], pred[turn], k) == pytest.approx(value)
        assert metric(named, new[pred], k) == pytest.approx(value)
    table = metrics.confusion(target, pred, k)
    assert (metrics.confusion(named, new[pred], k)[np.ix_(new, new)] == table).all()
    assert table.sum() == (target >= 0).sum()
    for metric in (metrics.nll, metrics.brier, metrics.classwise_ece):
        value = metric(probs, target)
        assert metric(probs[turn], target[turn]) == pytest.approx(value)
        assert metric(renamed, named) == pytest.approx(value)


@settings(max_examples=40, deadline=None)
@given(predictions())
def test_scores_stay_in_their_range_and_certainty_is_best(drawn: tuple[np.ndarray, np.ndarray, int]) -> None:
    target, probs, k = drawn
    assert 0 <= metrics.brier(probs, target) <= 2
    assert 0 <= metrics.ece(probs, target) <= 1
    sure = np.eye(k)[np.maximum(target, 0)]
    assert metrics.brier(sure, target) == metrics.nll(sure, target) == metrics.ece(sure, target) == 0
    assert metrics.macro_recall(target, sure.argmax(1), k) == metrics.matthews(target, sure.argmax(1), k) == 1


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(-5, 5), st.booleans()), min_size=2, max_size=40))
def test_swapping_the_sides_turns_the_auroc_round(rows: list[tuple[int, bool]]) -> None:
    scores, positive = (np.array(c) for c in zip(*rows, strict=True))
    positive[:2] = [True, False]
    value = metrics.auroc(scores, positive)
    assert metrics.auroc(-scores, ~positive) == pytest.approx(value)
    assert metrics.auroc(scores, ~positive) == pytest.approx(1 - value)
    assert metrics.auroc(np.exp(scores), positive) == pytest.approx(value)
    by_hand = np.mean(
        np.sign(scores[positive][:, None] - scores[~positive][None, :]) / 2 + 0.5
    )  # every pair, ties half: Mann and Whitney's definition
    assert value == pytest.approx(by_hand)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(5, 30))
def test_an_interval_depends_on_specimens_not_on_their_names(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    specimen = np.repeat(np.arange(n), rng.integers(1, 4, n))
    right = rng.random(len(specimen)) < 0.7
    low, high = specimen_bootstrap(np.mean, specimen, right, reps=60)
    assert low <= high
    names = np.array([f"tick {s * 7 % 1009}" for s in specimen])  # 1009 is prime: no two names fall together
    assert specimen_bootstrap(np.mean, names, right, reps=60) == (low, high)
