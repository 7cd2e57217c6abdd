"""Labels and answers as sets of cells, for any list of ticks and any partial label."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.domain import names
from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.domain.taxonomy import TICK_STATES, Taxonomy, settled_answers

SPECIES = sorted(names.species())
lists = st.lists(st.sampled_from(SPECIES), min_size=1, max_size=8, unique=True)
stages = st.sampled_from(
    [("", ""), ("larva", ""), ("nymph", ""), ("adult", ""), ("adult", "female"), ("adult", "male")]
)


def cells_of(taxonomy: Taxonomy, name: str, stage: str, sex: str) -> np.ndarray:
    taxon, state = taxonomy.label_masks(name, stage, sex)
    return np.outer(taxon, state).ravel()


@settings(max_examples=40, deadline=None)
@given(lists, stages, st.booleans())
def test_a_coarse_label_is_the_union_of_the_finer_ones(taxa: list[str], label: tuple[str, str], extra: bool) -> None:
    taxonomy = tick_taxonomy(taxa, "not a tick" if extra else "")
    for node in taxonomy.nodes:
        if node == taxonomy.non_target:
            continue
        whole = cells_of(taxonomy, node, *label)
        leaves = [t for t in taxa if node in taxonomy.lineage(t)]
        assert (whole == np.any([cells_of(taxonomy, t, *label) for t in leaves], axis=0)).all()
    open_stage = cells_of(taxonomy, taxa[0], "", "")
    assert (open_stage == np.any([cells_of(taxonomy, taxa[0], *s) for s in TICK_STATES], axis=0)).all()
    assert open_stage.sum() == len(TICK_STATES)
    blank = cells_of(taxonomy, "", "", "")
    assert blank.sum() == len(taxa) * len(TICK_STATES)  # a blank label says it is a tick


@settings(max_examples=40, deadline=None)
@given(lists, st.integers(0, 2**32 - 1))
def test_answers_part_the_cells_and_caps_are_never_passed(taxa: list[str], seed: int) -> None:
    taxonomy = tick_taxonomy(taxa, "not a tick")
    probs = np.random.default_rng(seed).dirichlet(np.ones(taxonomy.n_cells), 3)
    above = None
    for rung in taxonomy.rungs():
        answers, of_cell, claims = taxonomy.rung_answers(rung)
        assert np.allclose(taxonomy.answer_probs(probs, rung).sum(axis=1), 1)
        for k in range(taxonomy.n_cells):
            assert claims[of_cell[k], k]  # what is said of a cell holds for it
            taxon, (stage, _) = taxonomy.taxa[k // 4], taxonomy.states[k % 4]
            if taxon != taxonomy.non_target:
                # the answer is the cap or one of its ancestors
                assert answers[of_cell[k]].scientific_name in taxonomy.lineage(taxonomy.limit(taxon, stage))
        if above is not None:  # a laxer rung never parts what the rung above says in one word
            assert all(len(set(of_cell[above == a])) == 1 for a in set(above))
        above = of_cell


@settings(max_examples=40, deadline=None)
@given(lists, stages, st.data())
def test_a_label_settles_an_answer_exactly_when_all_its_cells_are_claimed(
    taxa: list[str], label: tuple[str, str], data: st.DataObject
) -> None:
    taxonomy = tick_taxonomy(taxa)
    name = data.draw(st.sampled_from(["", *taxonomy.nodes]))
    cells = cells_of(taxonomy, name, *label)
    for rung in taxonomy.rungs():
        claims = taxonomy.rung_answers(rung)[2]
        found = settled_answers(cells[None], claims)[0]
        holding = [a for a, claimed in enumerate(claims) if not (cells & ~claimed).any()]
        assert found == min(holding, key=lambda a: claims[a].sum(), default=-1)
