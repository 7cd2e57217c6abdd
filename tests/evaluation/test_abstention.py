"""Certificates: the exact numbers, the traps, and a small simulation of the promise itself."""

from __future__ import annotations

import inspect
import json
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import beta, binom

from tickvision.errors import CalibrationError
from tickvision.evaluation.abstention import (
    Certificate,
    Guard,
    certify,
    certify_classes,
    certify_ladder,
    certify_targets,
    costly_misses,
    n_min,
    per_class_view,
    start_rank,
)
from tickvision.evaluation.intervals import clopper_pearson_upper
from tickvision.evaluation.selective import risk_coverage

# statistics notes, section 6: error-free answered units that a target needs.
N_MIN_TABLE = {
    0.05: {0.01: 299, 0.02: 149, 0.05: 59, 0.10: 29, 0.20: 14},
    0.10: {0.01: 230, 0.02: 114, 0.05: 45, 0.10: 22, 0.20: 11},
}


def _bench(seed: int, n: int, worst: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Confidence and correctness of n specimens; worst = share confidently wrong whatever the confidence."""
    rng = np.random.default_rng(seed)
    u = rng.normal(2.2, 2.5, n)
    correct = (rng.random(n) < expit(u)) & (rng.random(n) >= worst)
    return expit(1.5 * (u + 0.75 * rng.standard_normal(n))), correct


def test_n_min_equals_the_published_table() -> None:
    for failure_rate, row in N_MIN_TABLE.items():
        assert {a: n_min(0, a, failure_rate) for a in row} == row
    assert (n_min(1, 0.02, 0.05), n_min(2, 0.02, 0.05)) == (236, 313)


@settings(deadline=None)
@given(st.integers(0, 30), st.floats(0.005, 0.5), st.floats(0.001, 0.5))
def test_n_min_is_the_least_number_that_passes(errors: int, max_error: float, failure_rate: float) -> None:
    least = n_min(errors, max_error, failure_rate)
    assert binom.cdf(errors, least, max_error) <= failure_rate + 1e-12
    assert binom.cdf(errors, least - 1, max_error) > failure_rate - 1e-12


def test_the_walk_starts_where_the_rule_says() -> None:
    assert start_rank(148, 0.02, 0.05) is None
    assert start_rank(149, 0.02, 0.05) == 149
    assert start_rank(312, 0.02, 0.05) == 149
    assert start_rank(313, 0.02, 0.05) == 313
    assert start_rank(4000, 0.02, 0.05) == 1000


def _walk_by_hand(
    confidence: np.ndarray, correct: np.ndarray, a: float, d: float, guard: Guard | None = None
) -> float | None:
    """The rule with every cut tested one after another by scipy's binomial."""
    start = start_rank(len(confidence), a, d)
    best = None
    for cut in np.unique(confidence)[::-1]:
        answered = confidence >= cut
        if start is None or answered.sum() < start:
            continue
        if binom.cdf((answered & ~correct).sum(), answered.sum(), a) > d:
            break
        if guard is not None:
            exposed = answered & guard.exposed
            if not exposed.any() or binom.cdf((exposed & guard.missed).sum(), exposed.sum(), guard.max_missed) > d:
                break
        best = float(cut)
    return best


@pytest.mark.parametrize("decimals", [2, 6])
@pytest.mark.parametrize("seed", range(6))
def test_certify_equals_the_rule_written_out(seed: int, decimals: int) -> None:
    for n, target in ((80, 0.05), (250, 0.05), (900, 0.05), (900, 0.10), (400, 0.02)):
        confidence, correct = _bench(seed, n)
        confidence = np.round(confidence, decimals)
        found = certify(confidence, correct, target, 0.05)
        assert found.threshold == _walk_by_hand(confidence, correct, target, 0.05)
        if found.threshold is not None:
            answered = confidence >= found.threshold
            assert (found.answered, found.errors) == (answered.sum(), (answered & ~correct).sum())
            assert found.best_bound <= target


def test_a_guard_is_a_second_promise_that_every_cut_must_keep() -> None:
    certified = stricter = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        confidence, correct = _bench(seed, 900)
        confidence = np.round(confidence, 2)
        exposed = rng.random(900) < 0.5
        missed = rng.random(900) < np.where(confidence < 0.99, 0.1, 0.001)
        guard = Guard(exposed, missed, 0.03)
        (found,) = certify_ladder(confidence[:, None], correct[:, None], np.ones((900, 1)), 0.05, 0.05, [guard])
        assert found.threshold == _walk_by_hand(confidence, correct, 0.05, 0.05, guard)
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


def test_certify_equals_mapie_given_the_same_start() -> None:
    # MAPIE 1.6 rounds n * (1 - precision) up, so a product like 3.0000000000000004 counts one error too many there:
    # its threshold may be stricter, but only if it stopped at such a cut.
    from mapie.risk_control import BinaryClassificationController

    equal = 0
    for seed in range(12):
        confidence, correct = _bench(seed, 1200)
        confidence = np.round(confidence, 3)
        curve = risk_coverage(confidence, ~correct)
        first = int(np.searchsorted(curve.accepted, start_rank(1200, 0.05, 0.05) or 0))
        accepted, errors, cuts = (part[first:] for part in curve)
        controller = BinaryClassificationController(
            lambda x: np.stack([1 - x[:, 0], x[:, 0]], axis=1),
            "precision",
            0.95,
            confidence_level=0.95,
            list_predict_params=cuts,
            fwer_method="fixed_sequence",
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # the observed risk wobbles; the order is fixed all the same
            controller.calibrate(confidence[:, None], correct.astype(int))
        valid = len(controller.valid_predict_params)
        found = certify(confidence, correct, 0.05, 0.05)
        reference = None if valid == 0 else float(cuts[valid - 1])
        if found.threshold == reference:
            equal += found.is_certified
        else:
            rounded = np.ceil(accepted * (1 - (accepted - errors) / accepted))
            assert rounded[valid] == errors[valid] + 1
            assert found.answered > (accepted[valid - 1] if valid else 0)
    assert equal >= 8


def test_equal_confidences_are_answered_together_or_not_at_all() -> None:
    # 59 right at .9; the group at .8 holds an error whichever row comes first.
    confidence = np.r_[np.full(59, 0.9), np.full(3, 0.8)]
    correct = np.r_[np.ones(59, bool), [True, True, False]]
    found = certify(confidence, correct, 0.05, 0.05)
    assert (found.threshold, found.answered, found.errors) == (0.9, 59, 0)
    # The start falls inside a group: the whole group is the first cut, and it fails.
    tied = certify(np.full(62, 0.9), correct, 0.05, 0.05)
    assert tied.threshold is None
    assert certify(np.full(62, 0.9), np.ones(62, bool), 0.05, 0.05).answered == 62


def test_a_refusal_says_why_how_far_it_came_and_how_many_more_it_takes() -> None:
    few = certify(np.linspace(0.5, 1, 100), np.ones(100, bool), 0.02, 0.05)
    assert (few.threshold, few.n, few.answered, few.errors, few.needed) == (None, 100, 0, 0, 49)
    assert few.reason == "100 specimens; 149 answered without an error are the least for any promise of this target."
    assert (few.max_error, few.failure_rate) == (0.02, 0.05)
    assert few.best_bound == pytest.approx(clopper_pearson_upper(0, 100, 0.95))
    hopeless = certify(*_bench(0, 1000, worst=0.2), 0.02, 0.05)
    assert hopeless.threshold is None
    assert hopeless.needed > 0
    # 250 = n / 4 ranks are looked at first; of these the wrong ones are counted by hand
    confidence, correct = _bench(0, 1000, worst=0.2)
    first = ~correct[np.argsort(-confidence)[:313]]
    assert hopeless.reason == (
        f"{first.sum()} errors among the 313 most confident of 1,000 specimens, too many for a promise; the error "
        f"share there is not below the target, so more specimens alone will not help ({hopeless.needed:,} more "
        "answered without an error would)."
    )
    assert hopeless.needed == n_min(int(first.sum()), 0.02, 0.05) - 313
    tied = certify(np.full(62, 0.9), np.zeros(62, bool), 0.05, 0.05)
    assert tied.best_bound == 1.0  # all wrong
    assert hopeless.best_bound > 0.02
    assert "No promise" in hopeless.statement()


def test_the_best_bound_is_found_among_many_errors() -> None:
    # 4,100 errors, the share of them lowest in the middle: every cut by scipy's beta distribution beside the search
    wrong = np.r_[np.tile([True] * 3 + [False] * 2, 400), np.tile([True] + [False] * 9, 900), np.ones(2000, bool)]
    found = certify(np.linspace(1, 0, len(wrong)), ~wrong, 0.05, 0.05)
    z, k = np.arange(1, len(wrong) + 1), np.cumsum(wrong)
    start = start_rank(len(wrong), 0.05, 0.05) or 0
    assert found.best_bound == pytest.approx(beta.ppf(0.95, k + 1, z - k)[start - 1 :].min(), abs=1e-3)


def test_as_many_more_specimens_as_were_asked_for_do_certify() -> None:
    correct = np.ones(1000, bool)
    correct[[10, 80, 120, 200, 300]] = False  # 5 errors in the first 313: share .016, below the target
    confidence = np.linspace(1, 0.5, 1000)
    refused = certify(confidence, correct, 0.02, 0.05)
    assert refused.threshold is None
    assert refused.reason == (
        "5 errors among the 313 most confident of 1,000 specimens, too many for a promise; at these error shares about "
        f"{refused.needed:,} more specimens would do."
    )
    times = int(np.ceil((refused.n + refused.needed) / refused.n))
    again = certify(np.tile(confidence, times), np.tile(correct, times), 0.02, 0.05)
    assert again.is_certified


def test_empty_broken_or_unequal_input_is_refused() -> None:
    for call in (
        lambda: certify([], [], 0.05, 0.05),
        lambda: certify([0.5, np.nan], [1, 1], 0.05, 0.05),
        lambda: certify([0.5, np.inf], [1, 1], 0.05, 0.05),
        lambda: certify([0.5], [1, 1], 0.05, 0.05),
        lambda: certify([0.5], [2], 0.05, 0.05),
        lambda: certify([0.5], [1], 0.0, 0.05),
        lambda: certify([0.5], [1], 0.05, 1.0),
        lambda: certify([0.5], [1], 5, 0.05),
        lambda: n_min(-1, 0.05, 0.05),
        lambda: certify_ladder(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2)), 0.05, 0.05),
        lambda: certify_ladder(np.zeros((3, 2)), np.zeros((3, 1)), np.ones((3, 2)), 0.05, 0.05),
        lambda: certify_ladder(np.full((3, 1), np.nan), np.zeros((3, 1)), np.ones((3, 1)), 0.05, 0.05),
    ):
        with pytest.raises(CalibrationError):
            call()


