"""Certificates: the exact numbers, the walk, and what a refusal says."""

from __future__ import annotations

import inspect
import json
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_benches import bench, walk_by_hand
from scipy.stats import beta, binom

from tickvision.evaluation.abstention import Certificate, certify, n_min, start_rank
from tickvision.evaluation.intervals import clopper_pearson_upper
from tickvision.evaluation.selective import risk_coverage

# least n with (1 - share)^n <= failure rate: Wilks 1941, one-sided and of the first order (59 and 299 from memory); the
# others are ceil(ln(failure rate) / ln(1 - share)), which one may work out by hand
N_MIN_TABLE = {
    0.05: {0.01: 299, 0.02: 149, 0.05: 59, 0.10: 29, 0.20: 14},
    0.10: {0.01: 230, 0.02: 114, 0.05: 45, 0.10: 22, 0.20: 11},
}


def test_n_min_equals_the_table_of_error_free_samples() -> None:
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


@pytest.mark.parametrize("decimals", [2, 6])
@pytest.mark.parametrize("seed", range(6))
def test_certify_equals_the_rule_written_out(seed: int, decimals: int) -> None:
    for n, target in ((80, 0.05), (250, 0.05), (900, 0.05), (900, 0.10), (400, 0.02)):
        confidence, correct = bench(seed, n)
        confidence = np.round(confidence, decimals)
        found = certify(confidence, correct, target, 0.05)
        assert found.threshold == walk_by_hand(confidence, correct, target, 0.05)
        if found.threshold is not None:
            answered = confidence >= found.threshold
            assert (found.answered, found.errors) == (answered.sum(), (answered & ~correct).sum())
            assert found.best_bound <= target


def test_certify_equals_mapie_given_the_same_start() -> None:
    # MAPIE 1.6 rounds n * (1 - precision) up, so a product like 3.0000000000000004 counts one error too many there:
    # its threshold may be stricter, but only if it stopped at such a cut.
    from mapie.risk_control import BinaryClassificationController

    equal = 0
    for seed in range(12):
        confidence, correct = bench(seed, 1200)
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
    hopeless = certify(*bench(0, 1000, worst=0.2), 0.02, 0.05)
    assert hopeless.threshold is None
    assert hopeless.needed > 0
    # n_min(2) = 313 is more than n / 4 = 250: so many ranks are looked at first, and the wrong ones counted by hand
    confidence, correct = bench(0, 1000, worst=0.2)
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


def test_a_certificate_survives_json_and_prints_its_promise() -> None:
    found = certify(np.linspace(0.5, 1, 600), np.ones(600, bool), 0.05, 0.05)
    assert Certificate.from_dict(json.loads(json.dumps(found.to_dict()))) == found
    assert "at most 0.05 of the answers given are wrong" in found.statement()
    assert "600 specimens, 0 errors among 600 answered" in found.statement()


def test_the_contract_of_certify_stands() -> None:
    assert list(inspect.signature(certify).parameters) == ["confidence", "correct", "max_error", "failure_rate"]
    fields = list(Certificate.__dataclass_fields__)
    assert fields[:5] == ["threshold", "n", "answered", "errors", "needed"]


def test_a_refusal_says_whether_more_specimens_would_mend_it() -> None:
    hopeless = certify(np.linspace(0, 1, 400), np.zeros(400, bool), 0.05, 0.05)
    assert hopeless.more_helps is False
    few = certify(np.linspace(0, 1, 20), np.ones(20, bool), 0.05, 0.05)
    assert few.more_helps is True
    some = certify(np.linspace(0, 1, 400), np.arange(400) % 50 > 0, 0.03, 0.05)
    assert (some.is_certified, some.more_helps) == (False, True)
