"""What the ladder does with 100 specimens, whom it fails, what other targets would buy, and what is missing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.cautions import DEAREST
from tickvision.domain.taxonomy import Answer, Taxonomy
from tickvision.evaluation.calibrate import Terms, certify_rungs
from tickvision.evaluation.intervals import clopper_pearson, wilson
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.report_judged import REFERRED, Judged
from tickvision.evaluation.specimens import Specimens, is_right, is_wrong

TARGETS = (0.02, 0.05, 0.10)
KINDS = ("full", "species", "genus_stage", "genus", "non_target", "referred")
Head = tuple[str, NDArray[np.float64], NDArray[np.int64], list[str]]


def of_100(judged: Judged, taxonomy: Taxonomy) -> list[dict[str, Any]]:
    """Return, for each kind of outcome, how many of the test specimens met it, and rounded so that all sum to 100.

    full: to the leaf with all that is told of it; species: the leaf, less told; genus_stage, genus: a higher name.
    """
    kinds = [_kind(a, int(r), taxonomy) for a, r in zip(judged.given, judged.rung, strict=True)]
    counts = [kinds.count(k) for k in KINDS]
    n = len(judged)
    rows = []
    for kind, count, rounded in zip(KINDS, counts, _to_100(counts), strict=True):
        here = np.array([k == kind for k in kinds], bool)
        rows.append(
            {
                "kind": kind,
                "specimens": count,
                "of_100": rounded if n else None,
                "interval": list(wilson(count, n)) if n else None,
                "wrong": int(judged.given_wrong[here].sum()) if n else 0,
            }
        )
    return rows


def _kind(answer: Answer | None, rung: int, taxonomy: Taxonomy) -> str:
    if answer is None or rung == REFERRED:
        return "referred"
    if answer.scientific_name == taxonomy.non_target:
        return "non_target"
    if answer.scientific_name in taxonomy.taxa:
        return "full" if rung == 0 else "species"
    return "genus_stage" if answer.life_stage else "genus"


def _to_100(counts: list[int]) -> list[int]:
    """Return the counts as whole parts of 100, largest remainder first."""
    total = sum(counts)
    if not total:
        return [0] * len(counts)
    parts = [100 * c // total for c in counts]
    order = sorted(range(len(counts)), key=lambda i: (-(100 * counts[i] % total), i))
    for i in order[: 100 - sum(parts)]:
        parts[i] += 1
    return parts


def outcomes(judged: Judged, heads: Sequence[Head], taxonomy: Taxonomy) -> dict[str, list[dict[str, Any]]]:
    """Return for each head a row per class: how many the ladder named right, right with less told, wrong, or passed on.

    heads: of evaluate.heads().
    """
    tells: dict[str, Callable[[Answer, int], bool]] = {
        "taxon": lambda answer, rung: answer.scientific_name in taxonomy.taxa,
        "stage": lambda answer, rung: bool(answer.life_stage),
        "sex": lambda answer, rung: bool(answer.sex),
        "all": lambda answer, rung: rung == 0,
    }
    found = {}
    for head, _, target, labels in heads:
        told = [a is not None and tells[head](a, r) for a, r in zip(judged.given, judged.rung, strict=True)]
        ways = _ways(judged, np.array(told, bool))
        counts = [{w: int((here & (target == c)).sum()) for w, here in ways.items()} for c in range(len(labels))]
        found[head] = [{"class": label, **row} for label, row in zip(labels, counts, strict=True)]
    return found


def _ways(judged: Judged, told: NDArray[np.bool_]) -> dict[str, NDArray[np.bool_]]:
    """Return what may become of a specimen, (G,) bool each; told: the answer says what is asked for."""
    right, wrong, named = judged.given_right, judged.given_wrong, judged.named
    return {
        "right": right & told,
        "right_less": right & ~told,
        "wrong": wrong,
        "label_open": named & ~right & ~wrong,
        "referred": ~named,
    }


def given_wrong(judged: Judged) -> list[dict[str, Any]]:
    """Return the names given wrongly in the test: how often given and how often wrong, most often wrong first."""
    names = [a.scientific_name if a is not None else "" for a in judged.given]
    rows = []
    for name in sorted(set(names) - {""}):
        here = np.array([n == name for n in names], bool)
        wrong = int((here & judged.given_wrong).sum())
        if wrong:
            rows.append({"name": name, "given": int(here.sum()), "wrong": wrong})
    return sorted(rows, key=lambda r: (-r["wrong"], r["given"], r["name"]))


def missing(policy: Policy) -> dict[str, Any]:
    """Return what stands between this run and a promise: the rung nearest to one and how many specimens it lacks.

    needed: calibration specimens in all. Where rungs above answer, only some of them reach a rung, so its own number is
    multiplied by how many it takes until one does; a rung that none reaches is left out.
    """
    in_all = max((r.certificate.n for r in policy.rungs if r.certificate), default=0)
    refused = [
        (r.name, c, math.ceil(c.needed * in_all / c.n) if c.n else c.needed)
        for r in policy.rungs
        if (c := r.certificate) and not c.is_certified and (c.n or not in_all)
    ]
    if not refused:
        return {"needed": None, "rung": None, "helps": None, "reason": None}
    # a rung that more specimens would mend comes before one that they would not
    name, nearest, needed = min(refused, key=lambda x: (not x[1].more_helps, x[2]))
    return {"needed": needed, "rung": name, "helps": nearest.more_helps, "reason": nearest.reason}


def what_if(test: Specimens, calibration: Specimens, policy: Policy, taxonomy: Taxonomy) -> list[dict[str, Any]]:
    """Return what the ladder would answer on the test part if the target were 2, 5 or 10 % wrong.

    Each target is certified anew at a third of the failure rate, so that one may choose among them after looking.
    """
    if not len(calibration) or not len(test):
        return []
    rows = []
    for target in TARGETS:
        terms = Terms(target, policy.failure_rate / len(TARGETS))
        asked = replace(policy, max_error=target, failure_rate=terms.failure_rate, min_confidence=None)
        asked = replace(asked, rungs=certify_rungs(asked, calibration, taxonomy, terms))
        rung, _, wrong = ladder(test, asked, taxonomy)
        named = rung != REFERRED
        n, k = int(named.sum()), int(wrong.sum())
        certificates = [r.certificate for r in asked.rungs if r.certificate]
        lacking = [c.needed for c in certificates if not c.is_certified]
        rows.append(
            {
                "max_error": target,
                "failure_rate": asked.failure_rate,
                "has_promise": asked.has_promise,
                "rungs": [int((rung == r).sum()) for r in range(len(asked.rungs))],
                "answered": n,
                "referred": len(test) - n,
                "coverage": n / len(test),
                "coverage_interval": list(wilson(n, len(test))),
                "wrong": k,
                "error": k / n if n else None,
                "error_interval": list(clopper_pearson(k, n)) if n else None,
                "needed": min(lacking) if lacking and not asked.has_promise else 0,
            }
        )
    return rows


def ladder(
    test: Specimens, policy: Policy, taxonomy: Taxonomy
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return (rung or REFERRED, right, wrong), (G,) each: what Policy.decide does, without its shortlists."""
    cells = policy.cells(test.taxon, test.state)
    rung = np.full(len(test), REFERRED, dtype=np.int64)
    right, wrong = np.zeros((2, len(test)), bool)
    free = policy.passes_gates(test.taxon, test.quality, test.embedding)
    for r, step in enumerate(policy.rungs):
        limit = policy.threshold(r)
        if limit is None:
            continue
        said, confidence = policy.answers(cells, taxonomy, r)
        here = free & (confidence >= limit)
        _, _, claims = taxonomy.rung_answers(step.name)
        rung[here] = r
        right |= here & is_right(test, claims, said)
        wrong |= here & is_wrong(test, claims, said)
        free &= ~here
    return rung, right, wrong


def costly(test: Specimens, judged: Judged, taxonomy: Taxonomy, names: Sequence[str]) -> dict[str, Any] | None:
    """Return how many specimens of the names whose miss costs most were named as something else; None without such.

    names: of any rank; empty: DEAREST of the ticks. An answer that leaves one of the names open, as their genus would,
    is no miss.
    """
    if not names and taxonomy.kind == "ticks":
        names = tuple(name for name in DEAREST if name in taxonomy.nodes)
    if not names:
        return None
    inside = np.any([taxonomy.taxon_mask(name) for name in names], axis=0)
    truly = test.taxon_mask.any(1) & ~(test.taxon_mask & ~inside).any(1)
    said = [a.scientific_name if a is not None else None for a in judged.given]
    others = {name for name in set(said) - {None} if not (taxonomy.taxon_mask(str(name)) & inside).any()}
    named, n = truly & judged.named, int(truly.sum())
    k = int((named & np.array([name in others for name in said], bool)).sum())
    return {
        "names": " or ".join(names),
        "specimens": n,
        "named": int(named.sum()),
        "missed": k,
        "interval": list(clopper_pearson(k, int(named.sum()))) if named.any() else None,
    }
