from __future__ import annotations

import io

import numpy as np
import pytest
import torch
from made import scene
from PIL import Image

from tickvision.training import augment, augment_specimen, augment_torch
from tickvision.training.draws import _STEP, _mix, uniforms
from tickvision.training.jpeg_blocks import compress

SQUARES = torch.from_numpy(np.stack([np.asarray(scene((64, 64), seed)) for seed in range(6)]))
PHOTOS = np.array([4, 0, 9, 2, 7, 5])


def test_the_mixed_counter_gives_the_published_stream() -> None:
    # first three values of SplitMix64 for the seed 1234567, as printed in many test suites (from memory)
    counter = np.uint64(1234567) + np.arange(1, 4, dtype=np.uint64) * _STEP
    expected = [6457827717110365317, 3203168211198807973, 9817491932198370423]
    assert _mix(counter, step=False).tolist() == expected


def test_draws_are_uniform_and_a_row_does_not_depend_on_its_neighbours() -> None:
    from scipy.stats import kstest

    many = uniforms(3, 1, np.arange(4000), 5)
    assert all(kstest(column, "uniform").pvalue > 1e-3 for column in many.T)
    assert abs(np.corrcoef(many.T) - np.eye(5)).max() < 0.06
    np.testing.assert_array_equal(uniforms(3, 1, np.array([77, 5]), 5)[1], many[5])
    for other in (uniforms(4, 1, np.arange(9), 5), uniforms(3, 2, np.arange(9), 5)):
        assert not np.isin(other, many[:9]).any()


def test_a_draw_depends_on_seed_epoch_and_photo_alone_and_not_on_the_batch() -> None:
    chain = augment_torch.make(1)
    whole = chain(SQUARES, 3, PHOTOS)
    for i in range(len(PHOTOS)):
        alone = augment_torch.make(1)(SQUARES[i : i + 1], 3, PHOTOS[i : i + 1])
        torch.testing.assert_close(alone[0], whole[i], atol=1e-5, rtol=0)
    for other in (chain(SQUARES, 4, PHOTOS), chain(SQUARES, 3, PHOTOS + 20), augment_torch.make(2)(SQUARES, 3, PHOTOS)):
        assert ((other - whole).abs().amax((1, 2, 3)) > 0.05).all()


def test_one_at_a_time_it_has_the_form_of_the_other_stack() -> None:
    square = SQUARES[0].numpy()
    one, other = augment_torch.make_single(0)(square, 1, 2), augment.make(0)(square, 1, 2)
    assert (one.shape, one.dtype) == (other.shape, other.dtype)


def test_both_stacks_change_pictures_by_as_much() -> None:
    """Same meaning: brightness, spread and distance from the picture agree in the mean over many draws."""
    square = np.asarray(scene((48, 48)))
    n = 300
    chain = augment_torch.make(0)(torch.from_numpy(np.repeat(square[None], n, 0).copy()), 1, np.arange(n))
    tensors = chain.permute(0, 2, 3, 1).numpy() * 255
    plain = augment.make(0)
    other = np.stack([plain(square, 1, i) for i in range(n)]).astype(float)
    for measure in (lambda p: p.mean((1, 2, 3)), lambda p: p.std((1, 2, 3))):
        ours, theirs = measure(tensors), measure(other)
        assert abs(ours.mean() - theirs.mean()) < 4
        assert abs(ours.std() - theirs.std()) < 4
    distance = [np.sqrt(((p - square) ** 2).mean((1, 2, 3))).mean() for p in (tensors, other)]
    assert distance[0] == pytest.approx(distance[1], rel=0.15)


def test_flips_alone_only_move_pixels() -> None:
    u = np.zeros((4, 10))
    u[:, 0], u[:, 1], u[:, 2] = [0.0, 0.9, 0.0, 0.9], [0.0, 0.0, 0.9, 0.9], 0.95  # no further move
    turned = augment_torch._turn(SQUARES[:4].permute(0, 3, 1, 2).float(), augment_torch._places(u))
    sides: tuple[list[int], ...] = ([-1], [-2], [], [-1, -2])
    for i, flipped in enumerate(sides):
        assert float((turned[i] - SQUARES[i].permute(2, 0, 1).float().flip(flipped)).abs().max()) < 0.05


def test_both_stacks_change_body_and_background_alike() -> None:
    y, x = np.mgrid[:96, :96] - 48
    square = np.full((96, 96, 3), (205, 200, 190), np.uint8)
    square[x**2 + y**2 < 26**2] = (90, 45, 25)
    u = np.array([0.0, 0.0, 1.0, 0.1, 0.5, 0.7, 0.2, 0.2, 0.5])
    other = augment_specimen.change(square, u, region_known=True).astype(float)
    pictures = torch.from_numpy(square).permute(2, 0, 1)[None].float()
    ours = augment_torch._change(pictures.clone(), u[None], np.array([True]))[0].permute(1, 2, 0).numpy()
    assert np.abs(other - square).mean() > 30
    assert np.abs(ours - other).mean() < 4


@pytest.mark.parametrize("quality", [40, 70, 95])
def test_compression_loses_what_pillow_s_jpeg_loses(quality: int) -> None:
    smooth = Image.fromarray(SQUARES[0].numpy()).resize((60, 52), Image.Resampling.BICUBIC)  # sides not of 16
    pixels = np.asarray(smooth)
    stream = io.BytesIO()
    smooth.save(stream, "JPEG", quality=quality)
    theirs = np.asarray(Image.open(stream)).astype(float)
    tensor = torch.from_numpy(pixels.copy()).permute(2, 0, 1)[None] / 255
    ours = compress(tensor, torch.tensor([float(quality)]))[0].permute(1, 2, 0).numpy() * 255

    def rms(a: np.ndarray, b: np.ndarray) -> float:
        return float(np.sqrt(((a.astype(float) - b) ** 2).mean()))

    assert rms(ours, theirs) < 0.5 * rms(pixels, theirs) + 0.7
    assert rms(ours, pixels) == pytest.approx(rms(theirs, pixels), rel=0.15)
