"""What a reader may say of a case, and what is laid beside it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from desk_days import GOOD, decision

from tickvision.review import (
    chain,
    decisions,
    knowledge,
)


@pytest.mark.parametrize(
    ("form", "field", "word"),
    [
        ({"outcome": ""}, "outcome", "Say first"),
        ({"taxon": ""}, "taxon", "lowest name"),
        ({"taxon": "Ixodes scapulatus"}, "taxon", "Did you mean"),
        ({"taxon": "wood tick"}, "taxon", "several ticks"),
        ({"sex": "male", "life_stage": "nymph"}, "sex", "R2"),
        ({"life_stage": "larva", "sex": ""}, "taxon", "R14"),
        ({"confidence": ""}, "confidence", "Choose"),
        ({"life_stage": "pupa"}, "life_stage", "larva"),
        ({"length_mm": "-3"}, "length_mm", "millimetres"),
        ({"taxon": "Dermacentor", "qualifier": "cf."}, "qualifier", "doubt about a species"),
    ],
)
def test_a_decision_that_cannot_be_is_not_kept(form: dict[str, str], field: str, word: str) -> None:
    assert word in decisions.check(GOOD | form, (), {}, False).faults[field]


def test_synonyms_and_trade_names_are_read_as_the_accepted_name() -> None:
    # Oliver et al. 1993: Ixodes dammini is a junior synonym of I. scapularis
    checked = decisions.check(GOOD | {"taxon": "Ixodes dammini"}, (), {}, False)
    assert checked.link.scientific_name == "Ixodes scapularis"
    assert {"Ixodes dammini", "lone star tick", "Ixodida", "Argasidae"} <= {
        n.written for n in knowledge.choosable_names()
    }


def test_doubt_about_the_species_is_kept_at_the_genus() -> None:
    # open nomenclature, Sigovini et al. 2016: cf. stands before the epithet
    link = decisions.check(GOOD | {"qualifier": "cf."}, (), {}, False).link
    assert (link.scientific_name, link.taxon_rank, link.qualifier) == ("Dermacentor", "genus", "cf. variabilis")


def test_a_larva_may_be_named_under_the_microscope() -> None:
    form = GOOD | {"life_stage": "larva", "sex": "", "based_on": "microscope"}
    assert not decisions.check(form, (), {}, False).faults


def test_other_names_are_taken_as_written_where_the_job_is_not_on_ticks() -> None:
    checked = decisions.check(GOOD | {"taxon": "Sneaker", "sex": "", "life_stage": ""}, (), {}, True)
    assert (checked.faults, checked.link.scientific_name) == ({}, "Sneaker")


def test_every_text_to_a_submitter_holds_the_caution() -> None:
    for outcome in chain.WAITS:
        text = knowledge.ready_text(outcome, decision("a"), {}, "bench", "room 2", False)
        assert "not a diagnosis" in text
        assert "room 2" in text
    removed = decision("a", removed_at="2026-05-03T18:30")
    assert "2026-05-06T18:30" in knowledge.ready_text(chain.NEED_PHOTO, removed, {}, "bench", "room 2", True)


def test_every_character_of_the_checklist_has_states_and_a_source() -> None:
    found = knowledge.general_characters()
    assert {"scutum", "capitulum"} <= {c.name for c in found}
    assert all(source for c in found for _, _, source in c.states)
    named = {part.strip() for c in found for _, _, source in c.states for part in source.split(";")}
    keys = {key for key, _ in knowledge.sources(named)}
    assert {n for n in named if n.split(":")[0] not in keys} <= {"from memory", "common practice"}
    assert knowledge.sources(["CAESAR", "from memory"]) == []


def test_a_removal_in_the_future_is_doubted() -> None:
    (line,) = knowledge.doubtful_dates({}, "2998-05-03T18:30")
    assert line.startswith("removal date 2998-05-03 lies in the future. Ask the sender")
    assert knowledge.doubtful_dates({}, datetime.now(UTC).isoformat()) == []
