"""Slices: the facets, their counts, and differences corrected for many looks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from test_report_cases import Case, certified, make

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