def test_a_refusal_names_the_argument_that_is_wrong() -> None:
    two = np.zeros((3, 2))
    for call, said in (
        (
            lambda: certify([], [], 0.05, 0.05),
            "confidence: the calibration set is empty; expected one row per specimen.",
        ),
        (lambda: certify([np.nan], [1], 0.05, 0.05), "confidence: 1 of 1 values are NaN or infinite"),
        (lambda: certify([0.5], [2], 0.05, 0.05), "correct: found values other than 0 and 1"),
        (lambda: certify([0.5], [1, 1], 0.05, 0.05), "row counts differ: confidence 1, correct 2"),
        (lambda: certify([0.5], [1], 0, 0.05), "max_error: found 0; expected a share between 0 and 1, as 0.05."),
        (lambda: certify([0.5], [1], 1, 0.05), "max_error: found 1; expected a share between 0 and 1, as 0.05."),
        (lambda: certify([0.5], [1], 0.05, 0), "failure_rate: found 0; expected a share between 0 and 1, as 0.05."),
        (lambda: certify([0.5], [1], 0.05, 1), "failure_rate: found 1; expected a share between 0 and 1, as 0.05."),
        (lambda: n_min(-1, 0.05, 0.05), "errors: found -1; expected 0 or more."),
        (lambda: n_min(1, 5, 0.05), "max_error: found 5"),
        (lambda: n_min(1, 0.05, 5), "failure_rate: found 5"),
        (
            lambda: certify_classes([0.5], [1], [0, 1], 0.05, 0.05),
            "row counts differ: confidence 1, correct 1, predicted 2",
        ),
        (
            lambda: certify_ladder(two, two, np.ones((3, 1)), 0.05, 0.05),
            "ladder: found shapes (3, 2), (3, 2), (3, 1); expected equal.",
        ),
        (
            lambda: certify_ladder(two[:0], two[:0], two[:0], 0.05, 0.05),
            "ladder: the calibration set is empty; expected one row per specimen.",
        ),
        (
            lambda: certify_ladder(np.full((3, 1), np.nan), np.zeros((3, 1)), np.ones((3, 1)), 0.05, 0.05),
            "confidence: NaN or infinite where a rung is available; expected finite numbers.",
        ),
        (lambda: certify_ladder(two, two, np.ones((3, 2)), [0.05, 5], 0.05), "max_error: found 5.0"),
    ):
        with pytest.raises(CalibrationError) as refusal:
            call()
        assert str(refusal.value).startswith(said)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(60, 600), st.sampled_from([0.02, 0.05, 0.1]))
