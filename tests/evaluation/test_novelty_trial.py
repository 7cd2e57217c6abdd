from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import roc_auc_score

from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation.novelty_trial import frozen_means, leave_out
from tickvision.evaluation.specimens import Specimens

TAXA = ("Ixodes scapularis", "Ixodes cookei", "Amblyomma americanum", "Dermacentor variabilis")


def made(taxonomy: Taxonomy, n: int, seed: int, apart: float) -> tuple[Specimens, np.ndarray]:
    """Specimens whose features stand `apart` around the centre of their genus."""
    rng = np.random.default_rng(seed)
    taxon = rng.integers(0, len(taxonomy.taxa), n)
    genus = np.array([taxonomy.ancestor(t, "genus") or t for t in taxonomy.taxa])
    centres = {g: np.random.default_rng(k).normal(0, apart, 40) for k, g in enumerate(dict.fromkeys(genus))}
    features = np.stack([centres[genus[t]] for t in taxon]) + rng.normal(0, 1, (n, 40))
    masks = np.eye(len(taxonomy.taxa), dtype=bool)[taxon]
    empty = np.zeros((n, len(taxonomy.taxa), 4))
    specimens = Specimens(
        np.array([f"s{i}" for i in range(n)]), empty[:, :, 0], empty, masks, np.ones((n, 4), bool), features,
        np.ones((n, 4)), np.ones(n, int), np.array([f"p{i}" for i in range(n)]),
    )  # fmt: skip
    return specimens, features


@pytest.mark.parametrize(("apart", "low", "high"), [(3.0, 0.9, 1.0), (0.0, 0.35, 0.65)])
def test_a_left_out_genus_is_noticed_when_it_looks_different_and_not_when_it_does_not(
    apart: float, low: float, high: float
) -> None:
    taxonomy = tick_taxonomy(TAXA, "not a tick")
    train, test = made(taxonomy, 900, 0, apart), made(taxonomy, 400, 1, apart)
    result = leave_out(*train, *test, taxonomy)
    assert [t["left_out"] for t in result["trials"]] == ["Ixodes", "Amblyomma", "Dermacentor", "not a tick"]
    assert low <= result["auroc"] <= high
    assert sum(t["strangers"] for t in result["trials"]) == 400


def test_small_groups_and_empty_parts_are_left_out() -> None:
    taxonomy = tick_taxonomy(TAXA)
    train, test = made(taxonomy, 200, 0, 2.0), made(taxonomy, 3, 1, 2.0)
    assert leave_out(*train, *test, taxonomy) == {}


def test_a_name_taught_with_one_specimen_is_judged_without_a_warning() -> None:
    taxonomy = tick_taxonomy(TAXA)
    (train, features), test = made(taxonomy, 200, 0, 3.0), made(taxonomy, 100, 1, 3.0)
    taxon = train.taxon_mask.argmax(1)
    rows = np.flatnonzero((taxon != 2) | (np.cumsum(taxon == 2) == 1))  # one Amblyomma
    assert (taxon[rows] == 2).sum() == 1
    result = leave_out(train.take(rows), features[rows], *test, taxonomy)
    assert np.isfinite([t["auroc"] for t in result["trials"]]).all()
    assert len(result["trials"]) == 3


def test_frozen_features_are_means_over_the_photographs_of_a_specimen(tmp_path: Path) -> None:
    np.savez(tmp_path / "f.npz", sha256=np.array(["a", "b", "c"]), embedding=np.array([[1.0, 0], [3, 0], [5, 5]]))
    np.savez(tmp_path / "s.npz", specimen_id=np.array(["s0", "s0", "s1"]), sha256=np.array(["a", "b", "c"]))
    specimens = made(tick_taxonomy(TAXA), 2, 0, 1.0)[0]
    found = frozen_means(tmp_path / "f.npz", tmp_path / "s.npz", specimens)
    assert found is not None
    np.testing.assert_array_equal(found, [[2, 0], [5, 5]])
    assert frozen_means(tmp_path / "none.npz", tmp_path / "s.npz", specimens) is None
    (tmp_path / "f.npz").write_bytes((tmp_path / "f.npz").read_bytes()[:300])  # cut off
    assert frozen_means(tmp_path / "f.npz", tmp_path / "s.npz", specimens) is None


def test_the_score_s_auroc_is_scikit_learn_s() -> None:
    from tickvision.evaluation.metrics import auroc

    rng = np.random.default_rng(0)
    scores, positive = rng.normal(0, 1, 200).round(1), rng.random(200) < 0.3
    assert auroc(scores, positive) == pytest.approx(roc_auc_score(positive, scores))
