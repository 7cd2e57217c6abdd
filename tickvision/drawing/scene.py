"""What the specimen lies on: paper, cloth, skin, tray or leaf."""

import cv2
import numpy as np

from tickvision.drawing.submitter import Submitter
from tickvision.drawing.textures import Field, Image, Rng, sample


def background(submitter: Submitter, size_px: int, blur_px: float, rng: Rng) -> Image:
    """Return an RGB ground of size_px square in the submitter's style, out of focus by blur_px."""
    makers = {"paper": _paper, "cloth": _cloth, "skin": _skin, "tray": _tray, "leaf": _leaf}
    grey, depth = makers[submitter.background](submitter, size_px, rng)
    if blur_px > 0.5:
        grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), blur_px), np.uint8)
    ramp = _ramp(np.array(submitter.base_tone) * rng.normal(1, 0.025), depth, submitter.background)
    return np.asarray(cv2.LUT(cv2.merge([grey, grey, grey]), ramp), np.uint8)


def _ramp(tone: Field | np.ndarray, depth: float, kind: str) -> Image:
    """Return the (1, 256, 3) table from grey to colour: dark shades lean to the ground's own hue."""
    level = np.linspace(-3, 3, 256)[:, None] * depth
    hue = {"skin": (0.75, 1.1, 1.2), "leaf": (1.1, 0.8, 1.15)}.get(kind, (1.0, 1.0, 1.0))
    table = tone[None, :] * (1 + level * np.array(hue))
    return np.asarray(np.clip(table, 0, 255), np.uint8)[None]


def _grain(name: str, submitter: Submitter, size_px: int, rng: Rng, zoom: float = 1.0) -> Image:
    scale = zoom * submitter.grain_zoom * size_px / 640
    angle = (
        float(rng.uniform(0, 2 * np.pi)) if name in ("weave", "scratches") else None
    )  # the others look alike from all sides
    return sample(name, (size_px, size_px), rng, scale, angle)


def _blend(a: Image, b: Image, share: float) -> Image:
    return np.asarray(cv2.addWeighted(a, 1 - share, b, share, 0), np.uint8)


def _smooth(size_px: int, rng: Rng, zoom: float) -> Image:
    """Return broad clouds, drawn small and enlarged."""
    small = sample("clouds", (160, 160), rng, 2 * zoom)
    return np.asarray(cv2.resize(small, (size_px, size_px), interpolation=cv2.INTER_LINEAR), np.uint8)


def _paper(submitter: Submitter, size_px: int, rng: Rng) -> tuple[Image, float]:
    grey = _blend(_grain("fibres", submitter, size_px, rng), _smooth(size_px, rng, 0.4), 0.45)
    if submitter.pattern in (0, 1):
        gap = size_px * rng.uniform(0.09, 0.2)
        angle = rng.uniform(0, np.pi)
        for turn in (angle,) if submitter.pattern == 0 else (angle, angle + np.pi / 2):
            _rule(grey, gap, turn, rng)
    return grey, 0.034


def _rule(grey: Image, gap: float, angle: float, rng: Rng) -> None:
    size = grey.shape[0]
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    first = rng.uniform(0, gap)
    for k in range(int(1.5 * size / gap) + 1):
        middle = np.array([size / 2, size / 2]) + across * (first + k * gap - 0.75 * size)
        ends = np.stack([middle - along * size, middle + along * size])
        cv2.polylines(grey, [np.asarray(ends * 16, np.int32)], False, 20, max(1, size // 400), cv2.LINE_AA, 4)


def _cloth(submitter: Submitter, size_px: int, rng: Rng) -> tuple[Image, float]:
    weave = _grain("weave", submitter, size_px, rng, 0.6)
    return _blend(weave, _smooth(size_px, rng, 0.5), 0.35), 0.17


def _skin(submitter: Submitter, size_px: int, rng: Rng) -> tuple[Image, float]:
    grey = _blend(_grain("skin", submitter, size_px, rng, 1.2), _smooth(size_px, rng, 0.5), 0.5)
    if submitter.pattern < 3:
        for _ in range(int(rng.integers(2, 9))):
            _hair(grey, rng, int(rng.integers(20, 70)))
    return grey, 0.13


def _hair(grey: Image, rng: Rng, tone: int) -> None:
    size = grey.shape[0]
    start, angle = rng.uniform(0, size, 2), rng.uniform(0, 2 * np.pi)
    turns = angle + np.cumsum(rng.normal(0.04, 0.08, 14))
    path = start + np.cumsum(np.stack([np.cos(turns), np.sin(turns)], 1) * size * rng.uniform(0.02, 0.05), axis=0)
    cv2.polylines(grey, [np.asarray(path * 16, np.int32)], False, tone, int(rng.integers(1, 3)), cv2.LINE_AA, 4)


def _tray(submitter: Submitter, size_px: int, rng: Rng) -> tuple[Image, float]:
    grey = _smooth(size_px, rng, 0.3)
    if submitter.pattern in (0, 1, 2):
        grey = _blend(grey, _grain("scratches", submitter, size_px, rng), 0.35)
    if submitter.pattern == 3:
        grey = _blend(grey, _grain("grain", submitter, size_px, rng, 2.0), 0.3)
    if submitter.pattern == 4:  # wall of a dish
        centre = np.asarray(rng.uniform(0.2, 0.8, 2) * size_px * 16, np.int32)
        radius = int(size_px * rng.uniform(0.62, 0.9) * 16)
        for step, tone in ((0, 60), (7, 235), (16, 90)):
            cv2.circle(
                grey, (int(centre[0]), int(centre[1])), radius + step * 16, tone, max(2, size_px // 110), cv2.LINE_AA, 4
            )
    return grey, 0.07


def _leaf(submitter: Submitter, size_px: int, rng: Rng) -> tuple[Image, float]:
    grey = np.array(_blend(_grain("leaf", submitter, size_px, rng), _smooth(size_px, rng, 0.5), 0.5))
    angle = rng.uniform(0, 2 * np.pi)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle = np.array([size_px / 2, size_px / 2]) + across * rng.uniform(-0.35, 0.35) * size_px
    veins = [np.stack([middle - along * size_px, middle + along * size_px])]
    gap = size_px * rng.uniform(0.14, 0.24)
    for k in range(-7, 8):
        root = middle + along * gap * k
        for side in (1, -1):
            lean = along * 0.75 + across * side
            path = [root + lean * reach * size_px - along * 0.12 * reach**2 * size_px for reach in (0, 0.2, 0.4, 0.7)]
            veins.append(np.array(path))
    for k, vein in enumerate(veins):
        thick = max(2, size_px // (60 if k == 0 else 190))
        for tone, extra in ((70, 2), (205, 0)):
            cv2.polylines(grey, [np.asarray(vein * 16, np.int32)], False, tone, thick + extra, cv2.LINE_AA, 4)
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), np.uint8), 0.14