def test_a_certificate_does_not_depend_on_row_order_or_on_a_rising_change_of_scale(
    seed: int, n: int, target: float
) -> None:
    confidence, correct = _bench(seed, n)
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
    confidence, correct = _bench(seed, n)
    # From n = 4 n_min(2) of the strictest target on, all targets start at n / 4.
    targets = [t for t in (0.02, 0.05, 0.1, 0.2) if 4 * n_min(2, t, 0.05) <= n]
    answered = [certify(confidence, correct, t, 0.05).answered for t in targets]
    assert answered == sorted(answered)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(60, 500))
def test_one_more_error_never_makes_a_certificate_laxer(seed: int, n: int) -> None:
    confidence, correct = _bench(seed, n)
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
    population, right = _bench(10_000, 400_000, worst)
    order = np.argsort(-population)
    ranked, risk = -population[order], np.cumsum(~right[order]) / np.arange(1, len(order) + 1)

    def breaks(threshold: float | None) -> bool:
        if threshold is None:
            return False
        return bool(risk[max(int(np.searchsorted(ranked, -threshold, side="right")), 1) - 1] > 0.05)

    draws = [_bench(seed, n, worst) for seed in range(400)]
    allowed = 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    assert np.mean([breaks(certify(c, r, 0.05, 0.05).threshold) for c, r in draws]) <= allowed
    assert np.mean([breaks(_naive(c, r, 0.05)) for c, r in draws]) > 3 * allowed


