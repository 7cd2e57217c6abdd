"""Class shares of other seasons and places."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.errors import CalibrationError
from tickvision.evaluation.priors import em_prior, estimate_prior, shrink

OLD = np.array([0.5, 0.3, 0.15, 0.05])
NEW = np.array([0.15, 0.25, 0.3, 0.3])


def _season(seed: int, n: int, shares: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Exact posteriors under OLD of specimens drawn with other shares."""
    rng = np.random.default_rng(seed)
    target = rng.choice(4, n, p=shares)
    x = rng.normal(0, 1, (n, 4)) + 2.0 * np.eye(4)[target]
    likelihood = np.exp(2.0 * x)
    probs = likelihood * OLD
    return probs / probs.sum(1, keepdims=True), target


def test_em_finds_the_shares_of_a_shifted_season() -> None:
    probs, _ = _season(0, 20_000, NEW)
    assert np.abs(em_prior(probs, OLD) - NEW).max() < 0.015


def test_em_is_at_the_maximum_of_the_likelihood() -> None:
    from scipy.optimize import minimize
    from scipy.special import softmax

    probs, _ = _season(1, 500, NEW)
    ratio = probs / OLD

    def loss(z: np.ndarray) -> float:
        return float(-np.log(ratio @ softmax(z)).mean())

    found = minimize(loss, np.zeros(4), method="BFGS", options={"gtol": 1e-9})
    assert np.abs(em_prior(probs, OLD) - softmax(found.x)).max() < 1e-5


def test_intervals_hold_the_true_shares_about_as_often_as_they_say() -> None:
    inside = []
    for seed in range(40):
        probs, _ = _season(100 + seed, 300, NEW)
        found = estimate_prior(probs, OLD, reps=150, seed=seed)
        inside.append((found.low <= NEW) & (found.high >= NEW))
        assert np.all(found.low <= found.shares + 1e-6)
        assert np.all(found.high >= found.shares - 1e-6)
    assert 0.87 <= np.mean(inside) <= 1.0


def test_estimates_are_shrunk_to_the_old_shares_the_more_the_fewer_specimens() -> None:
    assert shrink(NEW, OLD, 100, 100) == pytest.approx((NEW + OLD) / 2)
    assert np.abs(shrink(NEW, OLD, 10_000) - NEW).max() < np.abs(shrink(NEW, OLD, 200) - NEW).max()
    probs, _ = _season(3, 250, NEW)
    found = estimate_prior(probs, OLD, reps=20)
    assert found.shrunk == pytest.approx(shrink(found.shares, OLD, 250))
    assert found.n == 250


def test_a_single_photo_or_broken_shares_are_refused() -> None:
    probs, _ = _season(4, 250, NEW)
    for call in (
        lambda: estimate_prior(probs[:1], OLD),
        lambda: estimate_prior(probs[:199], OLD),
        lambda: em_prior(probs[:0], OLD),
        lambda: em_prior(probs, [0.5, 0.5, 0.0, 0.0]),
        lambda: em_prior(probs, [0.5, 0.5, 0.5, 0.5]),
        lambda: em_prior(probs, [0.5, 0.5]),
        lambda: em_prior(2 * probs, OLD),
    ):
        with pytest.raises(CalibrationError):
            call()
