"""What `compare` does: two or more runs on the same test specimens, each paired with the first."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import DataError
from tickvision.evaluation import compare, metrics, specimens
from tickvision.evaluation import policy as policies
from tickvision.evaluation.intervals import wilson
from tickvision.evaluation.report_judged import REFERRED
from tickvision.evaluation.report_ladder import ladder
from tickvision.evaluation.specimens import Specimens
from tickvision.whole_files import write_text
from tickvision.workplace import Paths

STATISTICS = {
    "share_right": "share right if all were named in full (higher is better)",
    "macro_recall": "macro recall (higher is better)",
    "nll": "negative log-likelihood (lower is better)",
    "augrc": "area under the generalised risk-coverage curve (lower is better)",
    "coverage": "share of specimens named under the run's own promise (higher is better)",
}
REPS = 1000
LEVEL = 0.05
MIN_SHARED = 5  # the bootstrap gives no interval of fewer


@dataclass(frozen=True)
class _Run:
    """A run's test specimens, in the shared order, and what it makes of them; arrays (G,) but probs (G, A)."""

    folder: Path
    test: Specimens
    policy: policies.Policy
    said: NDArray[np.int64]
    probs: NDArray[np.float64]
    confidence: NDArray[np.float64]
    named: NDArray[np.bool_]
    given_wrong: NDArray[np.bool_]


def compare_runs(folders: Sequence[Path]) -> tuple[dict[str, Any], list[str]]:
    """Return the paired figures of output folders (each minus the first) and lines for a person.

    Raises DataError if the runs do not share taxonomy or test specimens, or none of these is labelled in full.
    """
    taxonomy, ids, runs = _paired(folders)
    answers, _, claims = taxonomy.rung_answers("species_stage_sex")
    truth = specimens.true_answers(runs[0].test, claims)
    if not (truth >= 0).any():
        raise DataError(
            f"none of the {len(ids):,} test specimens that the runs share has a label that settles name, stage and "
            "sex; label some in full to compare on."
        )
    names = [str(a) for a in answers]
    pairs = [_comparison(runs[0], run, ids, truth, names) for run in runs[1:]]
    looks = [row for pair in pairs for row in pair["differences"]]
    for row, adjusted in zip(looks, compare.holm([r["p"] for r in looks]), strict=True):
        row["p_holm"] = float(adjusted)
        row["verdict"] = _verdict(row)
    for pair, run in zip(pairs, runs[1:], strict=True):
        pair["same_promise"] = _terms(run.policy) == _terms(runs[0].policy)
        if not pair["same_promise"]:  # a run that promises less names more: that is no merit
            next(r for r in pair["differences"] if r["statistic"] == "coverage")["verdict"] = "other promise"
    result: dict[str, Any] = {
        "specimens": len(ids),
        "specimens_with_settled_label": int((truth >= 0).sum()),
        "level": LEVEL,
        "looks": len(looks),
        "runs": [_run_figures(run, truth) for run in runs],
        "comparisons": pairs,
    }
    lines = [f"{len(ids):,} test specimens in all runs; {int((truth >= 0).sum()):,} labels settle the finest name"]
    return result, lines + [line for pair in pairs for line in _lines(pair, many=len(pairs) > 1)]


def _lines(pair: dict[str, Any], many: bool) -> list[str]:
    lines = [f"{pair['run']} against {pair['against']}:"] if many else []
    lines += [
        f"{STATISTICS[r['statistic']]}: {r['a']:.4f} -> {r['b']:.4f}, difference {r['difference']:+.4f} "
        f"(95 % interval {r['interval'][0]:+.4f} to {r['interval'][1]:+.4f}; p = {r['p']:.3g}, "
        f"after Holm {r['p_holm']:.3g})"
        for r in pair["differences"]
    ]
    lines.append(
        f"{len(pair['wrong_to_right']):,} specimens became right, {len(pair['right_to_wrong']):,} became wrong"
        + (f" (McNemar p = {pair['mcnemar_p']:.3g})" if pair["mcnemar_p"] is not None else "")
    )
    return lines + [f"  now wrong: {row['specimen_id']}" for row in pair["right_to_wrong"][:5]]


