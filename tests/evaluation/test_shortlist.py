"""Conformal quantiles and shortlists."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.errors import CalibrationError
from tickvision.evaluation.shortlist import Shortlist, conformal_quantile, fit_shortlist


def _scored(seed: int, n: int, n_classes: int = 5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    target = rng.choice(n_classes, n, p=[0.5, 0.3, 0.12, 0.06, 0.02])
    probs = rng.dirichlet(np.full(n_classes, 0.5), n)
    probs[np.arange(n), target] += rng.random(n)
    return probs / probs.sum(axis=1, keepdims=True), target


def test_the_quantile_counts_the_new_specimen_and_is_infinite_when_n_is_too_small() -> None:
    assert conformal_quantile(np.arange(1.0, 10.0), 0.1) == 9.0  # 10 * 0.9 = 9, not 10
    assert conformal_quantile(np.arange(1.0, 9.0), 0.1) == np.inf
    assert conformal_quantile(np.arange(1.0, 101.0), 0.1) == 91.0  # np.quantile(.9) says 90.1
    assert conformal_quantile([], 0.1) == np.inf


@settings(deadline=None)
@given(st.integers(1, 400), st.sampled_from([0.01, 0.05, 0.1, 0.2, 0.3]))
def test_the_quantile_is_the_smallest_with_enough_scores_below(n: int, alpha: float) -> None:
    from fractions import Fraction

    rank = -(-(n + 1) * (1 - Fraction(str(alpha))) // 1)
    expected = np.inf if rank > n else float(rank)
    assert conformal_quantile(np.random.default_rng(n).permutation(np.arange(1.0, n + 1)), alpha) == expected


def test_sets_equal_crepes_class_by_class() -> None:
    from crepes import ConformalClassifier

    probs, target = _scored(0, 400)
    new, _ = _scored(1, 200)
    sets = fit_shortlist(probs, target, 0.1).sets(new)
    top = np.zeros_like(sets)
    top[np.arange(200), new.argmax(1)] = True
    for k in range(4):
        scores = 1 - probs[target == k, k]
        reference = ConformalClassifier().fit(scores)
        inside = reference.predict_set((1 - new)[:, [k]], confidence=0.9, smoothing=False).astype(bool)[:, 0]
        assert np.array_equal(sets[:, k], inside | top[:, k])


def test_sets_hold_the_truth_of_each_class_as_often_as_they_say() -> None:
    held, cases = np.zeros(3), np.zeros(3)
    for seed in range(150):
        probs, target = _scored(seed, 300)
        new, truth = _scored(1000 + seed, 100)
        sets = fit_shortlist(probs, target, 0.1).sets(new)
        inside = sets[np.arange(100), truth]
        for k in range(3):
            held[k] += inside[truth == k].sum()
            cases[k] += (truth == k).sum()
    assert np.all(held / cases >= 0.9 - 3 * np.sqrt(0.09 / 150 / 12))


def test_a_class_with_too_few_specimens_takes_the_pooled_quantile() -> None:
    probs, target = _scored(2, 400)
    rare = np.flatnonzero(target == 4)
    keep = np.setdiff1d(np.arange(400), rare[8:])
    fitted = fit_shortlist(probs[keep], target[keep], 0.1)
    assert fitted.counts[4] == min(len(rare), 8)
    assert fitted.own == (True, True, True, True, False)
    scores = 1 - probs[keep][np.arange(len(keep)), target[keep]]
    assert fitted.quantiles[4] == conformal_quantile(scores, 0.1)


def test_an_infinite_quantile_lists_the_class_always_and_says_so() -> None:
    probs, target = _scored(3, 5)
    fitted = fit_shortlist(probs, target, 0.1)
    assert all(fitted.is_unlimited)
    assert fitted.sets(probs).all()
    assert Shortlist.from_dict(json.loads(json.dumps(fitted.to_dict(), allow_nan=False))) == fitted


def test_the_top_answer_is_always_listed() -> None:
    fitted = Shortlist(0.1, (0.0, 0.0, 0.0), (True,) * 3, (50,) * 3)
    assert fitted.sets([[0.4, 0.35, 0.25]]).tolist() == [[True, False, False]]


def test_broken_input_is_refused() -> None:
    for call in (
        lambda: conformal_quantile([0.1, np.nan], 0.1),
        lambda: conformal_quantile([0.1], 0.0),
        lambda: fit_shortlist([[0.5, 0.5]], [-1]),
        lambda: fit_shortlist([[0.5, 0.4]], [0]),
        lambda: fit_shortlist([[0.5, 0.5]], [2]),
        lambda: Shortlist(0.1, (0.5,), (True,), (9,)).sets([[0.5, 0.5]]),
    ):
        with pytest.raises(CalibrationError):
            call()
