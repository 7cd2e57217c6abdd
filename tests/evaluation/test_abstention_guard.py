"""The second promise on a threshold, that of costly misses."""

from __future__ import annotations

import numpy as np
import pytest
from made_benches import bench, walk_by_hand

from tickvision.evaluation.abstention import Guard, certify, certify_ladder, costly_misses
from tickvision.evaluation.intervals import clopper_pearson_upper
from tickvision.evaluation.promises import Certificate


def test_a_guard_is_a_second_promise_that_every_cut_must_keep() -> None:
    certified = stricter = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        confidence, correct = bench(seed, 900)
        confidence = np.round(confidence, 2)
        exposed = rng.random(900) < 0.5
        missed = rng.random(900) < np.where(confidence < 0.99, 0.1, 0.001)
        guard = Guard(exposed, missed, 0.03)
        (found,) = certify_ladder(confidence[:, None], correct[:, None], np.ones((900, 1)), 0.05, 0.05, [guard])
        assert found.threshold == walk_by_hand(confidence, correct, 0.05, 0.05, guard)
        plain = certify(confidence, correct, 0.05, 0.05)
        certified += found.is_certified
        stricter += found.answered < plain.answered
    assert certified >= 3
    assert stricter >= 3
    # nothing exposed: there is nothing to promise anything about; None: no guard
    unseen = Guard(np.zeros(900, bool), np.zeros(900, bool), 0.03)
    rungs = [np.repeat(a[:, None], 2, axis=1) for a in (confidence, correct, np.ones(900))]
    guarded, free = certify_ladder(*rungs, 0.05, 0.1, [unseen, None])
    assert guarded.threshold is None
    assert free == certify(confidence, correct, 0.05, 0.05)


def test_the_guard_of_a_rung_sees_the_rows_of_that_rung_only() -> None:
    confidence, correct = np.linspace(1, 0.5, 400), np.ones(400, bool)
    offered = np.arange(400) >= 100
    guard = Guard(np.ones(400, bool), np.arange(400) < 100, 0.05)  # what is missed is not offered
    (found,) = certify_ladder(confidence[:, None], correct[:, None], offered[:, None], 0.05, 0.05, [guard])
    assert found.answered == 300


def test_a_guard_counts_to_the_last_answer() -> None:
    # 59 without a miss are the least that promise 5 % (.95 ^ 59 = .0485): one miss, or one case fewer, promises nothing
    confidence, all_of_them = np.linspace(1, 0.5, 59)[:, None], np.ones(59, bool)
    last = np.arange(59) == 58

    def answered(exposed: np.ndarray, missed: np.ndarray, max_missed: float) -> int:
        guard = Guard(exposed, missed, max_missed)
        (found,) = certify_ladder(confidence, np.ones((59, 1)), np.ones((59, 1)), 0.05, 0.05, [guard])
        return found.answered

    assert answered(all_of_them, ~all_of_them, 0.05) == 59
    assert answered(all_of_them, last, 0.05) == 0
    assert answered(~last, ~all_of_them, 0.05) == 0
    # a single exposed case: .1 ^ 1 is too much, .03 ^ 1 is not
    assert answered(last, ~all_of_them, 0.9) == 0
    assert answered(last, ~all_of_them, 0.97) == 59


def test_a_rung_refused_for_its_guard_alone_says_so_and_what_would_mend_it() -> None:
    confidence, right, every = np.linspace(1, 0.5, 400)[:, None], np.ones((400, 1)), np.ones(400, bool)

    def refused(exposed: np.ndarray, missed: np.ndarray, max_missed: float, times: int = 1) -> Certificate:
        # np.repeat: the same shares at every cut
        rows = np.repeat(confidence, times, axis=0), np.ones((400 * times, 1)), np.ones((400 * times, 1))
        guard = Guard(np.repeat(exposed, times), np.repeat(missed, times), max_missed)
        return certify_ladder(*rows, 0.05, 0.05, [guard])[0]

    few = refused(every, ~every, 0.01)
    assert "0 costly misses among 124 named as something else, of the 124 most confident of 400" in few.reason
    assert (few.threshold, few.more_helps) == (None, True)
    # 299 without a miss are the least that promise 1 %, and the walk starts at a quarter
    assert 4 * 299 - 400 - 30 <= few.needed <= 4 * 299 - 400 + 30
    assert refused(every, ~every, 0.01, 3).is_certified
    many = refused(every, np.arange(400) < 20, 0.05)
    assert "20 costly misses among 124" in many.reason
    assert "more specimens alone will not help" in many.reason
    assert not many.more_helps
    none = refused(np.arange(400) > 300, ~every, 0.05)
    assert "0 costly misses among 0 named as something else" in none.reason
    assert (none.more_helps, none.needed) == (False, 59)
    # where the names themselves are too often wrong, that is the reason
    guard = Guard(every, every, 0.05)
    (wrong,) = certify_ladder(confidence, 0 * right, right, 0.05, 0.05, [guard])
    assert "124 errors among the 124 most confident" in wrong.reason


def test_costly_misses_count_listed_specimens_named_as_something_unlisted() -> None:
    target = [0, 0, 1, 2, 2, -1, 0]
    predicted = [0, 2, 2, 2, 0, 2, 2]
    answered = [1, 1, 1, 1, 1, 1, 0]
    found = costly_misses(target, predicted, answered, {0, 1}, 0.05)
    assert (found.named_unlisted, found.misses) == (4, 3)  # the unknown one counts: nothing clears it
    assert found.bound == pytest.approx(clopper_pearson_upper(3, 4, 0.95))
    assert np.isnan(costly_misses([0], [0], [1], {0}, 0.05).share)