def write_report(result: dict[str, Any], folders: Sequence[Path], path: Path) -> list[Path]:
    """Write the page, the same numbers as JSON and the changed specimens as CSV beside it; return their paths.

    The photographs and their credits are those of the first run's manifest.
    """
    from tickvision.data import manifest
    from tickvision.evaluation import compare_report
    from tickvision.evaluation.report_photographs import credit, thumbnails

    frame = manifest.read(Paths(folders[0]).manifest)
    pictures = thumbnails(frame, [row["photo_id"] for row in compare_report.shown(result)])
    made_by = credit(frame)
    for pair in result["comparisons"]:
        for row in (*pair["right_to_wrong"], *pair["wrong_to_right"]):
            row |= made_by.get(row["photo_id"], {})
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = [path, path.with_suffix(".json"), path.with_name(f"{path.stem}_changed.csv")]
    write_text(beside[0], compare_report.render(result, STATISTICS, pictures))
    write_text(beside[1], json.dumps(result, indent=1, ensure_ascii=False))
    write_text(beside[2], compare_report.changed_csv(result))
    return beside


def _terms(policy: policies.Policy) -> tuple[float, float, float | None, str]:
    """Return what a run's answers are held to; shares named compare only where these are the same."""
    return policy.max_error, policy.failure_rate, policy.min_confidence, policy.expected_at


def _verdict(row: dict[str, Any]) -> str:
    """Return better, worse or unclear: whether the second run's statistic differs after correction, and which way."""
    if row["p_holm"] > LEVEL or row["difference"] == 0:
        return "unclear"
    lower_is_better = "lower is better" in STATISTICS[row["statistic"]]
    return "better" if (row["difference"] < 0) == lower_is_better else "worse"


def _run_figures(run: _Run, truth: NDArray[np.int64]) -> dict[str, Any]:
    """Return what stands side by side: right in full, named, and wrong among the named, each with its counts."""
    known = truth >= 0
    n, right = int(known.sum()), int((run.said == truth)[known].sum())
    named, wrong = int(run.named.sum()), int(run.given_wrong.sum())
    told = json.loads(Paths(run.folder).metrics.read_text("utf-8")) if Paths(run.folder).metrics.is_file() else {}
    return {
        "run": str(run.folder),
        "name": told.get("name"),
        "bench": told.get("bench"),
        "drawn": bool(told.get("drawn")),
        "backbone": (told.get("training") or {}).get("backbone"),
        "epochs_run": (told.get("training") or {}).get("epochs_run"),
        "seed": (told.get("training") or {}).get("seed"),
        "has_promise": run.policy.has_promise,
        "max_error": run.policy.max_error,
        "n": n,
        "right": right,
        "share_right": right / n if n else None,
        "share_right_interval": list(wilson(right, n)) if n else None,
        "named": named,
        "coverage": named / len(truth),
        "coverage_interval": list(wilson(named, len(truth))),
        "wrong": wrong,
        "error": wrong / named if named else None,
        "error_interval": list(wilson(wrong, named)) if named else None,
    }


