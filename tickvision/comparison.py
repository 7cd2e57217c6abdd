"""What `compare` does: two runs on the same test specimens, paired."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import DataError
from tickvision.evaluation import compare, metrics, specimens
from tickvision.evaluation import policy as policies
from tickvision.runner import Paths


def compare_runs(run_a: Path, run_b: Path) -> tuple[dict[str, object], list[str]]:
    """Return the paired figures of two output folders (b minus a) and lines for a person.

    Raises DataError if the two runs do not share taxonomy or test specimens.
    """
    ids, truth, said, n_classes = _paired(run_a, run_b)
    known = truth >= 0
    ids, truth, said = ids[known], truth[known], [s[known] for s in said]

    def recall(target: np.ndarray, pred: np.ndarray) -> float:
        return metrics.macro_recall(target, pred, n_classes)

    low, high = compare.paired_bootstrap(recall, ids, [truth], [said[0]], [said[1]])
    values = [recall(truth, s) for s in said]
    changed = compare.changes(truth, said[0], said[1], ids)
    result: dict[str, object] = {
        "specimens": len(ids),
        "macro_recall_a": values[0],
        "macro_recall_b": values[1],
        "difference": values[1] - values[0],
        "difference_interval": [low, high],
        "mcnemar_p": changed.p_value,
        "right_to_wrong": [str(i) for i in changed.right_to_wrong],
        "wrong_to_right": [str(i) for i in changed.wrong_to_right],
    }
    lines = [
        f"{len(ids):,} test specimens in both runs whose label settles the finest name",
        f"macro recall: {values[0]:.3f} -> {values[1]:.3f}, difference {values[1] - values[0]:+.3f} "
        f"(95 % interval {low:+.3f} to {high:+.3f})",
        f"{len(changed.wrong_to_right):,} specimens became right, {len(changed.right_to_wrong):,} became wrong "
        f"(McNemar p = {changed.p_value:.3g})",
    ]
    return result, lines + [f"  now wrong: {i}" for i in changed.right_to_wrong[:5]]


def _paired(run_a: Path, run_b: Path):  # type: ignore[no-untyped-def]
    """Return (specimen ids, truth, [said by a, said by b], number of answers) of the shared test specimens."""
    held = []
    for folder in (run_a, run_b):
        paths = Paths(folder)
        if not paths.classes.is_file():
            raise DataError(f"{folder}: no finished run ({paths.classes} is missing).")
        taxonomy = Taxonomy.from_json(json.loads(paths.classes.read_text(encoding="utf-8"))["taxonomy"])
        held.append((taxonomy, specimens.load(paths.scores, "test"), policies.load(paths.calibration)))
    taxonomy = held[0][0]
    if held[1][0] != taxonomy:
        raise DataError("the two runs name different taxa or stages; only runs with one taxonomy can be compared.")
    shared = [s for s in held[0][1].ids if s in set(held[1][1].ids)]
    if not shared:
        raise DataError("the two runs share no test specimens; use the same manifest, seed and [split] for both.")
    answers, _, claims = taxonomy.rung_answers("species_stage_sex")
    said, truth = [], None
    for _, test, policy in held:
        place = {s: i for i, s in enumerate(test.ids)}
        rows = np.array([place[s] for s in shared])
        said.append(policy.answers(policy.cells(test.taxon[rows], test.state[rows]), taxonomy, 0)[0])
        truth = specimens.true_answers(test, claims)[rows]
    return np.array(shared), truth, said, len(answers)
