"""A bar or a ruler in the picture, true to the scale of the specimen."""

import cv2
import numpy as np
from numpy.typing import NDArray

from tickvision.drawing.textures import Image, Rng

SCALE_BAR_SHARE = 0.35
STEPS_MM = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


def draw_scale_bar(image: Image, px_per_mm: float, box: NDArray[np.float64], rng: Rng) -> None:
    """Draw a labelled bar or a ruler near an edge, in place; its step is a round number of mm.

    box is the low and high corner of the body in px: nothing is laid over it.
    """
    size = image.shape[0]
    wanted = size * rng.uniform(0.10, 0.24)
    step = min(STEPS_MM, key=lambda mm: abs(np.log(mm * px_per_mm / wanted)))
    deep = int(size * rng.uniform(0.08, 0.13))
    gaps = {0: size - box[1, 1], 1: box[0, 0], 2: box[0, 1], 3: size - box[1, 0]}  # below, left, above, right
    sides = [side for side, gap in gaps.items() if gap > deep + 4]
    if sides and rng.random() < 0.5:
        _ruler(image, step, step * px_per_mm, (int(rng.choice(sides)), deep), rng)
    else:
        _bar(image, step, step * px_per_mm, bool(gaps[0] > gaps[2]), rng)


def _label(step: float) -> str:
    return f"{step:g} mm"


def _bar(image: Image, step: float, length: float, below: bool, rng: Rng) -> None:
    size = image.shape[0]
    x = float(rng.uniform(0.05, 0.93 - length / size)) * size
    y = float(rng.uniform(0.92, 0.965) if below else rng.uniform(0.055, 0.09)) * size
    spot = image[max(int(y) - 4, 0) : int(y) + 4, int(x) : int(x + length) + 1]
    tone = (20, 20, 20) if spot.mean() > 110 else (240, 240, 240)
    thick = max(2, size // 160)
    cv2.rectangle(image, (round(x), round(y)), (round(x + length) - 1, round(y) + thick), tone, -1)
    scale = size / 640 * 0.6
    cv2.putText(
        image,
        _label(step),
        (round(x), round(y - 6 * size / 640)),
        cv2.FONT_HERSHEY_SIMPLEX,
        scale,
        tone,
        max(1, size // 400),
        cv2.LINE_AA,
    )


def _ruler(image: Image, step: float, length: float, place: tuple[int, int], rng: Rng) -> None:
    """Lay a pale strip with ticks along one edge; the numbers count steps in mm."""
    size = image.shape[0]
    side, deep = place
    strip = np.full((deep, size, 3), rng.uniform(200, 246), np.uint8)
    strip[:] = (strip * rng.uniform(0.92, 1.0, 3)).astype(np.uint8)
    first = float(rng.uniform(-length, 0))
    number = int(rng.integers(1, 6))
    for k in range(int(size / length) + 3):
        x = first + k * length
        _stroke(strip, x, deep * 0.55)
        for part in range(1, 5):
            _stroke(strip, x + part * length / 5, deep * 0.26)
        text = f"{(number + k) * step:g}"
        cv2.putText(
            strip,
            text,
            (round(x + 3), deep - 5),
            cv2.FONT_HERSHEY_SIMPLEX,
            size / 640 * 0.45,
            (30, 30, 30),
            1,
            cv2.LINE_AA,
        )
    cv2.putText(
        strip, "mm", (size - 34, deep - 5), cv2.FONT_HERSHEY_SIMPLEX, size / 640 * 0.45, (30, 30, 30), 1, cv2.LINE_AA
    )
    turned = np.ascontiguousarray(np.rot90(image, side))
    turned[size - deep :] = strip
    turned[size - deep - 3 : size - deep] = (turned[size - deep - 3 : size - deep] * 0.7).astype(np.uint8)
    image[:] = np.rot90(turned, -side)


def _stroke(strip: Image, x: float, length: float) -> None:
    at = round(x * 16)
    cv2.line(strip, (at, 0), (at, int(length * 16)), (35, 35, 35), 1, cv2.LINE_AA, 4)
