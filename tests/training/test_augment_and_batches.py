from __future__ import annotations

import numpy as np
import pytest

from tickvision.images.prepare import Prepare
from tickvision.training import augment
from tickvision.training.batches import draw_epoch, prepare_batches

SQUARES = np.random.default_rng(0).integers(0, 255, (12, 48, 48, 3), np.uint8)


def test_a_draw_depends_on_seed_epoch_and_photo_alone() -> None:
    first, again, other = augment.make(1), augment.make(1), augment.make(2)
    square = SQUARES[0]
    assert np.array_equal(first(square, 3, 7), again(square, 3, 7))
    first(square, 9, 9)  # what was drawn before does not matter
    assert np.array_equal(first(square, 3, 7), again(square, 3, 7))
    for changed in (again(square, 4, 7), again(square, 3, 8), other(square, 3, 7)):
        assert not np.array_equal(first(square, 3, 7), changed)


@pytest.mark.parametrize("workers", [1, 4])
def test_any_number_of_workers_gives_the_same_batches(workers: int) -> None:
    parts = [np.array([5, 3, 11]), np.array([0, 8, 2]), np.array([9])]
    alone, threaded = (
        list(prepare_batches(SQUARES, parts, Prepare(48), w, augment.make(0), epoch=2)) for w in (0, workers)
    )
    assert [b.rows.tolist() for b in alone] == [[5, 3, 11], [0, 8, 2], [9]]
    for a, b in zip(alone, threaded, strict=True):
        np.testing.assert_array_equal(a.pictures, b.pictures)


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
