"""The project's tables and words against facts of the trade and open standards, each with its source."""

from __future__ import annotations

from datetime import date

import pytest

from tickvision.config import DataConfig
from tickvision.domain import cautions, licences, names, rules
from tickvision.domain.separating import hints
from tickvision.domain.tables import rows
from tickvision.domain.vocabulary import LIFE_STAGES, read_stage_and_sex, read_word


def test_six_legs_are_a_larva_and_eight_are_not() -> None:
    # KU-RIC; EOL514561; NYSIPM
    assert rules.LEGS == {"larva": 6, "nymph": 8, "adult": 8}
    assert [b.rule for b in rules.check_label("Ixodes scapularis", "species", "larva", "", leg_count="8")] == ["R1"]
    assert not rules.check_label("Ixodes scapularis", "species", "nymph", "", leg_count="8")


@pytest.mark.parametrize("stage", ["larva", "nymph"])
def test_a_sex_before_adult_is_a_contradiction(stage: str) -> None:
    # common practice, no source; porose areas only in adult females (PW585)
    breach = rules.check_label("Ixodes scapularis", "species", stage, "female")
    assert [(b.rule, b.level) for b in breach] == [("R2", "hard")]


def test_life_stages_are_those_of_darwin_core_practice() -> None:
    # TDWG Darwin Core, term lifeStage; trap: an old thesaurus maps nymph to larva
    assert LIFE_STAGES == ("larva", "nymph", "adult")
    assert read_word("life_stage", "Nymph") == ("nymph", "")


@pytest.mark.parametrize(("written", "read"), [("♀", "female"), ("Female", "female"), ("♂", "male"), ("M", "male"),
                                               ("GenderUnidentified", ""), ("undetermined", ""), ("", "")])  # fmt: skip
def test_signs_and_words_of_sex_are_read(written: str, read: str) -> None:
    # GBIF sex thesaurus lists the two signs as alternatives of male and female
    assert read_word("sex", written) == (read, "")


def test_a_wrong_word_is_answered_with_the_nearest() -> None:
    assert "Did you mean 'nymph'?" in read_word("life_stage", "nymf")[1]
    assert read_stage_and_sex("adult female", "")[:2] == ("adult", "female")
    assert read_stage_and_sex("adult female", "male")[2]


def test_a_male_fed_full_and_a_late_first_date_are_caught() -> None:
    # CAES: males change little in size
    assert [b.rule for b in rules.check_label("Ixodes scapularis", "species", "adult", "male", "fully")] == ["R4"]
    assert [b.rule for b in rules.check_dates(date(2026, 5, 3), date(2026, 5, 1), None)] == ["R17"]
    assert not rules.check_dates(date(2026, 5, 1), date(2026, 5, 1), date(2026, 5, 2))


def test_seventy_two_hours_are_counted_from_removal() -> None:
    # Infectious Diseases Society of America, American Academy of Neurology, American College of Rheumatology 2020
    assert cautions.HOURS_TO_PREVENTIVE_CARE == 72
    assert "72 hours of removal" in cautions.SHORT


def test_the_caution_says_that_a_name_is_no_diagnosis_and_who_outranks_it() -> None:
    for words in (
        "not a diagnosis",
        "clinician",
        "local health authority",
        "Do not start, withhold or change treatment",
    ):
        assert words in cautions.SHORT


@pytest.mark.parametrize(
    ("written", "name", "rank"),
    [
        ("Ixodes dammini", "Ixodes scapularis", "species"),  # OLIVER93: junior synonym since 1993
        ("Ixodes scapularis Say, 1821", "Ixodes scapularis", "species"),
        ("Dermacentor variabilis (Say, 1821)", "Dermacentor variabilis", "species"),
        ("Haemaphysalis leporis-palustris", "Haemaphysalis leporispalustris", "species"),  # COOLEY46: older spelling
        ("I. cookei", "Ixodes cookei", "species"),
        ("Ixodes sp.", "Ixodes", "genus"),
        ("Ixodes cf. scapularis", "Ixodes", "genus"),  # SIG16: open nomenclature, doubt about the species
        ("ixodidae", "Ixodidae", "family"),
        ("lone star tick", "Amblyomma americanum", "species"),
        ("  Ixodes   scapularis ", "Ixodes scapularis", "species"),
        ("", "", ""),
    ],
)
def test_names_are_resolved(written: str, name: str, rank: str) -> None:
    resolved = names.resolve(written)
    assert (resolved.scientific_name, resolved.rank, resolved.fault) == (name, rank, "")


