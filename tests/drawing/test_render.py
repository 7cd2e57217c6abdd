"""Photographs: the same from the same numbers, true to scale, and what they show."""

from dataclasses import replace

import numpy as np
import pytest

from tickvision.drawing.contact_sheet import contact_sheet
from tickvision.drawing.legs import pose_legs
from tickvision.drawing.outline import Body, basis_polygon, palp_polygons
from tickvision.drawing.render import draw_photo
from tickvision.drawing.scale_bar import draw_scale_bar
from tickvision.drawing.specimen import Specimen, plan_specimens

SMALL = 192


@pytest.fixture(scope="module")
def plan() -> list[Specimen]:
    return plan_specimens(200, seed=5)


def drawn_length_mm(specimen: Specimen) -> float:
    """Return the length of the outlines that are filled, palp tip to hind end, in mm."""
    whole = replace(specimen, lost_palps=())
    points = [Body(whole).polygon(0), basis_polygon(whole.anatomy), *palp_polygons(whole.anatomy, whole.palp_factor)]
    y = np.concatenate(points)[:, 1]
    return float(y.max() - y.min()) * whole.unit_mm


def test_the_same_numbers_give_the_same_pixels(plan: list[Specimen]) -> None:
    first, truth = draw_photo(plan[3], 1, seed=5, size_px=SMALL)
    draw_photo(plan[9], 0, seed=5, size_px=SMALL)
    again, truth_again = draw_photo(plan[3], 1, seed=5, size_px=SMALL)
    assert np.array_equal(first, again)
    assert truth == truth_again


def test_photos_of_one_specimen_differ(plan: list[Specimen]) -> None:
    first, _ = draw_photo(plan[3], 0, seed=5, size_px=SMALL)
    second, _ = draw_photo(plan[3], 1, seed=5, size_px=SMALL)
    assert not np.array_equal(first, second)


def test_a_photo_is_rgb_and_of_the_size_asked_for(plan: list[Specimen]) -> None:
    for specimen in plan[:40]:
        image, truth = draw_photo(specimen, 0, seed=5, size_px=SMALL)
        assert image.shape == (SMALL, SMALL, 3) and image.dtype == np.uint8
        assert 0.15 <= truth.fill <= 0.80
        assert image.std() > 2


def test_a_scale_bar_shows_against_its_ground_in_the_smallest_picture_too() -> None:
    for seed in range(40):
        image = np.full((64, 64, 3), 250, np.uint8)
        draw_scale_bar(image, 20.0, np.array([[10.0, 10.0], [54.0, 54.0]]), np.random.default_rng(seed))
        assert image.min() < 100


def test_six_legs_are_drawn_for_a_larva_and_eight_for_the_others(plan: list[Specimen]) -> None:
    for specimen in (s for s in plan if s.kind == "tick"):
        legs = pose_legs(specimen, Body(specimen), np.random.default_rng(0))
        assert len(legs) + len(specimen.lost_legs) == (6 if specimen.life_stage == "larva" else 8)


def test_the_truth_counts_the_legs_that_are_left(plan: list[Specimen]) -> None:
    for specimen in [s for s in plan if s.kind == "tick" and s.lost_legs][:4]:
        _, truth = draw_photo(specimen, 0, seed=5, size_px=SMALL)
        assert truth.legs_drawn == specimen.leg_count - len(specimen.lost_legs)


def test_outlines_are_true_to_the_length_in_mm(plan: list[Specimen]) -> None:
    for specimen in (s for s in plan if s.kind == "tick"):
        assert drawn_length_mm(specimen) == pytest.approx(specimen.body_length_mm, rel=0.02)


def test_the_drawing_keeps_the_order_of_ixodes_ricinus_lengths(plan: list[Specimen]) -> None:
    # AD-IX citing Hillyard 1996: nymph 1.3-1.5 < male 2.4-2.8 < unfed female 3.0-3.6 mm
    like = next(s for s in plan if s.kind == "tick" and s.feeding == "flat")
    lengths = []
    for stage, sex, published in (("nymph", "", 1.4), ("adult", "male", 2.6), ("adult", "female", 3.3)):
        ricinus = replace(like, scientific_name="Ixodes ricinus", life_stage=stage, sex=sex, body_length_mm=published)
        head = ricinus.anatomy.basis_length + ricinus.anatomy.palp_length * ricinus.palp_factor
        ricinus = replace(ricinus, unit_mm=published / (1 + head))
        _, truth = draw_photo(ricinus, 0, seed=5, size_px=SMALL)
        assert truth.fill * SMALL / truth.px_per_mm == pytest.approx(published, rel=0.01)
        lengths.append(drawn_length_mm(ricinus))
    assert lengths == pytest.approx([1.4, 2.6, 3.3], rel=0.02)


def test_the_plate_keeps_its_length_on_the_picture_scale_when_the_body_swells(plan: list[Specimen]) -> None:
    fed = next(s for s in plan if s.feeding == "fully")
    flat_length = fed.body_length_mm - (fed.length_growth - 1) * fed.unit_mm
    flat = replace(fed, feeding="flat", body_length_mm=flat_length, length_growth=1.0, width_growth=1.0)
    _, full = draw_photo(fed, 0, seed=5, size_px=SMALL)
    _, thin = draw_photo(flat, 0, seed=5, size_px=SMALL)
    assert full.scutum_length_px / full.px_per_mm == pytest.approx(thin.scutum_length_px / thin.px_per_mm, rel=0.02)


def test_the_ground_knows_nothing_of_the_tick(plan: list[Specimen]) -> None:
    other = next(s for s in plan if s.kind == "tick" and s.life_stage == "nymph" and not s.spoiled)
    adult = next(s for s in plan if s.kind == "tick" and s.sex == "male" and not s.spoiled)
    swapped = replace(adult, number=other.number, submission=other.submission)
    first, truth = draw_photo(other, 0, seed=5, size_px=SMALL)
    second, truth_swapped = draw_photo(swapped, 0, seed=5, size_px=SMALL)
    assert (truth.background, truth.fill, truth.device) == (
        truth_swapped.background,
        truth_swapped.fill,
        truth_swapped.device,
    )
    assert not np.array_equal(first, second)


def test_a_contact_sheet_holds_every_photo() -> None:
    photos = [np.full((8, 8, 3), tone, np.uint8) for tone in (60, 120, 180)]
    sheet = contact_sheet(photos, columns=2, cell_px=10, gap_px=2)
    assert sheet.shape == (26, 26, 3)
    assert {60, 120, 180} <= set(np.unique(sheet).tolist())
