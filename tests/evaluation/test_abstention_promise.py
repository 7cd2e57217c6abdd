"""What holds for any bench, and the promise itself in a simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_benches import bench

from tickvision.evaluation.abstention import certify, n_min


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(60, 600), st.sampled_from([0.02, 0.05, 0.1]))
def test_a_certificate_does_not_depend_on_row_order_or_on_a_rising_change_of_scale(
    seed: int, n: int, target: float
) -> None:
    confidence, correct = bench(seed, n)
    confidence = np.round(confidence, 2)
    found = certify(confidence, correct, target, 0.05)
    turn = np.random.default_rng(seed).permutation(n)
    assert certify(confidence[turn], correct[turn], target, 0.05) == found
    scaled = certify(confidence * 8 - 3, correct, target, 0.05)
    assert (scaled.answered, scaled.errors, scaled.needed) == (found.answered, found.errors, found.needed)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(800, 3000))
def test_a_laxer_target_never_answers_fewer_where_the_start_is_the_same(seed: int, n: int) -> None:
    n -= n % 4
    confidence, correct = bench(seed, n)
    # From n = 4 n_min(2) of the strictest target on, all targets start at n / 4.
    targets = [t for t in (0.02, 0.05, 0.1, 0.2) if 4 * n_min(2, t, 0.05) <= n]
    answered = [certify(confidence, correct, t, 0.05).answered for t in targets]
    assert answered == sorted(answered)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(60, 500))
def test_one_more_error_never_makes_a_certificate_laxer(seed: int, n: int) -> None:
    confidence, correct = bench(seed, n)
    before = certify(confidence, correct, 0.05, 0.05)
    worse = correct.copy()
    worse[np.random.default_rng(seed).integers(n)] = False
    assert certify(confidence, worse, 0.05, 0.05).answered <= before.answered


def _naive(confidence: np.ndarray, correct: np.ndarray, target: float) -> float | None:
    order = np.argsort(-confidence)
    fine = np.flatnonzero(np.cumsum(~correct[order]) <= target * np.arange(1, len(order) + 1))
    return float(confidence[order[fine[-1]]]) if len(fine) else None


@pytest.mark.parametrize(("n", "worst"), [(300, 0.005), (1000, 0.005), (1000, 0.055)])
def test_the_promise_holds_in_a_simulation_that_the_naive_rule_fails(n: int, worst: float) -> None:
    population, right = bench(10_000, 400_000, worst)
    order = np.argsort(-population)
    ranked, risk = -population[order], np.cumsum(~right[order]) / np.arange(1, len(order) + 1)

    def breaks(threshold: float | None) -> bool:
        if threshold is None:
            return False
        return bool(risk[max(int(np.searchsorted(ranked, -threshold, side="right")), 1) - 1] > 0.05)

    draws = [bench(seed, n, worst) for seed in range(400)]
    allowed = 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    assert np.mean([breaks(certify(c, r, 0.05, 0.05).threshold) for c, r in draws]) <= allowed
    assert np.mean([breaks(_naive(c, r, 0.05)) for c, r in draws]) > 3 * allowed
