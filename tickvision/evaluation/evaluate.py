"""The figures of a run on its test part: every number with its count and an interval. Plain values, ready for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy, settled
from tickvision.errors import MetricError
from tickvision.evaluation import metrics
from tickvision.evaluation.answered import decisions
from tickvision.evaluation.calibration_error import debiased_ce2, ece_null_quantile, top_label
from tickvision.evaluation.compare import paired_bootstrap
from tickvision.evaluation.intervals import macro_recall_interval, wilson
from tickvision.evaluation.lookalike_errors import lookalike_errors
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.probabilities import HeadMap
from tickvision.evaluation.selective import risk_coverage
from tickvision.evaluation.specimens import Specimens, is_right, true_answers

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
CURVE_POINTS = 101


def evaluate(test: Specimens, by_heads: Specimens, policy: Policy, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return the metrics of the test part. by_heads: the same specimens scored by the heads on frozen features."""
    choices = policy.decide(test.taxon, test.state, taxonomy, test.quality, test.embedding) if len(test) else []
    result: dict[str, Any] = {"test_specimens": len(test), "test_photographs": int(test.photos.sum())}
    if not len(test):
        return result | {"heads": {}, "decisions": decisions(test, choices, policy, taxonomy)}
    cells = policy.cells(test.taxon, test.state)
    result["heads"] = {
        name: head_metrics(probs, target, labels, test.ids)
        for name, probs, target, labels in heads(test, cells, taxonomy)
    }
    result["decisions"] = decisions(test, choices, policy, taxonomy)
    result["fine_tuning"] = _gain(test, by_heads, policy, taxonomy)
    result["lookalikes"] = lookalike_errors(test, cells, policy, taxonomy)
    result["curve"] = _curve(test, cells, policy, taxonomy)
    return result


def heads(test: Specimens, cells: Floats, taxonomy: Taxonomy) -> list[tuple[str, Floats, Ints, list[str]]]:
    """Return (name, probs (N, C), target (N,) with -1 for unknown, class labels) of taxon, stage, sex and all together.

    Sex is judged given adult, on specimens whose label says a sex.
    """
    n_states = len(taxonomy.states)
    table = cells.reshape(len(cells), -1, n_states)
    found = [("taxon", table.sum(2), settled(test.taxon_mask), list(taxonomy.taxa))]
    subject = np.ones(len(test), bool)
    if taxonomy.non_target:
        subject = settled(test.taxon_mask) != taxonomy.taxa.index(taxonomy.non_target)
        table = table * (np.array(taxonomy.taxa) != taxonomy.non_target)[None, :, None]
    stages = list(dict.fromkeys(stage for stage, _ in taxonomy.states))
    if taxonomy.has_stages:
        of_state = np.array([stages.index(stage) for stage, _ in taxonomy.states])
        probs = np.stack([table[:, :, of_state == s].sum((1, 2)) for s in range(len(stages))], 1)
        masks = np.stack([test.state_mask[:, of_state == s].any(1) for s in range(len(stages))], 1)
        found.append(("stage", _shares(probs), np.where(subject, settled(masks), -1), stages))
    sexed = [i for i, (_, sex) in enumerate(taxonomy.states) if sex]
    if len(sexed) > 1:
        given = table.sum(1)[:, sexed]
        only = settled(test.state_mask)
        target = np.array([sexed.index(s) if s in sexed else -1 for s in only])
        names = [" ".join(taxonomy.states[i]) for i in sexed]
        found.append(("sex", _shares(given), np.where(subject, target, -1), names))
    answers, _, claims = taxonomy.rung_answers("species_stage_sex")
    probs = taxonomy.answer_probs(cells, "species_stage_sex")
    found.append(("all", probs, true_answers(test, claims), [str(a) for a in answers]))
    return found


def _shares(table: Floats) -> Floats:
    """Return rows (N, C) divided by their sums; equal parts where a certain "no" to all of them has left nothing."""
    sums = table.sum(1, keepdims=True)
    left = sums > 1e-290  # below, the smallest doubles have lost their digits
    return np.where(left, table / np.where(left, sums, 1.0), 1 / table.shape[1])


