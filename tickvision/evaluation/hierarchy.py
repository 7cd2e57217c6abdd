"""How far off a wrong name is: scores on the tree of taxa, and what a decision costs.

The tree is parents (V,): the parent's number of each node, -1 for a root. Nodes are taxa of any rank, so an answer at
genus is a node like any other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tickvision.errors import MetricError
from tickvision.evaluation.checks import UNKNOWN, Bools, Floats, Ints, as_floats, as_ints, as_probs, same_length

REFER = -1


class HierarchicalScores(NamedTuple):
    """Hierarchical precision, recall and F1, 0..1; nan = no data."""

    precision: float
    recall: float
    f1: float


def ancestors(parents: ArrayLike) -> Bools:
    """Return (V, V) bool: [i, j] where j is i or above i. Raises MetricError on a cycle or an unknown parent."""
    above = as_ints(parents, "parents")
    size = len(above)
    if size and (above.min() < -1 or above.max() >= size):
        raise MetricError(f"parents: found {above.min()} to {above.max()}; expected -1 to {size - 1}.")
    closed = np.eye(size, dtype=np.bool_)
    place = above.copy()
    for _ in range(size):
        open_rows = np.flatnonzero(place >= 0)
        if len(open_rows) == 0:
            return closed
        closed[open_rows, place[open_rows]] = True
        place[open_rows] = above[place[open_rows]]
    raise MetricError("parents: the tree has a cycle; expected every node to reach a root.")


def _known_nodes(target: ArrayLike, pred: ArrayLike, size: int) -> tuple[Ints, Ints]:
    truth, named = as_ints(target, "target"), as_ints(pred, "pred")
    same_length(target=truth, pred=named)
    known = truth != UNKNOWN
    truth, named = truth[known], named[known]
    for name, nodes in (("target", truth), ("pred", named)):
        if nodes.size and (nodes.min() < 0 or nodes.max() >= size):
            raise MetricError(f"{name}: found node {nodes.min()} to {nodes.max()}; expected 0 to {size - 1}.")
    return truth, named


def hierarchical_scores(target: ArrayLike, pred: ArrayLike, parents: ArrayLike) -> HierarchicalScores:
    """Return hP, hR and hF over the ancestor sets, each node counted with itself and without the roots.

    hP = sum |anc(pred) and anc(true)| / sum |anc(pred)|, hR with |anc(true)| below.
    target, pred: (N,) node numbers, target -1 = unknown (left out). A tree whose leaves hang on one root gives plain
    accuracy. Source: Kiritchenko et al. 2006, section 3.
    """
    closed = ancestors(parents)
    truth, named = _known_nodes(target, pred, len(closed))
    counted = closed & (np.asarray(parents) != -1)
    shared = float((counted[truth] & counted[named]).sum())
    said, true = float(counted[named].sum()), float(counted[truth].sum())
    if truth.size == 0:
        return HierarchicalScores(float("nan"), float("nan"), float("nan"))
    precision = shared / said if said else float("nan")
    recall = shared / true if true else float("nan")
    f1 = 2 * shared / (said + true) if said + true else float("nan")
    return HierarchicalScores(precision, recall, f1)


def node_heights(parents: ArrayLike) -> Ints:
    """Return (N,) per node the longest way down to a leaf below it; 0 for leaves. parents: (N,), as for ancestors."""
    closed = ancestors(parents)
    depth = closed.sum(axis=1)
    return np.asarray(np.where(closed, depth[:, None], 0).max(axis=0, initial=0) - depth, dtype=np.int64)


def mistake_severity(target: ArrayLike, pred: ArrayLike, parents: ArrayLike) -> float:
    """Return the mean height of the lowest common ancestor of truth and answer over the mistakes; nan = no mistakes.

    An answer above the truth (its genus) is not a mistake. Truth and answer under different roots count one more than
    the highest root. Source: Bertinetto et al. 2020, section 2.
    """
    closed = ancestors(parents)
    truth, named = _known_nodes(target, pred, len(closed))
    wrong = ~closed[truth, named]
    if not wrong.any():
        return float("nan")
    heights = node_heights(parents)
    common = closed[truth[wrong]] & closed[named[wrong]]
    lowest = np.where(common, heights, heights.max() + 1).min(axis=1)
    return float(lowest.mean())


def cheapest_action(probs: ArrayLike, cost: ArrayLike, referral_price: float | None = None) -> tuple[Ints, Floats]:
    """Return per row the action of least expected cost and that cost; REFER (-1) where referring is cheaper.

    probs: (N, K) calibrated. cost: (K, A), cost of action a when the truth is k. referral_price: cost of a human's
    look; None = never refer. Ties go to the answer. With 0/1 costs: answer where 1 - p_max <= price. Source: Chow 1970.
    """
    table, prices = as_probs(probs), as_floats(cost, "cost", ndim=2)
    if prices.shape[0] != table.shape[1]:
        raise MetricError(f"cost: found {prices.shape[0]} rows; expected {table.shape[1]}, one per class.")
    expected = table @ prices
    action = np.argmin(expected, axis=1).astype(np.int64)
    least = expected[np.arange(len(action)), action]
    if referral_price is not None:
        refer = least > referral_price
        action[refer], least[refer] = REFER, referral_price
    return action, least


def expected_cost(target: ArrayLike, action: ArrayLike, cost: ArrayLike, referral_price: float) -> float:
    """Return the mean cost that the taken actions had, referrals (-1) at their price; nan = no data.

    target: (N,) int, -1 = unknown (left out). action: (N,) int column of cost (K, A) or REFER.
    """
    truth, taken, prices = as_ints(target, "target"), as_ints(action, "action"), as_floats(cost, "cost", ndim=2)
    same_length(target=truth, action=taken)
    known = truth != UNKNOWN
    truth, taken = truth[known], taken[known]
    if truth.size == 0:
        return float("nan")
    if truth.min() < 0 or truth.max() >= prices.shape[0] or taken.min() < REFER or taken.max() >= prices.shape[1]:
        raise MetricError(f"cost: truth or action outside the {prices.shape} cost table.")
    paid = np.where(taken == REFER, referral_price, prices[truth, np.maximum(taken, 0)])
    return float(paid.mean())
