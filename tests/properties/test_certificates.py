"""Certificates of any calibration set: indifferent to order, never above what was seen, and the ladder adds up."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, binom

from tickvision.evaluation.abstention import certify, certify_ladder, conformal_quantile, n_min


@st.composite
def sets(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Confidence with ties, and correctness that goes with it more or less."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(1, 400))
    confidence = np.round(rng.random(n), draw(st.integers(1, 6)))
    return confidence, rng.random(n) < 1 - draw(st.sampled_from([0.0, 0.01, 0.1, 1.0])) * (1 - confidence)


targets = st.sampled_from([0.01, 0.02, 0.05, 0.1, 0.3])


@settings(max_examples=80, deadline=None)
@given(sets(), targets, st.sampled_from([0.01, 0.05, 0.2]))
def test_a_certificate_says_no_more_than_was_seen(
    drawn: tuple[np.ndarray, np.ndarray], target: float, failure_rate: float
) -> None:
    confidence, correct = drawn
    found = certify(confidence, correct, target, failure_rate)
    turn = np.random.default_rng(0).permutation(len(confidence))
    assert certify(confidence[turn], correct[turn], target, failure_rate) == found
    assert 0 <= found.errors <= found.answered <= found.n == len(confidence)
    assert 0 <= found.best_bound <= 1
    if found.threshold is None:
        assert (found.answered, found.errors) == (0, 0)
        assert found.needed >= 1
        return
    answered = confidence >= found.threshold
    assert found.threshold in confidence
    assert (found.answered, found.errors, found.needed) == (answered.sum(), (answered & ~correct).sum(), 0)
    assert binom.cdf(found.errors, found.answered, target) <= failure_rate
    # Clopper and Pearson's bound as scipy's beta distribution has it
    bound = beta.ppf(1 - failure_rate, found.errors + 1, found.answered - found.errors)
    assert abs(found.best_bound - bound) < 1e-9
    assert found.answered >= n_min(0, target, failure_rate)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 400), st.integers(1, 3), targets)
def test_the_rungs_of_a_ladder_answer_each_specimen_once(seed: int, n: int, rungs: int, target: float) -> None:
    rng = np.random.default_rng(seed)
    confidence = np.round(rng.random((n, rungs)), 2)
    correct = rng.random((n, rungs)) < 0.5 + confidence / 2
    offered = rng.random((n, rungs)) < 0.8
    found = certify_ladder(confidence, correct, offered, target, 0.1)
    turn = rng.permutation(n)
    assert certify_ladder(confidence[turn], correct[turn], offered[turn], target, 0.1) == found
    assert len(found) == rungs
    assert sum(c.answered for c in found) <= n
    assert all(c.n <= offered[:, r].sum() for r, c in enumerate(found))
    shared = 0.1 / max(int(offered.any(axis=0).sum()), 1)
    assert {c.failure_rate for c in found} == {shared}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-50, 50), min_size=1, max_size=60), st.sampled_from([0.05, 0.1, 0.25, 0.5]))
def test_the_conformal_quantile_covers_a_share_of_any_set_with_one_more(scores: list[int], alpha: float) -> None:
    # Vovk et al. 2005: of the n + 1 scores at most alpha (n + 1) lie above the quantile of the others
    n = len(scores)
    above = 0
    for i in range(n):
        others = np.array(scores[:i] + scores[i + 1 :], float)
        above += scores[i] > conformal_quantile(others, alpha)
    assert above <= alpha * n + 1e-9
