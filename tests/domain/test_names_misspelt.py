from __future__ import annotations

import pytest

from tickvision.domain import names


@pytest.mark.parametrize(
    ("written", "name"),
    [("Ixodes scapularris", "Ixodes scapularis"), ("Haemaphysalislongicornis", "Haemaphysalis longicornis"),
     ("Dermacentor varaibilis (Say, 1821)", "Dermacentor variabilis"), ("Ixodess", "Ixodes")],
)  # fmt: skip
def test_one_slip_of_the_pen_is_read_and_said(written: str, name: str) -> None:
    found = names.resolve(written)
    assert (found.scientific_name, found.fault) == (name, "")
    assert name in found.reason


@pytest.mark.parametrize("written", ["Ixodes scapulariformis", "Argas", "Ixoides scapularsis"])
def test_what_is_further_away_is_left_to_a_person(written: str) -> None:
    found = names.resolve(written)
    assert found.scientific_name == ""
    assert written in found.fault


def test_two_candidates_are_never_decided(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(names, "species", lambda: {"Ixodes mara": "Ixodes", "Ixodes marb": "Ixodes"})
    assert names.resolve("Ixodes marc").scientific_name == ""


@pytest.mark.parametrize(("one", "two"), [("abcd", "abd"), ("abd", "abcd"), ("abcd", "abxd"), ("abcd", "acbd")])
def test_one_slip_is_a_letter_more_less_other_or_swapped(one: str, two: str) -> None:
    assert names.is_one_slip(one, two)
    assert not names.is_one_slip(one, one)
    assert not names.is_one_slip(one + "zz", two)


def test_a_question_mark_lowers_to_the_genus() -> None:
    # SIG16: open nomenclature, doubt about the species
    found = names.resolve("Ixodes ricinus?")
    assert (found.scientific_name, found.rank, found.qualifier) == ("Ixodes", "genus", "?")


@pytest.mark.parametrize(
    "written",
    ["Ixodes scapularis or cookei", "Ixodes scapularis / Ixodes cookei", "Dermacentor variabilis vs. andersoni",
     "Ixodes scapularis x pacificus", "Ixodes scapularis/cookei"],
)  # fmt: skip
def test_two_names_are_not_read_as_the_first(written: str) -> None:
    found = names.resolve(written)
    assert found.scientific_name == ""
    assert "more than one" in found.fault
