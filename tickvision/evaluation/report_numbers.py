"""What the report shows beyond the metrics: data, ladder, slices, photographs. Added to metrics.json, plain values."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.domain.licences import NONE
from tickvision.domain.taxonomy import Taxonomy, settled
from tickvision.evaluation.evaluate import heads
from tickvision.evaluation.intervals import wilson
from tickvision.evaluation.policy import NOVEL, Policy
from tickvision.evaluation.report_expected import expected, promised_on
from tickvision.evaluation.report_judged import Judged, judge, specimens_of_answers
from tickvision.evaluation.report_ladder import costly, given_wrong, missing, of_100, outcomes, what_if
from tickvision.evaluation.report_photographs import confusion_examples, photographs
from tickvision.evaluation.report_reliability import reliability
from tickvision.evaluation.slices import slices
from tickvision.evaluation.specimens import Specimens

FEW = 20  # training specimens of a class below which more photographs are the first thing to ask for
WEAK = 0.8  # a class whose recall may lie below this is on the list of what to photograph
NEXT_SHOWN = 8
LEAST_IN_HISTOGRAM = 20


@dataclass(frozen=True)
class Material:
    """frame: the whole manifest. part_of: photo_id -> part. findings: rows of findings.csv and import_findings.csv.
    history: rows of history.csv. costly: the names whose miss costs most, decide.costly."""

    frame: pd.DataFrame
    part_of: Mapping[str, str]
    findings: list[dict[str, str]]
    history: list[dict[str, str]]
    costly: tuple[str, ...] = ()


def read_material(
    frame: pd.DataFrame, part_of: Mapping[str, str], findings: list[Path], history: Path, costly: tuple[str, ...] = ()
) -> Material:
    """Return the material of a run; files that are not there count as empty."""
    return Material(frame, part_of, [r for path in findings for r in _rows(path)], _rows(history), costly)


def _rows(path: Path) -> list[dict[str, str]]:
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def extend(
    figures: Mapping[str, Any],
    test: Specimens,
    calibration: Specimens,
    policy: Policy,
    taxonomy: Taxonomy,
    material: Material,
) -> dict[str, Any]:
    """Return the figures of evaluate() and with them all that the report needs."""
    choices = policy.decide(test.taxon, test.state, taxonomy, test.quality, test.embedding) if len(test) else []
    judged = judge(test, choices, policy, taxonomy, material.frame)
    result: dict[str, Any] = {
        **figures,
        "data": data(material),
        "coverage": coverage(material.frame),
        "taxonomy": _space(taxonomy),
        "of_100": of_100(judged, taxonomy),
        "missing": missing(policy),
        "given_wrong": given_wrong(judged),
        "costly": costly(test, judged, taxonomy, material.costly),
        "what_if": what_if(test, promised_on(calibration, policy, taxonomy), policy, taxonomy),
        "expected": expected(test, calibration, judged, policy, taxonomy),
        "row_shares": {name: _row_shares(head["confusion"]) for name, head in figures.get("heads", {}).items()},
        "history": history(material.history),
    }
    result["next"] = to_photograph(judged, material, taxonomy, policy)
    if not len(test):
        return result
    judged_heads = heads(test, policy.cells(test.taxon, test.state), taxonomy)
    answers = judged_heads[-1][1]
    result["outcomes"] = outcomes(judged, judged_heads, taxonomy)
    result["reliability"] = reliability(test, judged, policy, taxonomy)
    result["slices"] = slices(material.frame, test, judged, taxonomy)
    result["forced"] = forced(judged)
    result["confusions"] = confusion_examples(material.frame, judged, answers)
    result["photographs"] = photographs(material.frame, judged, answers, policy)
    result["novelty"] = novelty(test, judged, policy, taxonomy) | dict(figures.get("novelty") or {})
    return result


def forced(judged: Judged) -> dict[str, Any]:
    """Return how many finest names would be wrong if nothing were referred, on labels that settle the finest name."""
    n = int((judged.truth >= 0).sum())
    k = n - int(judged.right[judged.truth >= 0].sum())
    return {"n": n, "wrong": k, "error": k / n if n else None, "interval": list(wilson(k, n)) if n else None}


def data(material: Material) -> dict[str, Any]:
    """Return what the set holds: photographs, specimens, sources, licences, dates, parts, and what was left out."""
    frame = material.frame
    used = frame[frame["status"] == "ok"]
    dates = sorted(d for d in used["event_date"] if d)
    part = used["photo_id"].map(dict(material.part_of)).fillna("")
    return {
        "photographs": len(used),
        "specimens": int(used["specimen_id"].nunique()),
        "rows": len(frame),
        "left_out": _counted(frame.loc[frame["status"] != "ok", "status"]),
        "sources": _counted(used["source"]),
        "licences": _counted(used["spdx"].replace(NONE, "")),
        "creators": int(used.loc[used["creator"] != "", "creator"].nunique()),
        "places": int(used.loc[used["place"] != "", "place"].nunique()),
        "first_date": dates[0] if dates else None,
        "last_date": dates[-1] if dates else None,
        "parts": [_part(used[part == p], p) for p in ("train", "val", "calibration", "test")],
        "findings": _findings(material.findings),
    }


def coverage(frame: pd.DataFrame) -> dict[str, Any]:
    """Return specimens by name (rows) and stage and sex (columns) as labelled, of the photographs that are used."""
    specimens = frame[frame["status"] == "ok"].drop_duplicates("specimen_id")
    state = (specimens["life_stage"] + " " + specimens["sex"]).str.strip().replace("", "not recorded")
    table = pd.crosstab(specimens["scientific_name"].replace("", "not named"), state)
    order = ("larva", "nymph", "adult female", "adult male", "adult")
    columns = sorted(table.columns, key=lambda c: (c == "not recorded", order.index(c) if c in order else 9, c))
    shown = [] if columns == ["not recorded"] else columns
    return {
        "columns": list(shown),
        "rows_of_names": [
            {"name": str(name), "counts": [int(row[c]) for c in shown], "all": int(row.sum())}
            for name, row in table.iterrows()
        ],
    }


def _part(rows: pd.DataFrame, name: str) -> dict[str, Any]:
    return {"part": name, "photographs": len(rows), "specimens": int(rows["specimen_id"].nunique())}


def _counted(values: pd.Series[str]) -> list[dict[str, Any]]:
    """Return name and photographs of each value, most frequent first; "" is "not recorded"."""
    counts = values.replace("", "not recorded").value_counts().to_dict()
    return [{"name": n, "photographs": int(c)} for n, c in sorted(counts.items(), key=lambda x: (-x[1], x[0]))]


def _findings(rows: list[dict[str, str]]) -> list[dict[str, Any]]:
    """Return each kind of finding with its severity and count, errors first."""
    rank = ("error", "warning", "note")
    counts: dict[tuple[str, str], int] = {}
    for row in rows:
        key = (row["finding"], row["severity"])
        counts[key] = counts.get(key, 0) + 1
    order = sorted(counts.items(), key=lambda x: (rank.index(x[0][1]) if x[0][1] in rank else 3, -x[1], x[0]))
    return [{"finding": f.replace("_", " "), "severity": s, "count": c} for (f, s), c in order]


def _space(taxonomy: Taxonomy) -> dict[str, Any]:
    named = [t for t in taxonomy.taxa if t != taxonomy.non_target]
    answers, _, _ = taxonomy.rung_answers("species_stage_sex")
    return {
        "kind": taxonomy.kind,
        "taxa": len(named),
        "names": named,
        "genera": len({g for t in named if (g := taxonomy.ancestor(t, "genus"))}),
        "cells": len(answers),
        "has_stages": taxonomy.has_stages,
        "has_sexes": taxonomy.has_sexes,
        "non_target": taxonomy.non_target,
        "groups": {
            "taxon": [taxonomy.ancestor(t, "genus") for t in taxonomy.taxa],
            "all": [taxonomy.ancestor(a.scientific_name, "genus") for a in answers],
        },
    }


def _row_shares(confusion: list[list[int]]) -> list[list[float] | None]:
    """Return each row of a confusion table as shares of its sum; None where there is no specimen."""
    return [[c / sum(row) for c in row] if sum(row) else None for row in confusion]


def history(rows: list[dict[str, str]]) -> list[dict[str, Any]]:
    """Return the epochs of a training: losses and val macro recall, None where not measured."""
    kept = ("train_loss", "val_loss", "val_macro_recall")
    return [
        {"epoch": int(r["epoch"]), "is_best": r["is_best"] == "True"}
        | {k: float(r[k]) if r.get(k) else None for k in kept}
        for r in rows
    ]


def to_photograph(judged: Judged, material: Material, taxonomy: Taxonomy, policy: Policy) -> dict[str, Any]:
    """Return the classes whose figures more photographs would mend most: few specimens or a recall that may be low."""
    frame = material.frame[material.frame["status"] == "ok"]
    taught = frame[frame["photo_id"].map(dict(material.part_of)) == "train"]
    size = len(judged.answers)
    counts, all_counts = (specimens_of_answers(f, taxonomy, policy.rungs[0].name, size) for f in (taught, frame))
    rows: list[dict[str, Any]] = []
    for a, answer in enumerate(judged.answers):
        here = judged.truth == a
        n, right = int(here.sum()), int((here & judged.right).sum())
        interval = list(wilson(right, n)) if n else None
        few, weak = counts[a] < FEW, interval is None or interval[0] < WEAK
        if (few or weak) and all_counts[a]:
            rows.append(
                {
                    "class": str(answer),
                    "train_specimens": counts[a],
                    "specimens": all_counts[a],
                    "n": n,
                    "right": right,
                    "recall": right / n if n else None,
                    "interval": interval,
                    "few": few,
                }
            )
    rows.sort(key=lambda r: (r["interval"][0] if r["interval"] else 0.0, r["specimens"], r["class"]))
    tested = set(judged.truth.tolist())
    return {
        "classes": len(rows),
        "few_below": FEW,
        "listed": rows[:NEXT_SHOWN],
        "unseen": [str(answer) for a, answer in enumerate(judged.answers) if not all_counts[a]],
        "untested": [str(answer) for a, answer in enumerate(judged.answers) if a not in tested],
    }


def novelty(test: Specimens, judged: Judged, policy: Policy, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return how many test specimens of listed taxa were set aside as strange: the price of the novelty limit."""
    known = np.ones(len(test), bool)
    if taxonomy.non_target:
        known = settled(test.taxon_mask) != taxonomy.taxa.index(taxonomy.non_target)
    flagged = np.array([r == NOVEL for r in judged.reasons], bool)
    n, k = int(known.sum()), int((known & flagged).sum())
    return {
        "has_limit": policy.novelty_limit is not None,
        "n": n,
        "flagged": k,
        "share": k / n if n else None,
        "interval": list(wilson(k, n)) if n else None,
        "histogram": _novelty_histogram(policy.strangeness(test.taxon, test.embedding), known, policy, taxonomy),
    }


def _novelty_histogram(
    scores: NDArray[np.float64], known: NDArray[np.bool_], policy: Policy, taxonomy: Taxonomy
) -> dict[str, Any] | None:
    """Return counts of the scores of listed names and of the non-target, None for fewer than 20 specimens.

    The few scores beyond the middle 99 % are counted at the ends.
    """
    if len(scores) < LEAST_IN_HISTOGRAM:
        return None
    low, high = (float(v) for v in np.quantile(scores, [0.005, 0.995]))
    if not low < high:
        return None
    limit = policy.novelty_limit
    high = max(high, limit) if limit is not None else high
    edges = np.linspace(low, high, 25)
    counts = [np.histogram(np.clip(scores[rows], low, high), edges)[0].tolist() for rows in (known, ~known)]
    return {
        "edges": edges.tolist(),
        "known": counts[0],
        "strange": counts[1],
        "strange_name": taxonomy.non_target,
        "limit": limit,
    }
