"""Slices: the facets, their counts, and differences corrected for many looks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from made_cases import Case, certified, make

from tickvision.evaluation.slices import MIXED, UNKNOWN, facets, newcombe, slices


@pytest.fixture(scope="module")
def case() -> Case:
    return certified()


def test_each_facet_holds_every_test_specimen_once(case: Case) -> None:
    for facet in case.figures["slices"]["facets"]:
        assert sum(row["specimens"] for row in facet["levels"]) == len(case.test)
        assert sum(row["named"] for row in facet["levels"]) == case.figures["decisions"]["answered"]


def test_facets_cover_the_manifest_and_the_specimen(case: Case) -> None:
    names = [name for name, _ in facets(case.frame, case.test, case.taxonomy)]
    assert names == [
        "stage",
        "sex",
        "feeding",
        "view",
        "source",
        "season",
        "specimens in the submission",
        "specimens from the sender",
        "photographs of the specimen",
    ]


def test_a_group_that_is_often_wrong_differs_after_correction(case: Case) -> None:
    known = case.judged.truth >= 0
    right = np.ones(len(case.judged), bool)
    bad = np.array([i % 2 == 0 for i in range(len(right))])  # the phone's specimens
    right[bad & known] = np.arange(int((bad & known).sum())) % 2 == 0
    judged = dataclasses.replace(case.judged, right=right)
    found = slices(case.frame, case.test, judged, case.taxonomy)
    assert {("source", "phone"), ("source", "microscope")} <= {(r["facet"], r["level"]) for r in found["differing"]}
    assert found["differing"][0]["difference"] < 0


def test_no_difference_is_found_where_right_is_dealt_at_random(case: Case) -> None:
    hits = 0
    for seed in range(20):
        right = np.random.default_rng(seed).random(len(case.judged)) < 0.8
        judged = dataclasses.replace(case.judged, right=right)
        hits += bool(slices(case.frame, case.test, judged, case.taxonomy)["differing"])
    assert hits <= 4  # at most 1 in 20 is expected; P(5 or more of 20 at .05) is .003


def test_two_levels_are_one_look_with_one_p_value(case: Case) -> None:
    source = next(f for f in case.figures["slices"]["facets"] if f["facet"] == "source")
    assert source["levels"][0]["p_holm"] == source["levels"][1]["p_holm"]


def test_one_source_is_shown_and_not_compared() -> None:
    single = make(sources=("phone",), n_test=40).figures["slices"]["facets"]
    source = next(f for f in single if f["facet"] == "source")
    assert not source["compared"]
    assert source["levels"][0]["difference"] is None


def test_photographs_that_differ_and_missing_values_have_levels_of_their_own(case: Case) -> None:
    frame = case.frame.copy()
    first = str(case.test.ids[0])
    twin = frame[frame["specimen_id"] == first].assign(view="ventral", photo_id="twin")
    frame.loc[frame["specimen_id"] == str(case.test.ids[1]), "view"] = ""
    values = dict(facets(pd.concat([frame, twin]), case.test, case.taxonomy))["view"]
    assert values[:3] == [MIXED, UNKNOWN, "dorsal"]


def test_the_interval_of_a_difference_is_the_published_one() -> None:
    # Newcombe 1998, table II, example (a): 56/70 against 48/80, method 10 (from memory)
    assert newcombe(56, 70, 48, 80) == pytest.approx([0.0524, 0.3339], abs=5e-5)


def test_a_group_whose_given_names_are_often_wrong_differs_in_that(case: Case) -> None:
    named = case.judged.named
    bad = np.array([i % 2 == 0 for i in range(len(named))])  # the phone's specimens
    wrong = bad & named & (np.arange(len(named)) % 3 == 0)
    found = slices(case.frame, case.test, dataclasses.replace(case.judged, given_wrong=wrong), case.taxonomy)
    told = {(r["facet"], r["level"]): r for r in found["differing_wrong"]}
    assert ("source", "phone") in told
    assert told["source", "phone"]["wrong"] == int(wrong.sum())
    assert told["source", "phone"]["wrong_p_holm"] <= 0.05


def test_holm_counts_both_figures_of_every_tested_level(case: Case) -> None:
    from statsmodels.stats.multitest import multipletests  # the outside judge

    found = case.figures["slices"]
    looks = []
    for key in ("p", "wrong_p"):
        for facet in found["facets"]:
            tested = [row for row in facet["levels"] if row[key] is not None]
            twins = len(facet["levels"]) == 2 and len(tested) == 2
            looks += [(row[key], row[f"{key}_holm"]) for row in (tested[:1] if twins else tested)]
    assert len(looks) == found["tests"]
    assert multipletests([p for p, _ in looks], method="holm")[1] == pytest.approx([h for _, h in looks])


def test_sizes_of_senders_and_pictures_and_damage_are_sliced(case: Case) -> None:
    frame = case.frame.copy()
    sides = ["300", "700", "1200"]
    frame["short_side_px"] = [sides[i % 3] for i in range(len(frame))]
    frame["x_damaged"] = ["yes" if i % 4 == 0 else "no" for i in range(len(frame))]
    frame["creator"] = [f"sender {i % 30}" if i % 7 else "" for i in range(len(frame))]
    frame.loc[frame["creator"] == "sender 1", "creator"] = [
        f"once {i}" for i in range((frame["creator"] == "sender 1").sum())
    ]
    told = dict(facets(frame, case.test, case.taxonomy))
    assert set(told["picture size"]) == {"under 480 px", "480 to 959 px", "960 px or more"}
    assert set(told["damaged"]) == {"yes", "no"}
    assert {UNKNOWN, "1 to 4", "20 or more"} <= set(told["specimens from the sender"])