def _comparison(a: _Run, b: _Run, ids: NDArray[Any], truth: NDArray[np.int64], names: list[str]) -> dict[str, Any]:
    """Return the paired differences b - a and the specimens that changed."""
    known = truth >= 0
    changed = compare.changes(truth[known], a.said[known], b.said[known], ids[known])
    place = {s: i for i, s in enumerate(ids)}

    def row(specimen: str) -> dict[str, Any]:
        """Return what each run said of a specimen."""
        i = place[specimen]
        return {
            "specimen_id": str(specimen),
            "photo_id": str(a.test.first_photo[i]),
            "label": names[truth[i]],
            "said_a": names[a.said[i]],
            "said_b": names[b.said[i]],
            "confidence_a": float(a.confidence[i]),
            "confidence_b": float(b.confidence[i]),
        }

    return {
        "run": str(b.folder),
        "against": str(a.folder),
        "differences": [_difference(name, ids, truth, a, b, len(names)) for name in STATISTICS],
        "right_to_wrong": [row(s) for s in changed.right_to_wrong],
        "wrong_to_right": [row(s) for s in changed.wrong_to_right],
        "right_to_wrong_count": len(changed.right_to_wrong),
        "wrong_to_right_count": len(changed.wrong_to_right),
        "named_in_both": int((a.named & b.named).sum()),
        "no_longer_named": int((a.named & ~b.named).sum()),
        "newly_named": int((~a.named & b.named).sum()),
        "named_in_neither": int((~a.named & ~b.named).sum()),
        "mcnemar_p": changed.p_value if bool((a.test.photos == 1).all()) else None,
    }


def _judge(folder: Path, test: Specimens, policy: policies.Policy, taxonomy: Taxonomy) -> _Run:
    cells = policy.cells(test.taxon, test.state)
    probs = taxonomy.answer_probs(cells, "species_stage_sex")
    said, confidence = policy.answers(cells, taxonomy, 0)
    rung, _, wrong = ladder(test, policy, taxonomy)
    probs = probs / probs.sum(1, keepdims=True)
    return _Run(folder, test, policy, np.asarray(said, np.int64), probs, confidence, rung != REFERRED, wrong)


def _difference(
    name: str, ids: NDArray[Any], truth: NDArray[np.int64], run_a: _Run, run_b: _Run, n_classes: int
) -> dict[str, Any]:
    """Return one statistic of both runs with the paired specimen bootstrap and the sign-flip permutation."""
    rows = np.arange(len(truth)) if name == "coverage" else np.flatnonzero(truth >= 0)
    shared = [truth[rows]]
    statistic: Callable[..., float]
    keys: tuple[str, ...]
    if name == "share_right":
        keys, statistic = ("said",), lambda t, p: float(np.mean(p == t))
    elif name == "macro_recall":
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
    a, b = ([getattr(run, k)[rows] for k in keys] for run in (run_a, run_b))
    found = compare.compare(statistic, ids[rows], shared, a, b, reps=REPS)
    values = {"a": statistic(*shared, *a), "b": statistic(*shared, *b)}
    return {
        "statistic": name,
        **values,
        "difference": found.value,
        "interval": [found.low, found.high],
        "p": found.p_value,
    }


def _paired(folders: Sequence[Path]) -> tuple[Taxonomy, NDArray[Any], list[_Run]]:
    """Return (taxonomy, specimen ids that all runs tested, the runs on these, in this order)."""
    held: list[tuple[Taxonomy, Specimens, policies.Policy]] = []
    for folder in folders:
        paths = Paths(folder)
        if not paths.classes.is_file():
            raise DataError(f"{folder}: no finished run ({paths.classes} is missing).")
        taxonomy = Taxonomy.from_json(json.loads(paths.classes.read_text(encoding="utf-8"))["taxonomy"])
        if held and taxonomy != held[0][0]:
            raise DataError(
                f"{folder} and {folders[0]} name different taxa or stages; only runs with one taxonomy can be compared."
            )
        held.append((taxonomy, specimens.load(paths.scores, "test"), policies.load(paths.calibration)))
    tested = set.intersection(*(set(test.ids) for _, test, _ in held))
    shared = np.array([s for s in held[0][1].ids if s in tested])
    if len(shared) < MIN_SHARED:
        raise DataError(
            f"the runs share {len(shared)} test specimens, and at least {MIN_SHARED} are needed; use the same "
            "manifest, seed and [split] for all."
        )
    runs = []
    for folder, (taxonomy, test, policy) in zip(folders, held, strict=True):
        place = {s: i for i, s in enumerate(test.ids)}
        rows = np.array([place[s] for s in shared])
        runs.append(_judge(folder, test.take(rows), policy, taxonomy))
    return held[0][0], shared, runs
