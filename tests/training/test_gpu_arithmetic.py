"""What a GPU computes on its way to the pictures, computed here on the CPU: the same pictures as the threads make."""

from __future__ import annotations

import numpy as np
import torch
from PIL import Image

from tickvision.images.prepare import Prepare
from tickvision.training import augment_torch, feed
from tickvision.training.machine import Machine

SQUARES = np.random.default_rng(0).integers(0, 256, (10, 48, 48, 3), dtype=np.uint8)
PARTS = [np.arange(4), np.arange(4, 10)]


def held(on_device: augment_torch.Chain | None = None) -> feed.Feeder:
    made = feed.Feeder(SQUARES, Prepare(48), Machine(torch.device("cpu")), 0, on_device=on_device)
    made._hold(len(SQUARES), SQUARES.shape[1:])
    return made


def test_squares_on_the_device_give_the_pictures_of_the_threads() -> None:
    feeder = held()
    for here, there in zip(feeder._on_device(PARTS, None), feeder._on_cpu(PARTS, None, 0), strict=True):
        torch.testing.assert_close(here, there, rtol=1e-5, atol=1e-5)


def test_augmented_pictures_are_those_of_the_chain() -> None:
    chain = augment_torch.make(3)
    feeder = held(chain)
    mean, std = feeder._scale
    for here, part in zip(feeder._on_device(PARTS, 2), PARTS, strict=True):
        own = chain(torch.from_numpy(SQUARES[part]), 2, part)
        torch.testing.assert_close(here, (own - mean) / std, rtol=1e-5, atol=1e-5)


def test_smaller_squares_are_those_of_pillow() -> None:
    # torch's antialias = True is Pillow's reduction; torch rounds once, Pillow after each axis: one grey level
    small = feed._smaller(torch.from_numpy(SQUARES), 32).numpy()
    for ours, square in zip(small, SQUARES, strict=True):
        pillow = np.asarray(Image.fromarray(square).resize((32, 32), Image.Resampling.BILINEAR))
        assert np.abs(ours.astype(int) - pillow.astype(int)).max() <= 1
