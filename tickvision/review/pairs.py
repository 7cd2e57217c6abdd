"""How far the readers agree, pair by pair, the model as one of them. Only blind readings count, never a settling."""

from __future__ import annotations

import itertools
import sqlite3
from dataclasses import dataclass

import numpy as np

from tickvision.errors import MetricError
from tickvision.evaluation.agreement import Estimate, cohen, raw_agreement, with_interval
from tickvision.review import chain
from tickvision.review.chain import Identification
from tickvision.review.decisions import holds

FEW = 10  # common practice, no source: below this a kappa says nothing
REPS = 1000
MODEL = "the model"


@dataclass(frozen=True)
class PairAgreement:
    """Two readers, the specimens both named, and how far they agree on name, stage and sex. kappa None = no data."""

    first: str
    second: str
    n: int
    raw: float
    kappa: Estimate | None
    why_none: str = ""


def agreement(connection: sqlite3.Connection) -> list[PairAgreement]:
    """Return each pair of readers (and reader and model) that has read the same specimens, the largest first.

    The reader's first reading of a specimen counts where it was blind: without having asked for the shortlist when the
    other is the model.
    """
    said: dict[str, dict[str, Identification]] = {}
    for specimen, links in chain.all_chains(connection).items():
        gone = {i.withdraws for i in links}
        for link in links:
            if link.kind == "machine" and link.outcome != chain.REFERRED:
                said.setdefault(specimen, {}).setdefault(MODEL, link)
            elif link.kind == "reading" and link.outcome not in chain.WAITS and link.id not in gone:
                said.setdefault(specimen, {}).setdefault(link.identified_by, link)
    together: dict[tuple[str, str], list[tuple[str, Identification, Identification]]] = {}
    for specimen, by in said.items():
        for one, two in itertools.combinations(sorted(by, key=lambda n: (n == MODEL, n)), 2):
            if not (two == MODEL and by[one].looked):
                together.setdefault((one, two), []).append((specimen, by[one], by[two]))
    found = [_agreement(one, two, cases) for (one, two), cases in together.items()]
    return sorted(found, key=lambda p: -p.n)


Said = tuple[str, str, str, str]


def _as_said(one: Identification, two: Identification) -> tuple[Said, Said]:
    """Return what both said; beside the model a reader counts as alike if its claim, which may be coarse, holds."""
    return (two.said if two.kind == "machine" and holds(two, one) else one.said), two.said


def _agreement(one: str, two: str, cases: list[tuple[str, Identification, Identification]]) -> PairAgreement:
    both = [_as_said(a, b) for _, a, b in cases]
    words = {w: i for i, w in enumerate(dict.fromkeys(s for pair in both for s in pair))}
    a, b = (np.array([words[pair[i]] for pair in both]) for i in (0, 1))
    specimens = np.array([s for s, _, _ in cases])
    raw = raw_agreement(a, b, len(words))
    if len(cases) < FEW:
        return PairAgreement(one, two, len(cases), raw, None, "too few to say")
    try:
        kappa = with_interval(cohen, specimens, a, b, n_classes=len(words), reps=REPS)
    except MetricError:
        return PairAgreement(one, two, len(cases), raw, None, "both gave one and the same name throughout")
    return PairAgreement(one, two, len(cases), raw, kappa)
