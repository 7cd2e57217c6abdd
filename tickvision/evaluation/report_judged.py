"""Each test specimen judged once: what it would be called, what the ladder said of it, and whether that was right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Answer, Taxonomy, settled_answers
from tickvision.errors import DataError
from tickvision.evaluation.answered import judge_choices
from tickvision.evaluation.policy import Choice, Policy
from tickvision.evaluation.specimens import Specimens, is_right, is_wrong, true_answers

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
REFERRED = -1


@dataclass(frozen=True)
class Judged:
    """One row a test specimen, all arrays (G,).

    answers: the finest rung's; truth, said: their numbers, truth -1 where the label leaves it open; confidence of said.
    right, wrong: of said, if nothing were referred. rung: REFERRED or the rung that answered; given: what it said.
    given_right, given_wrong: of given; neither where the label leaves it open or the specimen was referred.
    labels: as written in the manifest.
    """

    ids: NDArray[np.str_]
    photo: NDArray[np.str_]
    answers: list[Answer]
    truth: Ints
    said: Ints
    confidence: Floats
    right: Bools
    wrong: Bools
    rung: Ints
    given: list[Answer | None]
    given_right: Bools
    given_wrong: Bools
    reasons: list[str]
    labels: list[str]

    def __len__(self) -> int:
        return len(self.ids)

    @property
    def named(self) -> Bools:
        """Return (G,) bool: answered by some rung."""
        return np.asarray(self.rung != REFERRED)


def judge(
    test: Specimens, choices: Sequence[Choice], policy: Policy, taxonomy: Taxonomy, frame: pd.DataFrame
) -> Judged:
    """Return the judged test specimens. choices: of policy.decide, in their order. frame: the manifest."""
    answers, _, claims = taxonomy.rung_answers(policy.rungs[0].name)
    said, confidence = np.zeros(0, np.intp), np.zeros(0)
    if len(test):
        said, confidence = policy.answers(policy.cells(test.taxon, test.state), taxonomy, 0)
    rung = np.array([REFERRED if c.rung is None else c.rung for c in choices], dtype=np.int64)
    right, wrong = judge_choices(test, choices, policy, taxonomy)
    return Judged(
        test.ids,
        test.first_photo,
        answers,
        true_answers(test, claims) if len(test) else np.zeros(0, np.int64),
        np.asarray(said, np.int64),
        confidence,
        is_right(test, claims, said) if len(test) else right,
        is_wrong(test, claims, said) if len(test) else wrong,
        rung,
        [None if c.rung is None else c.answer for c in choices],
        right,
        wrong,
        [c.reason for c in choices],
        _labels(test.ids, frame),
    )


def _labels(ids: NDArray[np.str_], frame: pd.DataFrame) -> list[str]:
    """Return what the manifest calls each specimen, "not named" where it says nothing."""
    first = frame.drop_duplicates("specimen_id").set_index("specimen_id")
    columns = [first[c].to_dict() for c in ("scientific_name", "life_stage", "sex")]
    return [label_text(*(str(c.get(s, "")) for c in columns)) for s in ids]


def label_text(name: str, stage: str, sex: str) -> str:
    """Return a label as an answer is written: "Ixodes scapularis, adult female"."""
    state = " ".join(filter(None, (stage, sex)))
    return ", ".join(filter(None, (name or "not named", state)))


def label_answers(frame: pd.DataFrame, taxonomy: Taxonomy, rung: str) -> dict[tuple[str, str, str], int]:
    """Return the number of the rung's narrowest answer that holds each label of the manifest; open ones are absent."""
    _, _, claims = taxonomy.rung_answers(rung)
    triples = frame[["scientific_name", "life_stage", "sex"]].drop_duplicates().itertuples(index=False, name=None)
    found: dict[tuple[str, str, str], int] = {}
    for name, stage, sex in triples:
        try:
            taxa, states = taxonomy.label_masks(name, stage, sex)
        except DataError:
            continue
        answer = int(settled_answers(np.outer(taxa, states).reshape(1, -1), claims)[0])
        if answer >= 0:
            found[(name, stage, sex)] = answer
    return found


def specimens_of_answers(frame: pd.DataFrame, taxonomy: Taxonomy, rung: str, size: int) -> list[int]:
    """Return how many specimens of the frame bear a label that each of the rung's answers (size of them) holds."""
    number = label_answers(frame, taxonomy, rung)
    specimens = frame.drop_duplicates("specimen_id")
    totals = [0] * size
    for label in zip(specimens["scientific_name"], specimens["life_stage"], specimens["sex"], strict=True):
        if label in number:
            totals[number[label]] += 1
    return totals
