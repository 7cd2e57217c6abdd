"""The figures that the report adds, on made-up runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_cases import Case, certified, make, moved

from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.domain.taxonomy import Answer
from tickvision.evaluation.report_expected import promised_on
from tickvision.evaluation.report_ladder import KINDS, _to_100, ladder, missing, of_100
from tickvision.evaluation.report_numbers import Material, to_photograph
from tickvision.evaluation.report_photographs import _short, doubtful
from tickvision.evaluation.report_reliability import bins


@pytest.fixture
def promised() -> Case:
    """A run whose ladder is certified."""
    return certified()


def test_the_parts_of_100_sum_to_100_and_keep_the_largest_remainders() -> None:
    assert _to_100([1, 1, 1]) == [34, 33, 33]
    assert _to_100([0, 199, 1]) == [0, 100, 0]
    assert _to_100([0, 0]) == [0, 0]


def test_of_100_counts_every_test_specimen_once(promised: Case) -> None:
    rows = promised.figures["of_100"]
    assert [r["kind"] for r in rows] == list(KINDS)
    assert sum(r["specimens"] for r in rows) == promised.figures["test_specimens"]
    assert sum(r["of_100"] for r in rows) == 100
    assert sum(r["wrong"] for r in rows) == promised.figures["decisions"]["wrong"]


def test_outcomes_of_a_taxon_sum_to_its_specimens(promised: Case) -> None:
    for head in ("taxon", "stage", "sex", "all"):
        rows = promised.figures["outcomes"][head]
        classes = promised.figures["heads"][head]["per_class"]
        parts = ("right", "right_less", "wrong", "label_open", "referred")
        assert [sum(row[p] for p in parts) for row in rows] == [c["n"] for c in classes]
        assert [row["class"] for row in rows] == [c["class"] for c in classes]
    finest = promised.figures["decisions"]["rungs"][0]
    assert sum(row["right"] for row in promised.figures["outcomes"]["all"]) == finest["answered"] - finest["not_right"]


def test_the_fast_ladder_decides_as_the_policy_does(promised: Case) -> None:
    rung, right, wrong = ladder(promised.test, promised.policy, promised.taxonomy)
    assert (rung == promised.judged.rung).all()
    assert (right == promised.judged.given_right).all()
    assert (wrong == promised.judged.given_wrong).all()


def test_a_laxer_target_never_names_fewer_and_a_promise_has_nothing_missing(promised: Case) -> None:
    rows = promised.figures["what_if"]
    assert [r["max_error"] for r in rows] == [0.02, 0.05, 0.10]
    assert all(sum(r["rungs"]) == r["answered"] for r in rows)
    assert all(r["needed"] == 0 for r in rows if r["has_promise"])


def test_what_a_lower_rung_lacks_is_counted_in_specimens_that_must_come_until_enough_reach_it(promised: Case) -> None:
    first, second = (r.certificate for r in promised.policy.rungs[:2])
    assert first is not None
    assert second is not None
    assert first.is_certified
    assert 0 < second.n < first.n / 5  # most were answered above
    lacks = promised.figures["missing"]
    assert lacks["rung"] == promised.policy.rungs[1].name
    assert lacks["needed"] == -(-second.needed * first.n // second.n) > 5 * second.needed
    empty = replace(second, n=0)
    rungs = (promised.policy.rungs[0], *(replace(r, certificate=empty) for r in promised.policy.rungs[1:]))
    assert missing(replace(promised.policy, rungs=rungs))["needed"] is None  # none reaches them: nothing is known


def test_reliability_bins_count_each_row_once_and_their_band_is_binomial() -> None:
    from scipy.stats import binomtest

    confidence = np.full(100, 0.5)
    found = bins(confidence, np.arange(100) < 50)
    assert sum(b["n"] for b in found) == 100
    assert sum(b["right"] for b in found) == 50
    low, high = found[0]["band"]
    # scipy's exact test as the outside judge: the ends of the band are what 5 % a side leaves in
    assert (
        binomtest(int(low * 10) - 1, 10, 0.5, "less").pvalue < 0.05 <= binomtest(int(low * 10), 10, 0.5, "less").pvalue
    )
    assert high == pytest.approx(1 - low)


def test_a_swapped_label_is_in_doubt_and_a_right_one_is_not() -> None:
    probs = np.tile([0.9, 0.1], (20, 1))
    probs[10:] = [0.1, 0.9]
    truth = np.repeat([0, 1], 10)
    truth[0] = 1
    assert doubtful(probs, truth) == [0]


def test_missing_ixodes_counts_only_specimens_named_as_another_genus(promised: Case) -> None:
    costly = promised.figures["costly"]
    truly = [i for i, label in enumerate(promised.judged.labels) if label.startswith("Ixodes")]
    other = [promised.judged.given[i] for i in truly if promised.judged.given[i] is not None]
    assert costly["specimens"] == len(truly)
    assert costly["named"] == len(other)
    assert costly["missed"] == sum(isinstance(a, Answer) and not a.scientific_name.startswith("Ixodes") for a in other)


def test_the_names_that_the_config_calls_costly_are_counted_instead() -> None:
    case = make(costly=("Ixodes cookei", "Dermacentor"))
    costly, listed = case.figures["costly"], ("Ixodes cookei", "Dermacentor variabilis")
    truly = [i for i, label in enumerate(case.judged.labels) if label.startswith(listed)]
    said = [case.judged.given[i] for i in truly if case.judged.given[i] is not None]
    fine = (*listed, "Ixodes", "Dermacentor")  # the genus leaves the costly species open
    assert (costly["names"], costly["specimens"]) == ("Ixodes cookei or Dermacentor", len(truly))
    assert costly["named"] == len(said) > 0
    assert costly["missed"] == sum(a is not None and a.scientific_name not in fine for a in said) > 0


def test_weakest_and_untested_classes_are_what_to_photograph_next() -> None:
    case = make(absent=("Ixodes cookei",), n_test=60)
    asked = case.figures["next"]
    assert "Ixodes cookei, nymph" in asked["untested"]
    assert asked["listed"][0]["class"].startswith("Ixodes cookei")
    assert asked["listed"][0]["recall"] is None
    assert not {r["class"] for r in asked["listed"]} & set(asked["unseen"])


def test_what_a_class_is_taught_with_is_its_train_part_alone() -> None:
    case = make(n_test=20, n_calibration=30)

    def taught(part: str) -> int:
        part_of = {p: part for p in case.frame["photo_id"] if p.startswith("val")}
        asked = to_photograph(case.judged, Material(case.frame, part_of, [], []), case.taxonomy, case.policy)
        return sum(row["train_specimens"] for row in asked["listed"])

    assert taught("train") > taught("val") == 0


def test_what_the_set_holds_counts_each_specimen_once(promised: Case) -> None:
    held = promised.figures["coverage"]
    used = promised.frame.drop_duplicates("specimen_id")
    assert sum(r["all"] for r in held["rows_of_names"]) == len(used)
    assert all(sum(r["counts"]) == r["all"] for r in held["rows_of_names"])
    nymphs = held["columns"].index("nymph")
    assert sum(r["counts"][nymphs] for r in held["rows_of_names"]) == (used["life_stage"] == "nymph").sum()


def test_what_a_set_of_names_alone_holds_is_counted_too() -> None:
    case = make(flat_taxonomy([("shoe", "", ""), ("coat", "", "")]), n_test=30, n_calibration=30)
    held = case.figures["coverage"]
    counts = case.frame.drop_duplicates("specimen_id")["scientific_name"].value_counts().to_dict()
    assert held["columns"] == []
    assert {row["name"]: row["all"] for row in held["rows_of_names"]} == counts


def test_two_states_of_one_name_are_told_apart_by_the_state_alone() -> None:
    female, male = (
        Answer("Ixodes cookei", "species", "adult", "female"),
        Answer("Ixodes cookei", "species", "nymph", ""),
    )
    assert _short(male, female) == "nymph"
    assert _short(male, Answer("Ixodes", "genus", "larva", "")) == "Ixodes cookei, nymph"


def test_a_kind_without_genera_or_stages_is_named_or_passed_on() -> None:
    case = make(flat_taxonomy([("shoe", "", ""), ("coat", "", ""), ("bag", "", "")]))
    named = {r["kind"] for r in case.figures["of_100"] if r["specimens"]}
    assert named <= {"full", "referred"}
    assert case.figures["costly"] is None
    assert of_100(case.judged, case.taxonomy)[0]["specimens"] == case.figures["decisions"]["answered"]


def test_names_given_wrongly_add_up_to_the_wrong_answers(promised: Case) -> None:
    rows = promised.figures["given_wrong"]
    assert sum(r["wrong"] for r in rows) == promised.figures["decisions"]["wrong"] > 0
    assert all(0 < r["wrong"] <= r["given"] for r in rows)


def test_reliability_shows_each_head_before_and_after_calibration(promised: Case) -> None:
    for name in ("taxon", "stage", "sex", "all"):
        head = promised.figures["reliability"][name]
        assert sum(b["n"] for b in head["before"]["bins"]) == sum(b["n"] for b in head["bins"]) == head["n"]
        after, before = ([b["confidence"] for b in bins_] for bins_ in (head["bins"], head["before"]["bins"]))
        assert after != before


def test_the_novelty_histogram_counts_each_test_specimen_once(promised: Case) -> None:
    held = promised.figures["novelty"]["histogram"]
    non_target = promised.taxonomy.taxa.index(promised.taxonomy.non_target)
    strange = int((promised.test.taxon_mask.argmax(1) == non_target).sum())
    assert sum(held["strange"]) == strange > 0
    assert sum(held["known"]) == len(promised.test) - strange == promised.figures["novelty"]["n"]
    assert held["edges"][0] < held["limit"] <= held["edges"][-1]


def test_another_place_is_certified_on_the_specimens_drawn_to_it_and_so_is_what_if() -> None:
    case = moved()
    held = case.figures["expected"]
    assert held["at"] == "Larkmoor fens, month 5"
    assert sum(row["expected"] for row in held["shares"]) == pytest.approx(1)
    shares = {row["taxon"]: row for row in held["shares"]}
    assert shares["Ixodes scapularis"]["expected"] > 0.4 > 2 * shares["Ixodes scapularis"]["usual"] > 0.3
    assert held["calibration_kept"] == case.policy.calibration_specimens < held["calibration_specimens"] == 600
    drawn = held["test"]
    assert drawn["named"] + drawn["referred"] == drawn["specimens"] < case.figures["test_specimens"]
    assert drawn["wrong"] <= case.figures["decisions"]["wrong"]


def test_without_another_place_the_promise_is_on_all_calibration_specimens(promised: Case) -> None:
    assert promised.figures["expected"] is None
    assert promised_on(promised.test, promised.policy, promised.taxonomy) is promised.test