def head_metrics(probs: Floats, target: Ints, labels: Sequence[str], specimen: NDArray[np.str_]) -> dict[str, Any]:
    """Return confusion, per-class and overall figures of one head; "no data" (None) where there is nothing to count."""
    known = target >= 0
    pred = probs.argmax(1)
    n_classes = len(labels)
    table = metrics.confusion(target, pred, n_classes)
    n, right = int(known.sum()), int((pred == target)[known].sum())
    result: dict[str, Any] = {
        "classes": list(labels),
        "n": n,
        "right": right,
        "confusion": table.tolist(),
        "accuracy": right / n if n else None,
        "accuracy_interval": _pair(wilson(right, n)) if n else None,
        "per_class": [_class_row(table, c, labels[c]) for c in range(n_classes)],
    }
    if not n:
        return result
    truth, said, shares = target[known], pred[known], probs[known]
    result |= {
        "macro_recall": metrics.macro_recall(truth, said, n_classes),
        "macro_recall_interval": _pair(macro_recall_interval(truth, said, n_classes, specimen[known])),
        "macro_f1": metrics.macro_f1(truth, said, n_classes),
        "nll": _finite(metrics.nll(shares, truth)),
        "brier": metrics.brier(shares, truth),
        "ece": metrics.ece(shares, truth),
        "ece_null_95": ece_null_quantile(top_label(shares, truth)[0]),
        "debiased_ce2": debiased_ce2(shares, truth),
        "classwise_ece": metrics.classwise_ece(shares, truth),
    }
    for name in ("matthews", "cohen_kappa"):
        try:
            result[name] = _finite(getattr(metrics, name)(truth, said, n_classes))
        except MetricError:
            result[name] = None
    return result


def _class_row(table: NDArray[np.int64], c: int, label: str) -> dict[str, Any]:
    hit, truth, said = int(table[c, c]), int(table[c].sum()), int(table[:, c].sum())
    return {
        "class": label,
        "n": truth,
        "named": said,
        "right": hit,
        "recall": hit / truth if truth else None,
        "recall_interval": _pair(wilson(hit, truth)) if truth else None,
        "precision": hit / said if said else None,
        "precision_interval": _pair(wilson(hit, said)) if said else None,
        "f1": 2 * hit / (truth + said) if truth else None,
    }


def _gain(test: Specimens, by_heads: Specimens, policy: Policy, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return macro recall (all together) of the network and of the fitted heads on the test part, and the difference.

    Both are judged on their logits without the calibration maps, which were fitted for the network alone.
    """
    _, _, claims = taxonomy.rung_answers("species_stage_sex")
    truth = true_answers(test, claims)
    known = truth >= 0
    if known.sum() < 5:
        return {"n": int(known.sum())}
    plain = replace(policy, taxon_map=HeadMap(1.0), state_map=HeadMap(1.0))
    said = []
    for specimens in (test, by_heads):
        cells = plain.cells(specimens.taxon, specimens.state)
        said.append(taxonomy.answer_probs(cells, "species_stage_sex").argmax(1)[known])
    n_classes = len(claims)
    low, high = paired_bootstrap(
        lambda t, p: metrics.macro_recall(t, p, n_classes),
        test.ids[known],
        [truth[known]],
        [said[1]],
        [said[0]],
        reps=1000,
    )
    recall, recall_heads = (metrics.macro_recall(truth[known], s, n_classes) for s in said)
    return {
        "n": int(known.sum()),
        "macro_recall": recall,
        "macro_recall_fitted_heads": recall_heads,
        "difference": recall - recall_heads,
        "difference_interval": _pair((low, high)),
    }


def _curve(test: Specimens, cells: Floats, policy: Policy, taxonomy: Taxonomy) -> list[dict[str, float]]:
    """Return the risk-coverage curve of the finest rung at up to 101 points; unsettled labels count as wrong."""
    _, _, claims = taxonomy.rung_answers(policy.rungs[0].name)
    said, confidence = policy.answers(cells, taxonomy, 0)
    curve = risk_coverage(confidence, ~is_right(test, claims, said))
    picked = np.unique(np.linspace(0, len(curve.accepted) - 1, min(CURVE_POINTS, len(curve.accepted))).astype(int))
    return [
        {
            "coverage": float(curve.accepted[i] / len(test)),
            "risk": float(curve.errors[i] / curve.accepted[i]),
            "confidence": float(curve.confidence[i]),
        }
        for i in picked
    ]


def _pair(interval: tuple[float, float]) -> list[float | None]:
    return [_finite(interval[0]), _finite(interval[1])]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
