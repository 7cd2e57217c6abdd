"""Risk against coverage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.errors import MetricError
from tickvision.evaluation.metrics import auroc
from tickvision.evaluation.selective import augrc, aurc, coverage_at_risk, e_aurc, risk_at_coverage


def _scores(seed: int, n: int = 400) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    confidence = rng.random(n)
    return confidence, rng.random(n) > confidence


@pytest.mark.parametrize("seed", range(3))
def test_without_ties_the_areas_equal_their_definitions(seed: int) -> None:
    confidence, wrong = _scores(seed)
    errors, k = np.cumsum(wrong[np.argsort(-confidence)]), np.arange(1, 401)
    assert aurc(confidence, wrong) == pytest.approx(np.mean(errors / k), abs=1e-12)
    assert augrc(confidence, wrong) == pytest.approx(np.mean(errors / 400), abs=1e-12)


def test_augrc_equals_its_closed_form_from_the_auroc_of_failures() -> None:
    confidence, wrong = _scores(7)
    acc = 1 - wrong.mean()
    closed = (1 - auroc(confidence, ~wrong)) * acc * (1 - acc) + (1 - acc) ** 2 / 2
    assert augrc(confidence, wrong) == pytest.approx(closed + (1 - acc) / (2 * 400), abs=1e-12)


def test_the_best_ordering_has_no_excess_area() -> None:
    wrong = np.arange(50) >= 40
    assert e_aurc(-np.arange(50.0), wrong) == pytest.approx(0, abs=1e-12)
    assert e_aurc(np.arange(50.0), wrong) > 0.3


def test_a_tie_group_is_accepted_whole() -> None:
    confidence, wrong = [0.9, 0.8, 0.8, 0.8, 0.1], [0, 1, 0, 0, 1]
    assert risk_at_coverage(confidence, wrong, 0.2) == 0.0
    assert risk_at_coverage(confidence, wrong, 0.4) == 0.25
    assert aurc(confidence, wrong) == pytest.approx((0 + 3 * 0.25 + 0.4) / 5)
    assert augrc(confidence, wrong) == pytest.approx((0 + 3 * 0.2 + 0.4) / 5)
    assert coverage_at_risk(confidence, wrong, 0.1) == pytest.approx(0.2)
    assert coverage_at_risk(confidence, wrong, 0.25) == pytest.approx(0.8)


def test_the_last_group_that_keeps_the_risk_counts_even_after_a_worse_one() -> None:
    assert coverage_at_risk([0.9, 0.8, 0.7, 0.6], [1, 0, 0, 0], 0.25) == 1.0
    assert coverage_at_risk([0.9, 0.8], [1, 1], 0.5) == 0.0


def test_no_rows_are_no_data_and_an_impossible_risk_is_refused() -> None:
    assert np.isnan(e_aurc([], []))
    assert np.isnan(coverage_at_risk([], [], 0.1))
    for risk in (-0.1, 1.1):
        with pytest.raises(MetricError, match=f"risk: found {risk}; expected 0 to 1"):
            coverage_at_risk([0.5], [0], risk)


def test_a_coverage_that_is_a_whole_number_of_rows_is_not_rounded_up() -> None:
    confidence, wrong = -np.arange(100.0), np.arange(100) == 7
    assert risk_at_coverage(confidence, wrong, 0.07) == 0.0  # 0.07 * 100 is 7.000000000000001


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 5), st.booleans()), min_size=1, max_size=40), st.randoms())
def test_ties_make_no_number_depend_on_the_order_of_rows(rows: list[tuple[int, bool]], random: object) -> None:
    shuffled = rows.copy()
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    for number in (aurc, augrc, e_aurc, lambda c, w: risk_at_coverage(c, w, 0.5)):
        first = number(*map(list, zip(*rows, strict=True)))
        assert first == pytest.approx(number(*map(list, zip(*shuffled, strict=True))))
