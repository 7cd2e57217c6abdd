"""The model card: its sections, its figures, and names that must stay text."""

from __future__ import annotations

import pytest
from test_report_cases import Case, certified, make

from tickvision.domain import cautions
from tickvision.domain.taxonomy import flat_taxonomy
from tickvision.evaluation.card import card

SECTIONS = ("Use", "Not for", "Data", "Licences", "Figures", "Promise", "Limits", "Cautions", "How it was made")


@pytest.fixture(scope="module")
def case() -> Case:
    return certified()


def test_the_card_has_its_sections_the_caution_and_the_drawn_mark(case: Case) -> None:
    text = card(case.figures, case.taxonomy, case.policy)
    assert [line[3:] for line in text.splitlines() if line.startswith("## ")] == list(SECTIONS)
    assert cautions.SHORT in text
    assert cautions.DRAWN in text


def test_the_card_states_each_class_with_its_interval(case: Case) -> None:
    text = card(case.figures, case.taxonomy, case.policy)
    for row in case.figures["heads"]["all"]["per_class"]:
        assert f"| {row['class']} | {row['right']} | {row['n']} |" in text


def test_a_model_that_was_not_evaluated_has_a_card_that_says_so(case: Case) -> None:
    text = card({}, case.taxonomy, case.policy)
    assert "was not evaluated" in text
    assert cautions.SHORT in text


def test_a_run_without_calibration_promises_nothing() -> None:
    case = make(n_calibration=0, n_test=20)
    assert "No promise can be made" in card(case.figures, case.taxonomy, case.policy)


def test_markup_in_a_name_stays_text() -> None:
    evil = "<img src=x onerror=alert(1)>"
    taxonomy = flat_taxonomy([(evil, "", ""), ("a|b", "", "")])
    case = make(taxonomy, n_test=20, n_calibration=40, sources=(evil,))
    text = card(case.figures, taxonomy, case.policy)
    assert "<img" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;" in text
    assert "| a\\|b |" in text
