"""Pictures that hold none of the subject are a class of their own in every kind of taxonomy."""

from __future__ import annotations

import pytest

from tickvision.domain.taxonomies import flat_taxonomy, table_taxonomy, tick_taxonomy
from tickvision.domain.taxonomy import MAX_CELLS, Taxon, Taxonomy
from tickvision.errors import DataError

NOTHING = "nothing to see"
STATES = [("grown", "female"), ("grown", "male")]


def make(kind: str) -> Taxonomy:
    if kind == "flat":
        triples = [("One a", *state) for state in STATES] + [("One b", *STATES[0]), (NOTHING, "", "")]
        return flat_taxonomy(triples, NOTHING)
    if kind == "table":
        taxa = [Taxon("One", "genus"), Taxon("One a", "species", "One"), Taxon("One b", "species", "One")]
        return table_taxonomy(taxa, STATES, NOTHING)
    return tick_taxonomy(["Ixodes scapularis", "Ixodes cookei"], NOTHING)


@pytest.mark.parametrize("kind", ["flat", "table", "ticks"])
def test_a_blank_label_does_not_say_that_there_is_nothing_and_nothing_has_no_state(kind: str) -> None:
    made = make(kind)
    assert made.taxa[-1] == NOTHING
    assert made.taxa.count(NOTHING) == 1
    taxon, state = made.label_masks(NOTHING, "", "")
    assert list(taxon) == [False, False, True]
    assert state.all()
    assert list(made.taxon_mask("")) == [True, True, False]
    assert made.lineage(NOTHING) == [NOTHING]


def test_more_cells_than_can_be_told_apart_are_refused() -> None:
    stages = [(f"s{i}", "") for i in range(1001)]
    with pytest.raises(DataError, match=rf"1,001,000 cells; at most {MAX_CELLS:,} are possible"):
        table_taxonomy([Taxon(f"t{i}", "species") for i in range(1000)], stages)
