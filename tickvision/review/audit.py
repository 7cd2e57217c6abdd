"""The promise against what was seen: audited answers, in the order in which they were settled, watched for decay."""

from __future__ import annotations

import sqlite3
from collections import Counter
from dataclasses import dataclass

from tickvision.evaluation.intervals import clopper_pearson
from tickvision.evaluation.sequential import Alarm, watch
from tickvision.review import chain, decisions
from tickvision.review.chain import Said
from tickvision.review.settings import DeskSettings


@dataclass(frozen=True)
class Audited:
    """One answer of the model that a person has checked without knowing it was one. left_open: not wrong but unsettled.

    What is left open counts as wrong, as it did when the promise was certified.
    """

    specimen_id: str
    concluded_at: str
    claim: Said
    final: Said
    is_wrong: bool
    left_open: bool


@dataclass(frozen=True)
class Watch:
    """State of the audit. waiting: drawn answers that nobody has settled yet. by_taxon: name -> (errors, audited)."""

    alarm: Alarm
    left_open: int
    waiting: int
    interval: tuple[float, float] | None
    by_taxon: dict[str, tuple[int, int]]
    advice: tuple[str, ...]

    @property
    def share(self) -> float | None:
        """Share of audited answers that were wrong, None without any."""
        return self.alarm.errors / self.alarm.n if self.alarm.n else None


_AUDITED = """
SELECT s.specimen_id, s.concluded_at, m.outcome, m.scientific_name, m.life_stage, m.sex,
       f.outcome, f.scientific_name, f.life_stage, f.sex
FROM specimen s
JOIN identification m ON m.id = (
  SELECT min(id) FROM identification i WHERE i.specimen_id = s.specimen_id AND i.kind = 'machine')
LEFT JOIN identification f ON f.id = s.final_id
WHERE s.is_random AND m.outcome <> :referred
ORDER BY s.concluded_at, s.specimen_id
"""


def audited(connection: sqlite3.Connection) -> tuple[list[Audited], int]:
    """Return (settled audits in the order in which they were concluded, number of drawn answers not settled yet).

    Only specimens drawn at random on arrival count: an answer that was referred later by another model does not.
    """
    done, waiting = [], 0
    for row in connection.execute(_AUDITED, {"referred": chain.REFERRED}):
        claim, final = Said(*row[2:6]), Said(*row[6:10])
        if not final.outcome:
            waiting += 1
            continue
        is_wrong, left_open = not decisions.holds(claim, final), decisions.leaves_open(claim, final)
        done.append(Audited(row["specimen_id"], row["concluded_at"], claim, final, is_wrong, left_open))
    return done, waiting


def watch_promise(connection: sqlite3.Connection, settings: DeskSettings) -> Watch:
    """Return whether the season's audited answers keep the promise, and what to do if not."""
    done, waiting = audited(connection)
    alarm = watch([a.is_wrong for a in done], settings.max_error, settings.false_alarm)
    interval = clopper_pearson(alarm.errors, alarm.n) if alarm.n else None
    counted: Counter[str] = Counter(a.claim.scientific_name or "not a tick" for a in done)
    wrong: Counter[str] = Counter(a.claim.scientific_name or "not a tick" for a in done if a.is_wrong)
    by_taxon = {name: (wrong[name], n) for name, n in counted.most_common()}
    left_open = sum(a.left_open for a in done)
    return Watch(alarm, left_open, waiting, interval, by_taxon, _advice(alarm, left_open, by_taxon, settings))


def _advice(
    alarm: Alarm, left_open: int, by_taxon: dict[str, tuple[int, int]], settings: DeskSettings
) -> tuple[str, ...]:
    if alarm.raised_at is None:
        return ()
    lines = [
        f"ALARM at audit {alarm.raised_at}: more than {settings.max_error:.0%} of the names given are wrong; with the "
        f"promise kept, this would be seen in at most {settings.false_alarm:.0%} of seasons.",
        "Stop giving names without a person (refer every case) until the model is certified again on this season's "
        "randomly drawn specimens: tickvision review export, then tickvision calibrate.",
    ]
    worst = sorted(((clopper_pearson(k, n)[0], name, k, n) for name, (k, n) in by_taxon.items() if k), reverse=True)
    over = [f"{name} ({k} of {n})" for low, name, k, n in worst if low > settings.max_error]
    if over:
        lines.append(f"Over the promise by themselves: {', '.join(over)}. Re-label and photograph these first.")
    elif worst:
        lines.append(f"Most errors: {', '.join(f'{name} ({k} of {n})' for _, name, k, n in worst[:3])}.")
    if left_open:
        lines.append(
            f"{left_open} of the {alarm.errors} were not contradicted but left open by the reader; ask for these "
            "specimens before you blame the model."
        )
    return tuple(lines)