@pytest.mark.parametrize("written", ["wood tick", "deer tick", "sheep tick"])
def test_trade_names_of_several_ticks_are_not_guessed(written: str) -> None:
    # CAES; MLDSE
    assert "several ticks" in names.resolve(written).fault


def test_a_misapplied_name_is_not_a_synonym() -> None:
    # D. variabilis of the west before 2021 (LADO21) must stay D. variabilis, never become D. similis silently
    assert names.resolve("Dermacentor variabilis").scientific_name == "Dermacentor variabilis"


@pytest.mark.parametrize(
    ("written", "spdx"),
    [  # Creative Commons URIs (creativecommons.org), SPDX licence list ids, and forms seen in open data
        ("http://creativecommons.org/licenses/by/4.0/legalcode", "CC-BY-4.0"),
        ("https://creativecommons.org/licenses/by-nc-sa/2.0/deed.en", "CC-BY-NC-SA-2.0"),
        ("https://creativecommons.org/licenses/by/3.0/us/", "CC-BY-3.0"),
        ("https://creativecommons.org/publicdomain/zero/1.0", "CC0-1.0"),
        ("https://creativecommons.org/publicdomain/mark/1.0/", "CC-PDM-1.0"),
        ("CC BY-NC 4.0", "CC-BY-NC-4.0"), ("cc0", "CC0-1.0"), ("CC-BY-ND-4.0", "CC-BY-ND-4.0"),
        ("[Copyright] A museum of natural history - CC BY-NC", "CC-BY-NC-4.0"),
        ("all rights reserved", "NOASSERTION"), ("", "NOASSERTION"), ("© someone", "NOASSERTION"),
        ("CC0 / CC BY-NC", "NOASSERTION"), ("CC BY, CC BY-SA 4.0", "NOASSERTION"),
        ("CC BY 2.0 (https://creativecommons.org/licenses/by/2.0/)", "CC-BY-2.0"),
        ("CC0 1.0 Universal (CC0 1.0) Public Domain Dedication", "CC0-1.0"),
    ],
)  # fmt: skip
def test_licences_are_read(written: str, spdx: str) -> None:
    assert licences.parse(written).spdx == spdx


def test_the_default_policy_takes_no_nc_nd_or_unknown() -> None:
    default = DataConfig.model_fields["licences"].default
    uris = [row["canonical_uri"] for row in rows("licences")]
    allowed = [found.spdx for found in map(licences.parse, uris) if licences.is_allowed(found, default)]
    assert allowed == ["CC0-1.0", "CC-PDM-1.0", "CC-BY-4.0", "CC-BY-3.0"]


def test_canonical_uris_of_the_table_give_its_ids_back() -> None:
    for row in rows("licences"):
        assert licences.parse(row["canonical_uri"]).spdx == row["spdx"]


def test_separating_characters_come_from_the_listed_pair() -> None:
    # NCVP21
    found = hints([("Ixodes scapularis", "adult", "female"), ("Ixodes cookei", "adult", "female")])
    assert "scutum rounded oval vs angular" in found[0].look_at
    assert found[0].source == "NCVP21"


def test_females_and_males_are_told_by_the_scutum() -> None:
    # KU-RIC: over the whole back in the male, the front part in the female
    found = hints([("Amblyomma americanum", "adult", "female"), ("Amblyomma americanum", "adult", "male")])
    assert any("whole back" in h.look_at for h in found)


def test_every_row_of_every_table_names_its_source() -> None:
    for table in ("taxa", "characters", "lookalikes", "sizes", "caps"):
        assert all(row["source"].strip() for row in rows(table)), table


@pytest.mark.parametrize(
    "written",
    ["CC BY, non-commercial use only", "CC BY (NC)", "CC BY/NC", "CC BY-ND-NC 2.0", "CC BY 4.0, no derivatives", "CC0, "
     "NonCommercial", "https://creativecommons.org/licenses/by/4.0/ share alike"],
)  # fmt: skip
def test_a_licence_is_not_read_wider_than_its_sentence(written: str) -> None:
    assert licences.parse(written).spdx == licences.NONE


@pytest.mark.parametrize("dash", ["\u2010", "\u2011", "\u2013", "\u2212"])
def test_a_hyphen_of_typography_hides_no_limit(dash: str) -> None:
    assert licences.parse(f"CC BY{dash}NC{dash}SA 4.0").spdx == "CC-BY-NC-SA-4.0"
    assert licences.parse(f"NC Museum {dash} CC BY 4.0").spdx == "CC-BY-4.0"
