"""What `compare` does: two runs on the same test specimens, paired."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import DataError
from tickvision.evaluation import compare, metrics, specimens
from tickvision.evaluation import policy as policies
from tickvision.evaluation.specimens import Specimens
from tickvision.workplace import Paths


def compare_runs(run_a: Path, run_b: Path) -> tuple[dict[str, object], list[str]]:
    """Return the paired figures of two output folders (b minus a) and lines for a person.

    Raises DataError if the two runs do not share taxonomy or test specimens.
    """
    taxonomy, ids, runs = _paired(run_a, run_b)
    _, _, claims = taxonomy.rung_answers("species_stage_sex")
    truth = specimens.true_answers(runs[0][0], claims)
    judged = [_judge(test, policy, taxonomy) for test, policy in runs]
    rows = [_difference(name, ids, truth, judged, len(claims)) for name in STATISTICS]
    for row, adjusted in zip(rows, compare.holm([r["p"] for r in rows]), strict=True):
        row["p_holm"] = float(adjusted)
    known = truth >= 0
    changed = compare.changes(truth[known], judged[0]["said"][known], judged[1]["said"][known], ids[known])
    one_photo = bool((runs[0][0].photos == 1).all())
    result: dict[str, object] = {
        "specimens": len(ids),
        "specimens_with_settled_label": int(known.sum()),
        "differences": rows,
        "right_to_wrong": [str(i) for i in changed.right_to_wrong],
        "wrong_to_right": [str(i) for i in changed.wrong_to_right],
        "mcnemar_p": changed.p_value if one_photo else None,
    }
    lines = [f"{len(ids):,} test specimens in both runs; {int(known.sum()):,} labels settle the finest name"]
    lines += [
        f"{STATISTICS[str(r['statistic'])]}: {r['a']:.4f} -> {r['b']:.4f}, difference {r['difference']:+.4f} "
        f"(95 % interval {r['low']:+.4f} to {r['high']:+.4f}; p = {r['p']:.3g}, after Holm {r['p_holm']:.3g})"
        for r in rows
    ]
    lines.append(
        f"{len(changed.wrong_to_right):,} specimens became right, {len(changed.right_to_wrong):,} became wrong"
        + (f" (McNemar p = {changed.p_value:.3g})" if one_photo else "")
    )
    return result, lines + [f"  now wrong: {i}" for i in changed.right_to_wrong[:5]]


STATISTICS = {
    "macro_recall": "macro recall (higher is better)",
    "nll": "negative log-likelihood (lower is better)",
    "augrc": "area under the generalised risk-coverage curve (lower is better)",
    "coverage": "share of specimens named under the run's own promise (higher is better)",
}
REPS = 1000


def _judge(test: Specimens, policy: policies.Policy, taxonomy: Taxonomy) -> dict[str, NDArray[Any]]:
    """Return per specimen: what is said, the finest rung's probabilities, the confidence, and whether it is named."""
    answers, of_cell, _ = taxonomy.rung_answers("species_stage_sex")
    cells = policy.cells(test.taxon, test.state)
    sums = np.zeros((len(answers), len(cells)))
    np.add.at(sums, of_cell, cells.T)
    said, confidence = policy.answers(cells, taxonomy, 0)
    choices = policy.decide(test.taxon, test.state, taxonomy, test.sharpness, test.embedding)
    named = np.array([c.rung is not None for c in choices])
    return {"said": said, "probs": sums.T / sums.sum(0)[:, None], "confidence": confidence, "named": named}


def _difference(
    name: str, ids: NDArray[Any], truth: NDArray[Any], judged: list[dict[str, NDArray[Any]]], n_classes: int
) -> dict[str, Any]:
    """Return one statistic of both runs with the paired specimen bootstrap and the sign-flip permutation."""
    rows = np.arange(len(truth)) if name == "coverage" else np.flatnonzero(truth >= 0)
    shared = [truth[rows]]
    statistic: Callable[..., float]
    keys: tuple[str, ...]
    if name == "macro_recall":
        keys, statistic = ("said",), lambda t, p: metrics.macro_recall(t, p, n_classes)
    elif name == "nll":
        keys, statistic = (
            ("probs",),
            lambda t, p: metrics.nll(np.clip(p, 1e-12, 1) / np.clip(p, 1e-12, 1).sum(1)[:, None], t),
        )
    elif name == "augrc":
        keys, statistic = ("confidence", "said"), lambda t, c, s: metrics.augrc(c, s != t)
    else:
        keys, statistic = ("named",), lambda t, n: float(np.mean(n))
    a, b = ([run[k][rows] for k in keys] for run in judged)
    found = compare.compare(statistic, ids[rows], shared, a, b, reps=REPS)
    values = {"a": statistic(*shared, *a), "b": statistic(*shared, *b)}
    return {
        "statistic": name,
        **values,
        "difference": found.value,
        "low": found.low,
        "high": found.high,
        "p": found.p_value,
    }


def _paired(run_a: Path, run_b: Path) -> tuple[Taxonomy, NDArray[Any], list[tuple[Specimens, policies.Policy]]]:
    """Return (taxonomy, shared specimen ids, [(their test specimens, policy) of a, of b])."""
    held = []
    for folder in (run_a, run_b):
        paths = Paths(folder)
        if not paths.classes.is_file():
            raise DataError(f"{folder}: no finished run ({paths.classes} is missing).")
        taxonomy = Taxonomy.from_json(json.loads(paths.classes.read_text(encoding="utf-8"))["taxonomy"])
        held.append((taxonomy, specimens.load(paths.scores, "test"), policies.load(paths.calibration)))
    if held[1][0] != held[0][0]:
        raise DataError("the two runs name different taxa or stages; only runs with one taxonomy can be compared.")
    others = set(held[1][1].ids)
    shared = np.array([s for s in held[0][1].ids if s in others])
    if len(shared) < 5:
        raise DataError("the two runs share no test specimens; use the same manifest, seed and [split] for both.")
    runs = []
    for _, test, policy in held:
        place = {s: i for i, s in enumerate(test.ids)}
        rows = np.array([place[s] for s in shared])
        runs.append((Specimens(**{name: value[rows] for name, value in vars(test).items()}), policy))
    return held[0][0], shared, runs
