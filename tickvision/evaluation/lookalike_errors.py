"""How many wrong names lie inside the look-alike pairs of the trade."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.tables import rows as table_rows
from tickvision.domain.taxonomy import Answer, Taxonomy
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.specimens import Specimens, true_answers

Floats = NDArray[np.float64]


def lookalike_errors(test: Specimens, cells: Floats, policy: Policy, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return how many wrong names (all together, nothing referred) lie inside the look-alike pairs of the trade."""
    answers, _, claims = taxonomy.rung_answers("species_stage_sex")
    truth = true_answers(test, claims)
    said, _ = policy.answers(cells, taxonomy, 0)
    errors = [(answers[t], answers[s]) for t, s in zip(truth, said, strict=True) if t >= 0 and t != s]
    inside = sum(are_lookalikes(a, b) for a, b in errors)
    grown = sum(_is_nymph_against_female(a, b) for a, b in errors)
    worst: dict[tuple[str, str], int] = {}
    for a, b in errors:
        worst[(str(a), str(b))] = worst.get((str(a), str(b)), 0) + 1
    ranked = sorted(worst.items(), key=lambda item: (-item[1], item[0]))[:10]
    return {
        "errors": len(errors),
        "inside_pairs": inside,
        "nymph_against_female": grown,
        "worst": [{"truth": a, "named": b, "count": count} for (a, b), count in ranked],
    }


def are_lookalikes(a: Answer, b: Answer) -> bool:
    """True if the two names, at the same stage, or the genera of larvae, are a pair of lookalikes.csv."""
    if a.life_stage != b.life_stage or not a.life_stage:
        return False
    if a.life_stage == "larva":
        return True
    for row in table_rows("lookalikes"):
        pair = [row["taxon_a"], row["taxon_b"]]
        if row["stage"] != "all" and a.life_stage not in row["stage"]:
            continue
        if any(_fits(a, x) and _fits(b, y) for x, y in (pair, pair[::-1])):
            return True
    return False


def _is_nymph_against_female(a: Answer, b: Answer) -> bool:
    """True if a nymph and a female of one name were mixed up: alike but for size and the porose areas (PW585)."""
    stages = {(x.life_stage, x.sex) for x in (a, b)}
    return a.scientific_name == b.scientific_name and stages == {("nymph", ""), ("adult", "female")}


def _fits(answer: Answer, listed: str) -> bool:
    name = listed.removesuffix(" spp.")
    return (
        name in (answer.scientific_name, f"{answer.scientific_name} {answer.sex}")
        or answer.scientific_name == name.split(" ")[0] != name
        or (name != listed and answer.scientific_name.startswith(name))
    )
