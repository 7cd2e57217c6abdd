"""Which mix-ups count as look-alike pairs: the rows of the table of look-alikes (sources stand in it)."""

from __future__ import annotations

import pytest

from tickvision.domain.taxonomy import Answer
from tickvision.evaluation.lookalike_errors import are_lookalikes


def _answer(text: str) -> Answer:
    name, state = text.split(", ")
    stage, _, sex = state.partition(" ")
    return Answer(name, "species" if " " in name else "genus", stage, sex)


@pytest.mark.parametrize(
    ("one", "other", "listed"),
    [
        ("Ixodes scapularis, adult female", "Ixodes cookei, adult female", True),
        ("Ixodes scapularis, nymph", "Amblyomma americanum, nymph", True),
        ("Amblyomma, nymph", "Haemaphysalis longicornis, nymph", True),  # capped at the genus
        ("Haemaphysalis longicornis, nymph", "Rhipicephalus sanguineus, nymph", True),
        ("Dermacentor variabilis, adult male", "Dermacentor variabilis, adult female", True),
        ("Ixodes, larva", "Amblyomma, larva", True),
        ("Ixodes scapularis, adult male", "Ixodes scapularis, adult female", False),
        ("Ixodes cookei, nymph", "Rhipicephalus sanguineus, nymph", False),
        ("Ixodes scapularis, nymph", "Ixodes cookei, adult female", False),
        ("Amblyomma, larva", "Amblyomma, nymph", False),
    ],
)
def test_the_listed_pairs_count_and_no_others(one: str, other: str, listed: bool) -> None:
    a, b = _answer(one), _answer(other)
    assert are_lookalikes(a, b) is are_lookalikes(b, a) is listed
