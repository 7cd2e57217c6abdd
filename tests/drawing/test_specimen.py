"""The plan of the drawn bench against the structural rules of the trade and published lengths."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from tickvision.drawing.anatomy import DRAWN_TAXA, TAXA, anatomy_of
from tickvision.drawing.sizes import size_of
from tickvision.drawing.specimen import DECK, DECK_SIZE, Specimen, plan_specimens


@pytest.fixture(scope="module")
def plan() -> list[Specimen]:
    return plan_specimens(2000, seed=0)


def test_a_specimen_is_the_same_whatever_the_number_asked_for(plan: list[Specimen]) -> None:
    assert plan_specimens(37, seed=0) == plan[:37]


def test_another_seed_gives_other_specimens(plan: list[Specimen]) -> None:
    assert plan_specimens(37, seed=1) != plan[:37]


def test_only_adults_have_a_sex(plan: list[Specimen]) -> None:
    # common practice, no source
    assert {s.life_stage for s in plan if s.sex} == {"adult"}
    assert all(s.sex in ("female", "male") for s in plan if s.life_stage == "adult")


def test_a_larva_has_six_legs_and_later_stages_eight(plan: list[Specimen]) -> None:
    # KU-RIC; EOL514561
    assert {(s.life_stage, s.leg_count) for s in plan} == {("larva", 6), ("nymph", 8), ("adult", 8), ("", 0)}
    for name in DRAWN_TAXA:
        assert anatomy_of(name, "larva", "").leg_count == 6
        assert anatomy_of(name, "nymph", "").leg_count == anatomy_of(name, "adult", "male").leg_count == 8


def test_the_scutum_covers_the_whole_back_of_males_only() -> None:
    # KU-RIC; CAES
    for name in DRAWN_TAXA:
        assert anatomy_of(name, "adult", "male").covers_back
        for stage, sex in (("adult", "female"), ("nymph", ""), ("larva", "")):
            plate = anatomy_of(name, stage, sex)
            assert not plate.covers_back
            assert plate.scutum_length < 0.7


def test_the_scutum_does_not_grow_with_feeding(plan: list[Specimen]) -> None:
    # CAES
    fed = next(s for s in plan if s.feeding == "fully")
    flat = replace(fed, feeding="flat", length_growth=1.0, width_growth=1.0)
    assert fed.length_growth > 1.5
    assert fed.scutum_length_mm == flat.scutum_length_mm


def test_males_are_never_fully_fed(plan: list[Specimen]) -> None:
    # CAES: little change in size
    assert {s.feeding for s in plan if s.sex == "male"} <= {"flat", "partly"}
    assert max(s.length_growth for s in plan if s.sex == "male") < 1.1


def test_lengths_stay_in_the_ranges_they_claim(plan: list[Specimen]) -> None:
    for s in plan:
        if s.scientific_name is None:
            continue
        row = size_of(s.scientific_name, s.life_stage, s.sex)
        if s.feeding == "flat":
            assert row.unfed_mm[0] <= s.body_length_mm <= row.unfed_mm[1]
        elif row.fed_mm is not None:
            assert row.unfed_mm[0] < s.body_length_mm <= row.fed_mm[1]


def test_published_lengths_of_ixodes_ricinus_are_kept() -> None:
    # AD-IX citing Hillyard 1996: nymph 1.3-1.5, male 2.4-2.8, unfed female 3.0-3.6 mm
    nymph, male, female = (
        size_of("Ixodes ricinus", *card).unfed_mm for card in (("nymph", ""), ("adult", "male"), ("adult", "female"))
    )
    assert (nymph, male, female) == ((1.3, 1.5), (2.4, 2.8), (3.0, 3.6))
    assert nymph[1] < male[0] < male[1] < female[0]


def test_what_no_picture_from_above_separates_is_drawn_alike() -> None:
    # UALB-ALB for the two Dermacentor; COLEY15 for larvae; the nymphs of the two Amblyomma from memory
    for one, other, stage, sex in (
        ("Dermacentor variabilis", "Dermacentor albipictus", "adult", "female"),
        ("Dermacentor variabilis", "Dermacentor albipictus", "adult", "male"),
        ("Dermacentor variabilis", "Dermacentor albipictus", "nymph", ""),
        ("Ixodes scapularis", "Ixodes cookei", "larva", ""),
        ("Amblyomma americanum", "Amblyomma maculatum", "nymph", ""),
    ):
        assert anatomy_of(one, stage, sex) == anatomy_of(other, stage, sex)
        assert size_of(one, stage, sex) == size_of(other, stage, sex)


def test_what_a_picture_separates_is_drawn_apart() -> None:
    cards = [("adult", "female"), ("adult", "male"), ("nymph", ""), ("larva", "")]
    for stage, sex in cards:
        drawn = {anatomy_of(name, stage, sex) for name in TAXA}
        names = {(stage == "larva" and name.split()[0]) or name for name in TAXA}
        names -= {"Dermacentor albipictus"} | ({"Amblyomma maculatum"} if stage == "nymph" else set())
        assert len(drawn) == len(names)


def test_genus_characters_follow_the_key() -> None:
    # MANSON, UALB-ALB, IDWIKI, NCVP21
    scapularis, cookei = (anatomy_of(f"Ixodes {name}", "adult", "female") for name in ("scapularis", "cookei"))
    assert scapularis.festoons == 0 and not scapularis.eyes
    assert scapularis.palp_length > 2 * scapularis.basis_length > cookei.palp_length
    assert anatomy_of("Dermacentor variabilis", "adult", "male").festoons == 11
    assert anatomy_of("Rhipicephalus sanguineus", "nymph", "").basis == "hexagon"
    flared = anatomy_of("Haemaphysalis longicornis", "nymph", "")
    assert flared.palps == "flared" and not flared.eyes


def test_the_deck_holds_as_many_cards_as_it_says() -> None:
    assert sum(DECK.values()) == DECK_SIZE


@pytest.mark.parametrize("n", [1000, 1500, 1930])
def test_every_nameable_class_is_common_enough_to_learn(plan: list[Specimen], n: int) -> None:
    shares = Counter((s.name_in_picture, s.life_stage, s.sex) for s in plan[:n])
    assert min(shares.values()) >= 0.015 * n


def test_the_mix_is_as_planned(plan: list[Specimen]) -> None:
    ticks = [s for s in plan if s.kind == "tick"]
    assert len(ticks) == 0.94 * len(plan)
    assert 0.06 < np.mean([not s.nameable for s in ticks]) < 0.10
    assert 0.55 < np.mean([s.life_stage == "adult" for s in ticks]) < 0.66
    assert 1.5 < np.mean([s.photo_count for s in plan]) < 1.9
    sizes = Counter(s.submission for s in plan[:-6])
    assert set(sizes.values()) <= {1, 2, 3, 4, 5, 6}
