"""What to label next."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.errors import DataError
from tickvision.review import (
    picking,
)

TAXA = tick_taxonomy(["Ixodes scapularis", "Amblyomma americanum"])


def probabilities(first: list[float]) -> np.ndarray:
    """Cells of two taxa with four states: `first` is p(first taxon), all in one state."""
    table = np.zeros((len(first), 8))
    table[:, 1], table[:, 5] = first, 1 - np.asarray(first)
    return table


def test_doubt_is_margin_or_entropy() -> None:
    from scipy.stats import entropy

    probs = probabilities([0.9, 0.5])
    assert picking.doubt_of(probs, "margin") == pytest.approx([0.2, 1.0])
    assert picking.doubt_of(probs, "entropy") == pytest.approx(entropy(probs.T) / np.log(8))
    with pytest.raises(DataError, match="margin, entropy"):
        picking.doubt_of(probs, "luck")


def test_picks_are_doubted_unlike_each_other_and_no_taxon_takes_all() -> None:
    rng = np.random.default_rng(0)
    first = [0.55] * 20 + [0.45] * 5 + [0.99] * 5
    vectors = rng.normal(0, 1, (30, 6))
    vectors[1:10] = vectors[0] + rng.normal(0, 1e-3, (9, 6))  # near copies of one specimen
    picks = picking.pick(probabilities(first), vectors, TAXA, 8)
    rows = [p.row for p in picks]
    assert len(set(rows)) == 8
    assert sum(r < 10 for r in rows) <= 1
    assert sum(p.suggested == "Amblyomma americanum" for p in picks) == 4
    assert not set(rows) & set(range(25, 30))
    assert rows == [p.row for p in picking.pick(probabilities(first), vectors, TAXA, 8)]
    assert len(picking.pick(probabilities(first), vectors, TAXA, 99)) == 30


def test_few_labels_are_a_cold_start() -> None:
    assert picking.is_cold_start(9, TAXA)
    assert not picking.is_cold_start(10, TAXA)


def test_cells_that_lack_specimens_come_emptiest_first() -> None:
    lacking = picking.lacking_cells(
        {("Ixodes scapularis", "nymph", ""): 12, ("Ixodes scapularis", "larva", ""): 40}, TAXA, 30
    )
    assert [(c.scientific_name, c.state, c.specimens) for c in lacking][-1] == ("Ixodes scapularis", "nymph", 12)
    assert len(lacking) == 7
