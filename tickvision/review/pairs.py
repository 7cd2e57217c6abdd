"""How far the readers agree, pair by pair, the model as one of them. Only blind readings count, never a settling."""

from __future__ import annotations

import itertools
import sqlite3
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tickvision.errors import MetricError
from tickvision.evaluation.agreement import Estimate, cohen_estimate, raw_agreement
from tickvision.review.chain import Said
from tickvision.review.decisions import holds

FEW = 10  # common practice, no source: below this a kappa says nothing
MODEL = "the model"

_NAMED = """
SELECT specimen_id, kind, identified_by, looked, outcome, scientific_name, life_stage, sex
FROM identification i
WHERE kind IN ('machine', 'reading') AND outcome IN ('named', 'not_a_tick')
  AND id NOT IN (SELECT withdraws FROM identification WHERE withdraws IS NOT NULL)
  AND specimen_id IN (SELECT specimen_id FROM identification WHERE kind = 'reading')
ORDER BY id
"""


@dataclass(frozen=True)
class PairAgreement:
    """Two readers, the specimens both named, and how far they agree on name, stage and sex. kappa None = no data."""

    first: str
    second: str
    n: int
    raw: float
    kappa: Estimate | None
    why_none: str = ""


class _Named(NamedTuple):
    said: Said
    looked: bool


def agreement(connection: sqlite3.Connection) -> list[PairAgreement]:
    """Return each pair of readers (and reader and model) that has read the same specimens, the largest first.

    The reader's first reading of a specimen counts where it was blind: without having asked for the shortlist when the
    other is the model. Beside the model a reader counts as alike if its claim, which may be coarse, holds.
    """
    named: dict[str, dict[str, _Named]] = {}
    for row in connection.execute(_NAMED):
        by = MODEL if row["kind"] == "machine" else row["identified_by"]
        named.setdefault(row["specimen_id"], {}).setdefault(by, _Named(Said(*row[4:]), bool(row["looked"])))
    together: dict[tuple[str, str], list[tuple[Said, Said]]] = {}
    for readers in named.values():
        for one, two in itertools.combinations(sorted(readers, key=lambda n: (n == MODEL, n)), 2):
            first, second = readers[one], readers[two]
            if two != MODEL:
                together.setdefault((one, two), []).append((first.said, second.said))
            elif not first.looked:
                alike = holds(second.said, first.said)
                together.setdefault((one, two), []).append((second.said if alike else first.said, second.said))
    found = [_agreement(one, two, cases) for (one, two), cases in together.items()]
    return sorted(found, key=lambda p: -p.n)


def _agreement(one: str, two: str, cases: list[tuple[Said, Said]]) -> PairAgreement:
    words = {w: i for i, w in enumerate(dict.fromkeys(itertools.chain.from_iterable(cases)))}
    a, b = (np.array([words[pair[i]] for pair in cases]) for i in (0, 1))
    raw = raw_agreement(a, b, len(words))
    if len(cases) < FEW:
        return PairAgreement(one, two, len(cases), raw, None, "too few to say")
    try:
        return PairAgreement(one, two, len(cases), raw, cohen_estimate(a, b, len(words)))
    except MetricError:
        return PairAgreement(one, two, len(cases), raw, None, "both gave one and the same name throughout")
