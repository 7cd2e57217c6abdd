"""Scores on the tree of taxa, and costs."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.errors import MetricError
from tickvision.evaluation.hierarchy import (
    REFER,
    ancestors,
    cheapest_action,
    expected_cost,
    hierarchical_scores,
    mistake_severity,
    node_heights,
)

# 0 root; genera 1, 2; species 3, 4 under 1; 5 under 2.
TREE = [-1, 0, 0, 1, 1, 2]


def test_ancestors_reach_the_root() -> None:
    assert ancestors(TREE)[3].tolist() == [True, True, False, True, False, False]
    with pytest.raises(MetricError):
        ancestors([1, 0])
    with pytest.raises(MetricError):
        ancestors([-1, 7])


def test_hierarchical_scores_count_shared_ancestors_without_the_root() -> None:
    # right species 2/2; sister species 1/2; genus of the truth 1 said, 1 shared, 2 true; other genus 0.
    scores = hierarchical_scores([3, 3, 3, 3, -1], [3, 4, 1, 5, 0], TREE)
    assert scores.precision == pytest.approx((2 + 1 + 1 + 0) / (2 + 2 + 1 + 2))
    assert scores.recall == pytest.approx(4 / 8)
    assert scores.f1 == pytest.approx(2 * 4 / (7 + 8))
    assert np.isnan(hierarchical_scores([-1], [3], TREE)).all()


def test_a_flat_tree_gives_accuracy() -> None:
    rng = np.random.default_rng(0)
    target, pred = rng.integers(1, 6, 200), rng.integers(1, 6, 200)
    scores = hierarchical_scores(target, pred, [-1, 0, 0, 0, 0, 0])
    assert scores == pytest.approx([np.mean(target == pred)] * 3)


def test_severity_is_the_mean_height_of_the_common_ancestor_over_mistakes() -> None:
    assert node_heights(TREE).tolist() == [2, 1, 1, 0, 0, 0]
    assert mistake_severity([3, 3, 3, 3], [3, 4, 5, 1], TREE) == pytest.approx((1 + 2) / 2)  # genus is no mistake
    assert np.isnan(mistake_severity([3], [3], TREE))
    assert mistake_severity([0], [1], [-1, -1]) == 1.0


def test_with_plain_costs_one_answers_where_the_doubt_is_below_the_price() -> None:
    probs = np.array([[0.9, 0.1], [0.6, 0.4], [0.8, 0.2]])
    cost = 1 - np.eye(2)
    action, price = cheapest_action(probs, cost, referral_price=0.2)
    assert action.tolist() == [0, REFER, 0]
    assert price == pytest.approx([0.1, 0.2, 0.2])
    assert cheapest_action(probs, cost)[0].tolist() == [0, 0, 0]
    costly = np.array([[0.0, 1.0], [20.0, 0.0]])  # missing class 1 is dear
    assert cheapest_action(probs, costly)[0].tolist() == [1, 1, 1]


def test_the_cost_paid_counts_referrals_at_their_price() -> None:
    cost = [[0.0, 1.0], [20.0, 0.0]]
    assert expected_cost([0, 1, 1, -1], [0, 0, REFER, 1], cost, 0.5) == pytest.approx((0 + 20 + 0.5) / 3)
    assert np.isnan(expected_cost([-1], [0], cost, 0.5))
    with pytest.raises(MetricError):
        expected_cost([0], [2], cost, 0.5)
    with pytest.raises(MetricError):
        cheapest_action([[0.5, 0.5]], [[1.0, 0.0]])
