"""Certificates of several rungs, targets or classes: what each sees, and how the failure rate is shared."""

from __future__ import annotations

import numpy as np
import pytest
from made_benches import bench, ladder_bench

from tickvision.errors import CalibrationError
from tickvision.evaluation.abstention import certify, certify_classes, certify_ladder, certify_targets, per_class_view
from tickvision.evaluation.intervals import clopper_pearson_upper


def test_each_rung_of_the_ladder_is_certified_on_what_the_rungs_above_left() -> None:
    confidence, correct, available = ladder_bench(0, 1500)
    first, second = certify_ladder(confidence, correct, available, [0.05, 0.05], 0.05)
    assert first == certify(confidence[:, 0], correct[:, 0], 0.05, 0.025)
    assert first.threshold is not None
    below = np.sort(confidence[confidence[:, 0] < first.threshold, 0])[::-1]
    left = confidence[:, 0] < below[0]  # the row that stopped the walk is skipped
    assert second == certify(confidence[left, 1], correct[left, 1], 0.05, 0.025)
    assert second.n == 1500 - first.answered - 1


def test_a_whole_ladder_breaks_its_promise_rarely() -> None:
    population, right, _ = ladder_bench(10_000, 300_000)
    broken = 0
    for seed in range(300):
        left = np.ones(len(population), bool)
        fails = False
        for r, c in enumerate(certify_ladder(*ladder_bench(seed, 600), [0.05, 0.05], 0.05)):
            if c.threshold is not None:
                answered = left & (population[:, r] >= c.threshold)
                fails |= bool(answered.any() and (~right[answered, r]).mean() > 0.05)
                left &= ~answered
        broken += fails
    assert broken / 300 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_rungs_that_are_not_offered_take_no_failure_rate_and_open_labels_count_as_wrong() -> None:
    confidence, correct, available = ladder_bench(1, 800)
    available[:, 0] = False
    first, second = certify_ladder(confidence, correct, available, 0.05, 0.05)
    assert (first.threshold, first.n, first.answered, first.errors) == (None, 0, 0, 0)
    assert first.reason == "no calibration specimen reaches this rung."
    assert (first.needed, first.best_bound, first.max_error, first.failure_rate) == (59, 1.0, 0.05, 0.05)
    assert second == certify(confidence[:, 1], correct[:, 1], 0.05, 0.05)
    some = np.ones((800, 2), bool)
    some[:300, 0] = False
    first, _ = certify_ladder(confidence, correct, some, 0.05, 0.05)
    assert first == certify(confidence[300:, 0], correct[300:, 0], 0.05, 0.025)


def test_a_refused_rung_leaves_all_its_specimens_to_the_next() -> None:
    confidence, correct, available = ladder_bench(2, 800)
    correct[:, 0] = False
    first, second = certify_ladder(confidence, correct, available, 0.05, 0.05)
    assert first.threshold is None
    assert second.n == 800


def test_several_targets_share_the_failure_rate() -> None:
    confidence, correct = bench(3, 2000)
    found = certify_targets(confidence, correct, (0.02, 0.05, 0.10), 0.06)
    assert found == [certify(confidence, correct, t, 0.02) for t in (0.02, 0.05, 0.10)]
    by_default = [certify(confidence, correct, t, 0.05 / 3) for t in (0.02, 0.05, 0.10)]
    assert certify_targets(confidence, correct) == by_default


def test_rare_classes_get_no_certificate_of_their_own() -> None:
    confidence, correct = np.linspace(0.5, 1, 330), np.ones(330, bool)
    predicted = np.r_[np.zeros(300, int), np.full(30, 4)]
    found = certify_classes(confidence, correct, predicted, 0.05, 0.05)
    assert found[0].is_certified
    assert found[0].failure_rate == 0.025
    assert not found[4].is_certified
    assert certify_classes(confidence, correct, np.full(330, 2), 0.05, 0.05) == {
        2: certify(confidence, correct, 0.05, 0.05)
    }
    assert certify_classes([], [], [], 0.05, 0.05) == {}


def test_the_per_class_view_shows_what_the_pooled_promise_hides() -> None:
    predicted = np.r_[np.zeros(500, int), np.ones(20, int), np.full(10, 2), [3]]
    correct = np.ones(531, bool)
    correct[500:508] = False  # the rare class is wrong in 8 of 20
    answered = np.r_[np.ones(530, bool), [False]]
    view = per_class_view(predicted, answered, correct, 0.05, max_error=0.05, n_classes=5)
    assert [(v.answered, v.errors, v.standing) for v in view] == [
        (500, 0, "alone"),
        (20, 8, "never"),
        (10, 0, "pooled"),
        (0, 0, "never"),
        (0, 0, "never"),
    ]
    assert view[1].bound == pytest.approx(clopper_pearson_upper(8, 20, 0.99))
    assert view[3].bound == 1.0
    with pytest.raises(CalibrationError):
        per_class_view([0, 7], [1, 1], [1, 1], 0.05, n_classes=5)
