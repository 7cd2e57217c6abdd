"""Soft rules: what asks for a second look, and that the usual case beside it does not."""

from __future__ import annotations

import pytest

from tickvision.domain import rules

USUAL = {"taxon_rank": "species", "life_stage": "adult", "sex": "female"}


@pytest.mark.parametrize(
    ("rule", "odd", "usual"),
    [
        # R8, COMM-OTO, RILEY15: adults of the spinose ear tick do not feed
        ("R8", {"scientific_name": "Otobius megnini", "host": "dog"}, {"life_stage": "nymph", "sex": ""}),
        # R10, EGIZI19: the North American population breeds without males
        ("R10", {"scientific_name": "Haemaphysalis longicornis", "sex": "male"}, {"sex": "female"}),
        # R11, CAES, EOL514561
        (
            "R11",
            {"scientific_name": "Dermacentor variabilis", "life_stage": "nymph", "sex": "", "host": "Homo sapiens"},
            {"host": "meadow vole"},
        ),
        # R12, doi 10.1139/z72-061 for I. cookei
        ("R12", {"scientific_name": "Ixodes cookei", "attached": "crawling outdoors"}, {"attached": "attached"}),
        # R13, CAES
        ("R13", {"scientific_name": "Ixodes scapularis", "sex": "male", "attached": "attached"}, {"sex": "female"}),
        # R4, CAES
        ("R4", {"scientific_name": "Ixodes scapularis", "sex": "male", "feeding": "fully"}, {"feeding": "partly"}),
    ],
)
def test_what_is_odd_asks_for_a_second_look(rule: str, odd: dict[str, str], usual: dict[str, str]) -> None:
    breaches = rules.check_label(**USUAL | odd)
    assert [(b.rule, b.level) for b in breaches] == [(rule, "soft")]
    assert rules.check_label(**USUAL | odd | usual) == []


@pytest.mark.parametrize(
    ("name", "rank"), [("Ixodes", "species"), ("Ixodes scapularis", "genus"), ("Ixodes scapularis", "family")]
)
def test_a_rank_that_does_not_fit_the_name_is_a_contradiction(name: str, rank: str) -> None:
    # TDWG Darwin Core, term taxonRank: the rank of the most specific name in scientificName
    breach = rules.check_label(name, rank, "adult", "female")
    assert [(b.rule, b.level) for b in breach] == [("R18", "hard")]
    assert f"taxon_rank '{rank}' does not fit the name '{name}'" in breach[0].message