def _ladder_bench(seed: int, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two nested rungs: wrong at the general one is wrong at the specific one."""
    rng = np.random.default_rng(seed)
    u = rng.normal(1.0, 2.5, n)
    draw = rng.random(n)
    correct = np.stack([draw < expit(u), draw < expit(u + 2.5)], axis=1)
    noise = 0.5 * rng.standard_normal((n, 2))
    return expit(u[:, None] + [0, 2.5] + noise), correct, np.ones((n, 2), bool)


def test_each_rung_of_the_ladder_is_certified_on_what_the_rungs_above_left() -> None:
    confidence, correct, available = _ladder_bench(0, 1500)
    first, second = certify_ladder(confidence, correct, available, [0.05, 0.05], 0.05)
    assert first == certify(confidence[:, 0], correct[:, 0], 0.05, 0.025)
    assert first.threshold is not None
    below = np.sort(confidence[confidence[:, 0] < first.threshold, 0])[::-1]
    left = confidence[:, 0] < below[0]  # the row that stopped the walk is skipped
    assert second == certify(confidence[left, 1], correct[left, 1], 0.05, 0.025)
    assert second.n == 1500 - first.answered - 1


def test_a_whole_ladder_breaks_its_promise_rarely() -> None:
    population, right, _ = _ladder_bench(10_000, 300_000)
    broken = 0
    for seed in range(300):
        left = np.ones(len(population), bool)
        fails = False
        for r, c in enumerate(certify_ladder(*_ladder_bench(seed, 600), [0.05, 0.05], 0.05)):
            if c.threshold is not None:
                answered = left & (population[:, r] >= c.threshold)
                fails |= bool(answered.any() and (~right[answered, r]).mean() > 0.05)
                left &= ~answered
        broken += fails
    assert broken / 300 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_rungs_that_are_not_offered_take_no_failure_rate_and_open_labels_count_as_wrong() -> None:
    confidence, correct, available = _ladder_bench(1, 800)
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
    confidence, correct, available = _ladder_bench(2, 800)
    correct[:, 0] = False
    first, second = certify_ladder(confidence, correct, available, 0.05, 0.05)
    assert first.threshold is None
    assert second.n == 800


def test_several_targets_share_the_failure_rate() -> None:
    confidence, correct = _bench(3, 2000)
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


def test_costly_misses_count_listed_specimens_named_as_something_unlisted() -> None:
    target = [0, 0, 1, 2, 2, -1, 0]
    predicted = [0, 2, 2, 2, 0, 2, 2]
    answered = [1, 1, 1, 1, 1, 1, 0]
    found = costly_misses(target, predicted, answered, {0, 1}, 0.05)
    assert (found.named_unlisted, found.misses) == (4, 3)  # the unknown one counts: nothing clears it
    assert found.bound == pytest.approx(clopper_pearson_upper(3, 4, 0.95))
    assert np.isnan(costly_misses([0], [0], [1], {0}, 0.05).share)


def test_a_certificate_survives_json_and_prints_its_promise() -> None:
    found = certify(np.linspace(0.5, 1, 600), np.ones(600, bool), 0.05, 0.05)
    assert Certificate.from_dict(json.loads(json.dumps(found.to_dict()))) == found
    assert "at most 0.05 of the answers given are wrong" in found.statement()
    assert "600 specimens, 0 errors among 600 answered" in found.statement()


def test_the_contract_of_certify_stands() -> None:
    assert list(inspect.signature(certify).parameters) == ["confidence", "correct", "max_error", "failure_rate"]
    fields = list(Certificate.__dataclass_fields__)
    assert fields[:5] == ["threshold", "n", "answered", "errors", "needed"]
