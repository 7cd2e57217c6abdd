"""What the ladder answered on the test part, how much of it was wrong, and what was promised."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation.intervals import clopper_pearson_lower, clopper_pearson_upper, wilson
from tickvision.evaluation.per_class import per_class_view
from tickvision.evaluation.policy import NO_PROMISE, Choice, Policy
from tickvision.evaluation.specimens import Specimens, is_right, is_wrong

Bools = NDArray[np.bool_]


def decisions(test: Specimens, choices: list[Choice], policy: Policy, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return the counts of the ladder, all together, by rung and by name. choices: one for each test specimen."""
    right, wrong = judge_choices(test, choices, policy, taxonomy)
    answered = np.array([c.rung is not None for c in choices], bool)
    n, k, open_label = int(answered.sum()), int(wrong.sum()), int((answered & ~right & ~wrong).sum())
    reasons = [c.reason for c in choices if c.rung is None]
    return {
        "has_promise": policy.has_promise,
        "max_error": policy.max_error,
        "failure_rate": policy.failure_rate,
        "calibration_specimens": policy.calibration_specimens,
        "min_confidence": policy.min_confidence,
        "expected_at": policy.expected_at,
        "rungs": [_rung(r, choices, right, wrong, policy) for r in range(len(policy.rungs))],
        "answered": n,
        "wrong": k,
        "label_open": open_label,
        "referred": len(choices) - n,
        "coverage": n / len(choices) if choices else None,
        "coverage_interval": list(wilson(n, len(choices))) if choices else None,
        "error": k / n if n else None,
        "error_interval": list(wilson(k, n)) if n else None,
        "error_lower_bound_95": clopper_pearson_lower(k, n) if n else None,
        "error_upper_bound_95": clopper_pearson_upper(k, n) if n else None,
        "referral_reasons": {r: reasons.count(r) for r in sorted(set(reasons))},
        "per_taxon": _per_taxon(choices, right, policy),
    }


def judge_choices(
    test: Specimens, choices: Sequence[Choice], policy: Policy, taxonomy: Taxonomy
) -> tuple[Bools, Bools]:
    """Return (right, wrong), (N,) each; neither where the label leaves it open or the specimen was referred."""
    right, wrong = np.zeros((2, len(test)), bool)
    for r, rung in enumerate(policy.rungs):
        here = np.array([i for i, c in enumerate(choices) if c.rung == r], int)
        if len(here):
            answers, _, claims = taxonomy.rung_answers(rung.name)
            place = {answer: i for i, answer in enumerate(answers)}
            subset, said = test.take(here), np.array([place[choices[i].answer] for i in here])
            right[here], wrong[here] = is_right(subset, claims, said), is_wrong(subset, claims, said)
    return right, wrong


def _rung(r: int, choices: list[Choice], right: Bools, wrong: Bools, policy: Policy) -> dict[str, Any]:
    here = np.array([c.rung == r for c in choices], bool)
    certificate = policy.rungs[r].certificate
    return {
        "rung": policy.rungs[r].name,
        "answered": int(here.sum()),
        "not_right": int((here & ~right).sum()),
        "wrong": int((here & wrong).sum()),
        "to_genus": sum(c.rung == r and c.answer.rank == "genus" for c in choices),
        "threshold": policy.threshold(r),
        "certificate": certificate.to_dict() if certificate else None,
        "statement": certificate.statement() if certificate and policy.min_confidence is None else NO_PROMISE,
    }


def _per_taxon(choices: list[Choice], right: NDArray[np.bool_], policy: Policy) -> list[dict[str, Any]]:
    names = sorted({c.answer.scientific_name for c in choices if c.rung is not None})
    if not names:
        return []
    predicted = np.array([names.index(c.answer.scientific_name) if c.rung is not None else 0 for c in choices])
    answered = np.array([c.rung is not None for c in choices])
    view = per_class_view(predicted, answered, right, policy.failure_rate, policy.max_error, len(names))
    return [
        {
            "taxon": names[row.label],
            "answered": row.answered,
            "not_right": row.errors,
            "bound": row.bound,
            "standing": row.standing,
        }
        for row in view
    ]
