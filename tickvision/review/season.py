"""The season in numbers: what came in each week, what was referred, how long it took, how often the model was wrong."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np

from tickvision.evaluation.intervals import clopper_pearson
from tickvision.review.audit import audited
from tickvision.review.drift import MOST, Drift, confidence_drift, embedding_drift

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
    """The weeks and their total, and what was found (name -> stage and sex -> count)."""

    weeks: tuple[Week, ...]
    total: Week
    found: dict[str, dict[str, int]]
    not_queued: int


STAGES = ("larva", "nymph", "adult female", "adult male", "adult", "stage open")
_SPECIMENS = """
SELECT specimen_id, received_at, machine_state IN ('referred', 'unusable') AS is_referred, is_queued,
       (julianday(nullif(concluded_at, '')) - julianday(received_at)) * 24 AS hours,
       coalesce(nullif(json_extract(facts, '$.submission_id'), ''), specimen_id) AS submission
FROM specimen ORDER BY received_at
"""
_FOUND = """
SELECT CASE WHEN i.id IS NULL THEN 'not concluded yet' WHEN i.outcome = 'not_a_tick' THEN 'not a tick'
            ELSE i.scientific_name END AS name,
       coalesce(nullif(trim(i.life_stage || ' ' || i.sex), ''), 'stage open') AS state,
       count(*) AS specimens
FROM specimen s
LEFT JOIN identification i ON i.id = coalesce(s.final_id, CASE WHEN NOT s.is_queued THEN (
  SELECT max(m.id) FROM identification m WHERE m.specimen_id = s.specimen_id AND m.kind = 'machine') END)
GROUP BY name, state
"""


def summarise(connection: sqlite3.Connection) -> Season:
    """Return the season of everything in the store. A person's conclusion goes before the model's name."""
    rows = connection.execute(_SPECIMENS).fetchall()
    judged = {a.specimen_id: a.is_wrong for a in audited(connection)[0]}
    by_week: dict[str, list[sqlite3.Row]] = {}
    for row in rows:
        by_week.setdefault(_week(row["received_at"][:10]), []).append(row)
    weeks = tuple(_summary(week, some, judged) for week, some in sorted(by_week.items()))
    not_queued = sum(not r["is_queued"] for r in rows)
    return Season(weeks, _summary("season", rows, judged), _found(connection), not_queued)


@cache
def _week(day: str) -> str:
    year, week, _ = date.fromisoformat(day).isocalendar()
    return f"{year}-W{week:02d}"


def _summary(week: str, rows: Sequence[sqlite3.Row], judged: dict[str, bool]) -> Week:
    referred = sum(r["is_referred"] for r in rows)
    hours = [r["hours"] for r in rows if r["hours"] is not None]
    checked = [judged[r["specimen_id"]] for r in rows if r["specimen_id"] in judged]
    return Week(
        week,
        len({r["submission"] for r in rows}),
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


def _found(connection: sqlite3.Connection) -> dict[str, dict[str, int]]:
    counts: dict[str, dict[str, int]] = {}
    for row in connection.execute(_FOUND):
        counts.setdefault(row["name"], {})[row["state"]] = row["specimens"]
    return dict(sorted(counts.items(), key=lambda item: (-sum(item[1].values()), item[0])))


def drifts(connection: sqlite3.Connection) -> tuple[Drift, Drift]:
    """Return whether confidence and embedding of the newest specimens are those of the ones before."""
    newest = "FROM specimen WHERE {} ORDER BY received_at DESC, rowid DESC LIMIT {}"
    confidences = connection.execute(
        "SELECT json_extract(prediction, '$.confidence') " + newest.format("machine_state <> 'unusable'", MOST)
    )
    embeddings = connection.execute("SELECT embedding " + newest.format("embedding IS NOT NULL", MOST))
    return (
        confidence_drift([float(r[0]) for r in confidences][::-1]),
        embedding_drift([np.frombuffer(r[0], "<f4") for r in embeddings][::-1]),
    )
