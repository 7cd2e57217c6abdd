"""What a specimen may look like beside how it was photographed: another background, another colour of the body.

Neither knows where the animal is. What differs from the colour of the rim is taken for it; a photograph whose rim has
no one colour is left alone. A fed body changes its colour smoothly and as a whole: the difference between one pixel and
the next, which is what a pattern on the scutum is, stays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Square = NDArray[np.uint8]
Floats = NDArray[np.float64]
DRAWS = 9
BACKGROUND_CHANCE, BODY_CHANCE = 0.3, 0.2
PLAIN_RIM = 24.0  # grey levels; a rim that differs more from its median, in the mean, is no plain background
NEAR, FAR, SPREADS = 10.0, 30.0, 1.5  # grey levels from the rim's colour: background, specimen; further by its spread
FED = np.array([148.0, 146.0, 138.0])  # the grey of a fed body (common practice, no source)
STRONGEST = 0.45  # how far towards it at most
COARSE = 4  # a body's colour is changed on a picture so many times smaller


def reach_px(size: int) -> int:
    """Return how wide a pale mark within the specimen is closed, in a picture of this side; odd."""
    return max(3, size // 16) | 1


def wide_px(size: int) -> int:
    """Return over how wide a square the change of a body's colour is smoothed, twice; odd."""
    return max(3, size // 8) | 1


def change(square: Square, u: Floats, region_known: bool) -> Square:
    """Return the square (S, S, 3) with what the draws u (DRAWS,) in [0, 1) choose; the square itself if nothing."""
    mask = specimen(square) if region_known and u[0] < BACKGROUND_CHANCE else None
    if u[1] < BODY_CHANCE:
        square = _fed(square, STRONGEST * u[2])
    return square if mask is None or not mask.any() else _placed(square, mask, u)


def specimen(square: Square) -> NDArray[np.float32] | None:
    """Return (S, S) in 0..1, 1 on the specimen; None if the rim has no one colour."""
    import cv2

    rim = np.concatenate([square[0], square[-1], square[:, 0], square[:, -1]]).astype(np.float32)
    colour = np.median(rim, axis=0)
    spread = float(np.abs(rim - colour).mean())
    if spread > PLAIN_RIM:
        return None
    red, green, blue = cv2.split(cv2.absdiff(square, (*colour.tolist(), 0.0)))
    distance = cv2.blur(cv2.max(cv2.max(red, green), blue).astype(np.float32), (3, 3))
    mask = np.clip((distance - NEAR - SPREADS * spread) / (FAR - NEAR), 0, 1)
    reach = reach_px(len(square))  # pale marks on a dark body are closed, as they lie within it
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8)), np.float32)


def _fed(square: Square, strength: float) -> Square:
    """Return the square with the specimen's colour moved towards FED by this share of the way, smoothly."""
    import cv2

    size = len(square)
    small = cv2.resize(square, (size // COARSE, size // COARSE), interpolation=cv2.INTER_AREA)
    mask = specimen(np.asarray(small, np.uint8))
    if mask is None or not mask.any():
        return square
    wide = wide_px(len(small))
    soft = cv2.blur(cv2.blur(mask, (wide, wide)), (wide, wide))
    inner = (soft**4)[:, :, None]  # little of the edge
    mean = (small * inner).sum((0, 1)) / inner.sum()
    shift = (soft[:, :, None] * (strength * (FED - mean))).astype(np.float32)
    return np.asarray(cv2.add(square, cv2.resize(shift, (size, size)), dtype=cv2.CV_8U), np.uint8)


def _placed(square: Square, mask: NDArray[np.float32], u: Floats) -> Square:
    """Return the square with a plain colour behind the specimen, lighter towards one side."""
    import cv2

    colour, across, down = plain_colour(u[None])
    place = np.linspace(-1, 1, len(square), dtype=np.float32)
    slope = np.float32(across[0]) * place[None, :] + np.float32(down[0]) * place[:, None]
    behind = cv2.merge([cv2.add(slope, (float(part), 0, 0, 0), dtype=cv2.CV_8U) for part in colour[0]])
    return np.asarray(cv2.blendLinear(square, behind, mask, 1 - mask), np.uint8)


def plain_colour(u: Floats) -> tuple[Floats, Floats, Floats]:
    """Return (colour (B, 3), its growth from the middle to the right edge (B,), and to the lower edge) of draws."""
    angle, steep = 2 * np.pi * u[:, 7], 40 * u[:, 8]
    return 60 + 180 * u[:, 3:4] + 50 * (u[:, 4:7] - 0.5), steep * np.cos(angle), steep * np.sin(angle)
