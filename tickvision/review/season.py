"""The season in numbers: what came in each week, what was referred, how long it took, how often the model was wrong."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from tickvision.evaluation.intervals import clopper_pearson
from tickvision.review import chain
from tickvision.review.audit import audited
from tickvision.review.drift import Drift, confidence_drift, embedding_drift

Interval = tuple[float, float]


@dataclass(frozen=True)
class Week:
    """One ISO week of submissions. Shares carry a 95 % Clopper-Pearson interval, None where there is no data.

    submissions: specimens without a submission's id count as one each.
    hours: median and 90th percentile from receipt to conclusion, None where nothing is concluded.
    wrong, audited: answers of specimens received in this week.
    """

    week: str
    submissions: int
    specimens: int
    referred: int
    referred_interval: Interval | None
    concluded: int
    hours_median: float | None
    hours_p90: float | None
    audited: int
    wrong: int
    wrong_interval: Interval | None


@dataclass(frozen=True)
class Season:
    """The weeks and their total, what was found (name -> stage and sex -> count), and whether the stream changed."""

    weeks: tuple[Week, ...]
    total: Week
    found: dict[str, dict[str, int]]
    drifts: tuple[Drift, ...]
    not_queued: int


STAGES = ("larva", "nymph", "adult female", "adult male", "adult", "stage open")


def summarise(connection: sqlite3.Connection) -> Season:
    """Return the season of everything in the store. A person's conclusion goes before the model's name."""
    rows = connection.execute("SELECT * FROM specimen ORDER BY received_at").fetchall()
    judged = {a.specimen_id: a.is_wrong for a in audited(connection)[0]}
    by_week: dict[str, list[sqlite3.Row]] = {}
    for row in rows:
        by_week.setdefault(_week(row["received_at"]), []).append(row)
    weeks = tuple(_summary(week, some, judged) for week, some in sorted(by_week.items()))
    return Season(
        weeks,
        _summary("season", rows, judged),
        _found(connection, rows),
        (confidence_drift(_confidences(rows)), embedding_drift(_embeddings(rows))),
        sum(not r["is_queued"] for r in rows),
    )


def _week(at: str) -> str:
    year, week, _ = date.fromisoformat(at[:10]).isocalendar()
    return f"{year}-W{week:02d}"


def _summary(week: str, rows: Sequence[sqlite3.Row], judged: dict[str, bool]) -> Week:
    referred = sum(r["machine_state"] in ("referred", "unusable") for r in rows)
    hours = [
        (datetime.fromisoformat(r["concluded_at"]) - datetime.fromisoformat(r["received_at"])).total_seconds() / 3600
        for r in rows
        if r["concluded_at"]
    ]
    checked = [judged[r["specimen_id"]] for r in rows if r["specimen_id"] in judged]
    return Week(
        week,
        len({json.loads(r["facts"]).get("submission_id") or r["specimen_id"] for r in rows}),
        len(rows),
        referred,
        clopper_pearson(referred, len(rows)) if rows else None,
        len(hours),
        float(np.median(hours)) if hours else None,
        float(np.quantile(hours, 0.9)) if hours else None,
        len(checked),
        sum(checked),
        clopper_pearson(sum(checked), len(checked)) if checked else None,
    )


def _found(connection: sqlite3.Connection, rows: Sequence[sqlite3.Row]) -> dict[str, dict[str, int]]:
    chains = chain.all_chains(connection)
    counts: dict[str, Counter[str]] = {}
    for row in rows:
        result = chain.conclude(chains.get(row["specimen_id"], []), bool(row["second_drawn"]))
        link = result.final or (result.machine if not row["is_queued"] else None)
        if link is None:
            name, state = "not concluded yet", "stage open"
        elif link.outcome == chain.NOT_A_TICK:
            name, state = "not a tick", "stage open"
        else:
            name = link.scientific_name
            state = " ".join(filter(None, (link.life_stage, link.sex))) or "stage open"
        counts.setdefault(name, Counter())[state] += 1
    return {name: dict(c) for name, c in sorted(counts.items(), key=lambda item: -sum(item[1].values()))}


def _confidences(rows: Sequence[sqlite3.Row]) -> list[float]:
    return [float(json.loads(r["prediction"])["confidence"]) for r in rows if r["machine_state"] != "unusable"]


def _embeddings(rows: Sequence[sqlite3.Row]) -> list[np.ndarray]:
    return [np.frombuffer(r["embedding"], "<f4") for r in rows if r["embedding"] is not None]
