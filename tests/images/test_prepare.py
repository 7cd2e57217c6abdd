from __future__ import annotations

import numpy as np
import pytest
import torch
from PIL import Image

from tickvision.images.decode import Photo
from tickvision.images.look import difference_hash, measure_quality, rim_features
from tickvision.images.prepare import Prepare, normalise, to_square


def photo(pixels: np.ndarray) -> Photo:
    return Photo(pixels, pixels.shape[1], pixels.shape[0], "0" * 64)


@pytest.mark.parametrize("fit", ["pad", "stretch", "crop"])
@pytest.mark.parametrize("shape", [(300, 400), (400, 300), (200, 200), (9, 700)])
def test_every_shape_becomes_the_square(fit: str, shape: tuple[int, int]) -> None:
    pixels = np.full((*shape, 3), 77, np.uint8)
    square = to_square(photo(pixels), Prepare(96, fit))  # type: ignore[arg-type]
    assert square.shape == (96, 96, 3)
    assert (square == 77).all()


def test_padding_keeps_proportions_and_stretching_does_not() -> None:
    pixels = np.zeros((100, 200, 3), np.uint8)
    pixels[30:70, 80:120] = 255  # a square mark, 40 x 40
    for fit, ratio in (("pad", 1.0), ("stretch", 0.5)):
        mark = to_square(photo(pixels), Prepare(100, fit))[:, :, 0] > 127  # type: ignore[arg-type]
        assert mark.any(0).sum() / mark.any(1).sum() == pytest.approx(ratio, abs=0.06)


def test_shrinking_averages_a_fine_pattern_away() -> None:
    # antialias: a 1-pixel chequer shrunk four times is flat grey; plain sampling would keep black and white
    fine = (np.indices((400, 400)).sum(0) % 2 * 255).astype(np.uint8)
    square = to_square(photo(np.stack([fine] * 3, 2)), Prepare(100))
    assert np.abs(square.astype(int) - 127).max() < 12


def test_the_resize_agrees_with_torchvision_antialias() -> None:
    from torchvision.transforms.v2.functional import resize

    rng = np.random.default_rng(0)
    pixels = np.asarray(Image.fromarray(rng.integers(0, 255, (60, 60, 3), np.uint8)).resize((300, 300)))
    ours = to_square(photo(pixels), Prepare(96)).astype(int)
    theirs = resize(torch.from_numpy(pixels.copy()).permute(2, 0, 1), [96, 96], antialias=True).permute(1, 2, 0).numpy()
    assert np.abs(ours - theirs).max() <= 2


def test_normalising_agrees_with_torchvision() -> None:
    from torchvision.transforms.v2.functional import normalize

    squares = np.random.default_rng(0).integers(0, 255, (2, 32, 32, 3), np.uint8)
    prepare = Prepare(32, "pad", (0.485, 0.456, 0.406), (0.229, 0.224, 0.225))
    theirs = normalize(torch.from_numpy(squares).permute(0, 3, 1, 2) / 255, list(prepare.mean), list(prepare.std))
    np.testing.assert_allclose(normalise(squares, prepare), theirs.numpy(), atol=1e-5)


def test_prepare_survives_its_json_form() -> None:
    prepare = Prepare(160, "crop", (0.1, 0.2, 0.3), (0.4, 0.5, 0.6))
    assert Prepare.from_json(prepare.to_json()) == prepare


def test_blur_lowers_sharpness_and_clipping_is_counted() -> None:
    from PIL import ImageFilter

    rng = np.random.default_rng(0)
    picture = Image.fromarray(rng.integers(0, 255, (96, 96, 3), np.uint8))
    sharp = measure_quality(np.asarray(picture), 96, 96)
    blurred = measure_quality(np.asarray(picture.filter(ImageFilter.GaussianBlur(2))), 96, 96)
    assert blurred.sharpness < sharp.sharpness / 4
    assert measure_quality(np.zeros((32, 32, 3), np.uint8), 32, 32).dark == 1.0
    assert measure_quality(np.full((32, 32, 3), 255, np.uint8), 32, 32).bright == 1.0


def test_the_hash_survives_saving_again_and_tells_pictures_apart() -> None:
    rng = np.random.default_rng(0)
    one, two = (
        np.asarray(
            Image.fromarray(rng.integers(0, 255, (6, 6, 3), np.uint8)).resize((128, 128), Image.Resampling.BICUBIC)
        )
        for _ in range(2)
    )
    again = np.clip(one.astype(int) + rng.integers(-4, 5, one.shape), 0, 255).astype(np.uint8)
    assert (difference_hash(one) ^ difference_hash(again)).bit_count() <= 5
    assert (difference_hash(one) ^ difference_hash(two)).bit_count() > 12


def test_the_rim_does_not_see_the_middle() -> None:
    square = np.full((96, 96, 3), 200, np.uint8)
    changed = square.copy()
    changed[10:86, 10:86] = 0
    np.testing.assert_array_equal(rim_features(square), rim_features(changed))
