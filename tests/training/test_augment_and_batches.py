from __future__ import annotations

import numpy as np
import pytest
import torch

from tickvision.images.prepare import Prepare, normalise
from tickvision.training import augment, augment_specimen
from tickvision.training.batches import draw_epoch, prepare_batches
from tickvision.training.feed import Feeder
from tickvision.training.folds import deal
from tickvision.training.machine import Machine

SQUARES = np.random.default_rng(0).integers(0, 255, (12, 48, 48, 3), np.uint8)


def test_a_draw_depends_on_seed_epoch_and_photo_alone() -> None:
    first, again, other = augment.make(1), augment.make(1), augment.make(2)
    square = SQUARES[0]
    assert np.array_equal(first(square, 3, 7), again(square, 3, 7))
    first(square, 9, 9)  # what was drawn before does not matter
    assert np.array_equal(first(square, 3, 7), again(square, 3, 7))
    for changed in (again(square, 4, 7), again(square, 3, 8), other(square, 3, 7)):
        assert not np.array_equal(first(square, 3, 7), changed)


@pytest.mark.parametrize("overlap", [True, False])
@pytest.mark.parametrize("workers", [1, 4])
def test_any_number_of_workers_gives_the_same_batches(workers: int, overlap: bool) -> None:
    squares = np.random.default_rng(1).integers(0, 255, (150, 32, 32, 3), np.uint8)  # enough for every transform
    parts = [np.arange(150)[::-1][:70], np.arange(80), np.array([9])]
    alone = list(prepare_batches(squares, parts, 0, augment.make(0), epoch=2))
    threaded = list(prepare_batches(squares, parts, workers, augment.make(0), epoch=2, overlap=overlap))
    assert [b.rows.tolist() for b in threaded] == [p.tolist() for p in parts]
    for a, b in zip(alone, threaded, strict=True):
        np.testing.assert_array_equal(a.squares, b.squares)


def test_pictures_are_fed_to_the_last_digit_as_the_package_prepares_them() -> None:
    prepare = Prepare(48, "pad", (0.485, 0.456, 0.406), (0.229, 0.224, 0.225))
    (fed,) = Feeder(SQUARES, prepare, Machine(torch.device("cpu")), 0).plain(np.arange(12), 12)
    np.testing.assert_array_equal(fed.numpy(), normalise(SQUARES, prepare))
    assert fed.is_contiguous(memory_format=torch.channels_last)


def test_early_epochs_see_smaller_pictures_of_the_same_light() -> None:
    feeder = Feeder(SQUARES, Prepare(48), Machine(torch.device("cpu")), 0)
    (small,), (whole,) = (feeder.training(np.arange(12), 12, 1, small=s) for s in (True, False))
    assert (small.pictures.shape[2], whole.pictures.shape[2]) == (32, 48)
    torch.testing.assert_close(small.pictures.mean((2, 3)), whole.pictures.mean((2, 3)), atol=0.02, rtol=0)


def test_folds_hold_whole_groups_and_are_alike_in_size() -> None:
    group = np.repeat(np.arange(10), [5, 1, 3, 2, 2, 1, 1, 4, 1, 1])
    fold = deal(group, 3, seed=2)
    assert all(len(set(fold[group == g])) == 1 for g in range(10))
    sizes = np.bincount([fold[group == g][0] for g in range(10)])
    assert sizes.max() - sizes.min() <= 1
    assert not np.array_equal(fold, deal(group, 3, seed=3))


def bright_body() -> np.ndarray:
    """A dark disc with a fine pattern on a light ground."""
    y, x = np.mgrid[:96, :96] - 48
    body = x**2 + y**2 < 26**2
    pattern = np.where((x // 3 + y // 3) % 2, 18, 0)
    square = np.full((96, 96, 3), (205, 200, 190), np.uint8)
    square[body] = (np.array([90, 45, 25]) + pattern[:, :, None])[body]
    return square


def test_a_fed_body_changes_its_colour_and_keeps_its_pattern_and_its_ground() -> None:
    square, u = bright_body(), np.array([0.9, 0.0, 1.0, *[0.5] * 6])
    fed = augment_specimen.change(square, u, region_known=False).astype(int)
    inner = np.s_[32:64, 32:64]
    assert abs(fed[inner].mean((0, 1)) - square[inner].mean((0, 1))).max() > 15
    spread = fed[inner].mean((0, 1)).std(), square[inner].mean((0, 1)).std()
    assert spread[0] < 0.8 * spread[1]  # greyer
    steps = [np.diff(p[inner].astype(int), axis=0) for p in (fed, square)]
    assert abs(steps[0] - steps[1]).max() <= 2
    assert abs(fed[:12, :12] - square[:12, :12].astype(int)).max() <= 3


def test_another_background_comes_only_where_the_region_is_known_and_leaves_the_body() -> None:
    square, u = bright_body(), np.array([0.0, 0.9, 0.0, 0.0, 0.5, 0.5, 0.5, 0.2, 0.5])
    assert augment_specimen.change(square, u, region_known=False) is square
    placed = augment_specimen.change(square, u, region_known=True).astype(int)
    np.testing.assert_array_equal(placed[30:66, 30:66], square[30:66, 30:66])
    assert abs(placed[:12, :12] - square[:12, :12].astype(int)).min() > 40


def test_a_photograph_without_a_plain_rim_is_left_alone() -> None:
    square = np.zeros((48, 48, 3), np.uint8)
    square[:, 24:] = 220
    assert augment_specimen.change(square, np.zeros(9), region_known=True) is square


def test_an_epoch_shows_each_specimen_once_and_another_photo_of_it_later() -> None:
    specimen = np.array([0, 0, 0, 0, 1, 2, 2, 2])
    epochs = [draw_epoch(specimen, 0, e) for e in range(30)]
    assert all(sorted(specimen[rows]) == [0, 1, 2] for rows in epochs)
    assert {int(r) for rows in epochs for r in rows} == set(range(8))
    assert np.array_equal(draw_epoch(specimen, 0, 4), epochs[4])


def test_another_package_under_the_same_import_name_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    import albumentations

    from tickvision.errors import TrainingError

    monkeypatch.setattr(albumentations, "__version__", "2.0.11")
    with pytest.raises(TrainingError, match=r"2\.0\.8 is needed"):
        augment.make(0)
