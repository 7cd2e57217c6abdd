"""The watch over a season's audited answers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tickvision.errors import CalibrationError
from tickvision.evaluation.sequential import ODDS_RATIOS, evidence_path, watch


@pytest.mark.parametrize("max_error", [0.02, 0.05, 0.10])
def test_a_season_that_keeps_the_promise_alarms_in_at_most_5_percent(max_error: float) -> None:
    rng = np.random.default_rng(0)
    seasons = [watch(rng.random(600) < max_error, max_error).raised_at is not None for _ in range(2000)]
    assert np.mean(seasons) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert np.mean(seasons) > 0  # a watch that never alarms would pass the line above


def test_looking_after_each_audit_with_a_plain_test_would_alarm_far_more_often() -> None:
    rng = np.random.default_rng(1)
    alarms = 0
    for _ in range(300):
        wrong = np.cumsum(rng.random(600) < 0.05)
        alarms += bool(np.any(binom.sf(wrong - 1, np.arange(1, 601), 0.05) <= 0.05))
    assert alarms / 300 > 0.15


def test_a_broken_promise_is_found_in_time() -> None:
    rng = np.random.default_rng(2)
    found = [watch(rng.random(600) < 0.15, 0.05).raised_at for _ in range(300)]
    raised = [r for r in found if r is not None]
    assert len(raised) == 300
    assert np.median(raised) < 90


def test_the_evidence_is_the_mean_of_likelihood_ratios() -> None:
    wrong = np.array([0, 1, 0, 0, 1, 1], bool)
    odds = 0.05 / 0.95 * np.array(ODDS_RATIOS)
    q = odds / (1 + odds)
    for i, value in enumerate(evidence_path(wrong, 0.05), start=1):
        k = wrong[:i].sum()
        assert value == pytest.approx(np.mean((q / 0.05) ** k * ((1 - q) / 0.95) ** (i - k)))


def test_the_expected_evidence_never_exceeds_one_while_the_promise_holds() -> None:
    # Exact: the mean over all outcomes of 12 audits, at the promised error share and below.
    outcomes = (np.arange(2**12)[:, None] >> np.arange(12)) & 1
    final = np.array([evidence_path(o.astype(bool), 0.1)[-1] for o in outcomes])
    for share, expected in ((0.1, 1.0), (0.06, None)):
        chance = share ** outcomes.sum(1) * (1 - share) ** (12 - outcomes.sum(1))
        if expected is not None:
            assert chance @ final == pytest.approx(expected, abs=1e-9)
        assert chance @ final <= 1 + 1e-9


def test_long_seasons_of_errors_stay_finite_and_no_audits_are_no_evidence() -> None:
    assert np.isfinite(evidence_path(np.ones(5000, bool), 0.02)).all()
    assert watch([], 0.05) == (0, 0, 1.0, 1.0, None)
    with pytest.raises(CalibrationError):
        watch([1], 0.0)
    with pytest.raises(CalibrationError):
        watch([2], 0.05)
    with pytest.raises(CalibrationError):
        watch([1], 0.05, false_alarm=0)
