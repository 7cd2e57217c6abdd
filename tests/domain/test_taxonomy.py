from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tickvision.domain.taxonomies import flat_taxonomy, table_taxonomy, tick_taxonomy
from tickvision.domain.taxonomy import Answer, Taxon, Taxonomy
from tickvision.errors import DataError

EIGHT = (
    "Amblyomma americanum", "Amblyomma maculatum", "Dermacentor albipictus", "Dermacentor variabilis",
    "Haemaphysalis longicornis", "Ixodes cookei", "Ixodes scapularis", "Rhipicephalus sanguineus",
)  # fmt: skip


@pytest.fixture(scope="module")
def ticks() -> Taxonomy:
    return tick_taxonomy(EIGHT, "not a tick")


def test_a_full_label_leaves_one_cell_open(ticks: Taxonomy) -> None:
    taxon, state = ticks.label_masks("Ixodes scapularis", "adult", "female")
    assert (taxon.sum(), state.sum()) == (1, 1)


def test_a_genus_and_adult_label_leaves_the_genus_and_both_sexes_open(ticks: Taxonomy) -> None:
    taxon, state = ticks.label_masks("Ixodes", "adult", "")
    assert [t for t, m in zip(ticks.taxa, taxon, strict=True) if m] == ["Ixodes cookei", "Ixodes scapularis"]
    assert [s for s, m in zip(ticks.states, state, strict=True) if m] == [("adult", "female"), ("adult", "male")]


def test_a_sex_without_a_stage_means_adult(ticks: Taxonomy) -> None:
    # common practice, no source: only adults are sexed
    assert np.array_equal(ticks.state_mask("", "male"), ticks.state_mask("adult", "male"))


@pytest.mark.parametrize("stage", ["larva", "nymph"])
def test_no_cell_has_a_sex_before_adult(ticks: Taxonomy, stage: str) -> None:
    with pytest.raises(DataError, match="no state"):
        ticks.state_mask(stage, "female")


def test_no_answer_names_a_larva_below_genus(ticks: Taxonomy) -> None:
    # COLEY15; UALB-ALB: larvae need a microscope
    for rung in ticks.rungs():
        for answer in ticks.rung_answers(rung)[0]:
            if answer.life_stage == "larva":
                assert answer.rank == "genus"


def test_dog_and_winter_tick_are_one_answer_when_both_are_listed(ticks: Taxonomy) -> None:
    # UALB-ALB: the goblets that separate them are not seen from above
    names = {a.scientific_name for a in ticks.rung_answers("species_stage_sex")[0]}
    assert "Dermacentor" in names
    assert not names & {"Dermacentor variabilis", "Dermacentor albipictus"}
    alone = tick_taxonomy(["Dermacentor variabilis", "Ixodes scapularis"])
    assert Answer("Dermacentor variabilis", "species", "adult", "male") in alone.rung_answers("species_stage_sex")[0]


def test_the_widest_cap_wins_whatever_the_order() -> None:
    one = tick_taxonomy(["Haemaphysalis longicornis", "Haemaphysalis leporispalustris"])
    answers = one.rung_answers("species_stage_sex")[0]
    assert {a.scientific_name for a in answers} == {"Haemaphysalis"}


def test_the_non_target_has_neither_stage_nor_sex_nor_genus(ticks: Taxonomy) -> None:
    for rung in ticks.rungs():
        mine = [a for a in ticks.rung_answers(rung)[0] if a.scientific_name == "not a tick"]
        assert mine == [Answer("not a tick", "none")]


@given(cell=st.integers(0, 35), rung=st.sampled_from(["species_stage_sex", "species_stage", "genus_stage", "genus"]))
def test_an_answer_claims_the_cell_it_is_made_from(cell: int, rung: str) -> None:
    taxonomy = tick_taxonomy(EIGHT, "not a tick")
    assert taxonomy.claims(taxonomy.answer_for(cell, rung))[cell]


def test_rungs_claim_more_and_more_cells(ticks: Taxonomy) -> None:
    for cell in range(ticks.n_cells):
        sets = [ticks.claims(ticks.answer_for(cell, rung)) for rung in ticks.rungs()]
        for fine, coarse in itertools.pairwise(sets):
            assert not (fine & ~coarse).any()


def test_json_gives_an_equal_taxonomy_back(ticks: Taxonomy) -> None:
    assert Taxonomy.from_json(ticks.to_json()) == ticks


def test_flat_takes_labels_as_found() -> None:
    flat = flat_taxonomy([("wasp", "adult", "f"), ("wasp", "larva", ""), ("moth", "", ""), ("", "adult", "m")])
    assert flat.taxa == ("moth", "wasp")
    assert flat.states == (("adult", "f"), ("adult", "m"), ("larva", ""))
    assert flat.rungs() == ("species_stage_sex", "species_stage")


def test_flat_without_stages_has_one_state_and_one_rung() -> None:
    flat = flat_taxonomy([("shirt", "", ""), ("boot", "", "")])
    assert flat.states == (("", ""),)
    assert flat.rungs() == ("species_stage_sex",)
    assert [str(a) for a in flat.rung_answers("species_stage_sex")[0]] == ["boot", "shirt"]


def test_flat_with_sexes_but_no_stages_keeps_the_sexes() -> None:
    flat = flat_taxonomy([("duck", "", "male"), ("duck", "", "female")])
    assert flat.states == (("", "female"), ("", "male"))


def test_a_table_with_a_circle_or_a_lost_parent_is_refused() -> None:
    with pytest.raises(DataError, match="own ancestor"):
        table_taxonomy([Taxon("a", "genus", "b"), Taxon("b", "genus", "a")], [("", "")])
    with pytest.raises(DataError, match="Did you mean 'Felis'"):
        table_taxonomy([Taxon("Felis", "genus"), Taxon("Felis catus", "species", "Feliss")], [("", "")])


def test_an_unknown_name_is_answered_with_the_nearest(ticks: Taxonomy) -> None:
    with pytest.raises(DataError, match="Did you mean 'Ixodes cookei'"):
        ticks.taxon_mask("Ixodes cokei")
    with pytest.raises(DataError, match="not among the accepted species"):
        tick_taxonomy(["Ixodes nosuchus"])


def test_no_taxa_at_all_is_refused() -> None:
    with pytest.raises(DataError, match="no taxa"):
        flat_taxonomy([("", "", "")])
