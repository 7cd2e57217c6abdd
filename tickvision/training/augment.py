"""Augmentation for specimens on a bench. The one place that imports albumentations.

Every draw comes from (seed, epoch, photo), so epochs and photographs differ and any number of workers gives the same.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tickvision.errors import TrainingError
from tickvision.training import augment_specimen

if TYPE_CHECKING:
    import albumentations as A  # noqa: N812 (its usual name)

os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")  # it would ask the network for its newest version on import

Square = NDArray[np.uint8]
Augment = Callable[[Square, int, int], Square]
VERSION = "2.0.8"  # last release under MIT; its successor of the same import name is AGPL


def make(seed: int, region_known: NDArray[np.bool_] | None = None) -> Augment:
    """Return augment(square (S, S, 3) uint8, epoch, photo) -> square.

    Any turn, flips, scale, tilt, light and cast, blur, noise, JPEG; another body colour; another background for the
    photographs whose region is known (region_known: (N,), by photo; None: of none).
    Raises TrainingError if another package answers to the name albumentations.
    """
    import albumentations
    import cv2

    if albumentations.__version__ != VERSION:
        raise TrainingError(
            f"albumentations {albumentations.__version__} is installed; {VERSION} is needed (MIT). "
            f"Run: pip install albumentations=={VERSION}"
        )
    cv2.setNumThreads(0)
    held = threading.local()  # a chain keeps its draws in itself

    def augment(square: Square, epoch: int, photo: int) -> Square:
        if not hasattr(held, "chain"):
            held.chain = _Chain()
        start = np.random.SeedSequence([seed, epoch, photo])
        numbers = held.chain.start_at(start)
        known = region_known is not None and bool(region_known[photo])
        square = augment_specimen.change(square, numbers.random(augment_specimen.DRAWS), known)
        return np.ascontiguousarray(held.chain.photographed(image=square)["image"])

    return augment


class _Chain:
    """The transforms of how a specimen is photographed, with one pair of generators.

    The pair is set anew in place for each photograph: set_random_seed would make a pair for each transform, which takes
    a fifth of the time and lets all of them start with the same number.
    """

    def __init__(self) -> None:
        self._numbers, self._plain = np.random.default_rng(0), random.Random(0)
        self.photographed = _photographed()
        self.photographed.set_random_state(self._numbers, self._plain)

    def start_at(self, start: np.random.SeedSequence) -> np.random.Generator:
        """Set both generators by this seed, and return that of numpy."""
        self._numbers.bit_generator.state = np.random.PCG64(start).state
        self._plain.seed(int(start.generate_state(1)[0]))
        return self._numbers


def _photographed() -> A.Compose:
    """Return the transforms: turn, flips, scale, tilt, light and cast, blur, noise, JPEG."""
    import albumentations as A  # noqa: N812 (its usual name)
    import cv2

    fill = cv2.BORDER_REFLECT_101
    return A.Compose(
        [
            A.HorizontalFlip(p=0.5),
            A.VerticalFlip(p=0.5),
            A.Affine(
                rotate=(-180, 180),
                scale=(0.85, 1.2),
                translate_percent=(-0.06, 0.06),
                shear=(-6, 6),
                border_mode=fill,
                interpolation=cv2.INTER_LINEAR,
                p=0.9,
            ),
            A.OneOf(
                [
                    A.RandomBrightnessContrast(0.18, 0.18, p=1.0),
                    A.ColorJitter(0.15, 0.15, 0.15, 0.02, p=1.0),
                    A.RandomGamma((75, 135), p=1.0),
                ],
                p=0.8,
            ),
            A.OneOf([A.GaussianBlur((3, 5), p=1.0), A.MotionBlur((3, 5), p=1.0)], p=0.15),
            A.GaussNoise((0.01, 0.05), p=0.2),
            A.ImageCompression(quality_range=(40, 95), p=0.2),
        ]
    )
