"""What keeps the name out of a picture: lost and covered parts, crushing, thumbs, glare."""

import cv2
import numpy as np

from tickvision.drawing.canvas import Canvas, Pen, part_of
from tickvision.drawing.specimen import Specimen
from tickvision.drawing.textures import Image, Rng, sample


def hides_head(specimen: Specimen) -> bool:
    """Say whether the mouthparts stayed behind when the specimen was pulled off."""
    return specimen.spoiled in ("hidden", "crushed")


def _blob(x: float, y: float, wide: float, tall: float, rng: Rng) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    reach = np.ones(40)
    for k in range(2, 8):
        reach += 0.22 / k * rng.normal() * np.cos(k * angle + rng.uniform(0, 6))
    return np.stack([x + wide * np.cos(angle) * reach, y + tall * np.sin(angle) * reach], 1)


def spoil_canvas(canvas: Canvas, specimen: Specimen, rng: Rng) -> None:
    """Bury back and front of a "hidden" specimen under dirt, on the canvas."""
    if specimen.spoiled != "hidden":
        return
    half = specimen.anatomy.body_width * specimen.width_growth / 2
    light = rng.uniform(0.6, 1.1)
    colour = (int(134 * light), int(106 * light), int(rng.uniform(66, 90) * light))
    lumps = [
        _blob(0, 0.22, half * 1.02, 0.42, rng),
        _blob(0, specimen.length_growth * 0.6, half * 1.0, specimen.length_growth * 0.46, rng),
    ]
    mask = canvas.mask(lumps)
    canvas.stain(mask, colour)
    canvas.polish(mask, part_of(mask), 20)
    canvas.solid(mask, 0.1 * canvas.pen.unit_px, 0.10 * canvas.pen.unit_px, 0.6)
    canvas.roughen("rough", rng, mask, 1.2, 0.018, 0.22)


def crush(canvas: Canvas, rng: Rng) -> None:
    """Squash the drawn specimen: torn, smeared, its outline and plate lost."""
    rows, cols = canvas.shape
    strength = 0.16 * canvas.pen.unit_px
    fields = []
    for _ in range(2):
        small = sample("clouds", (rows // 4 + 1, cols // 4 + 1), rng, 0.5).astype(np.float32)
        fields.append(cv2.resize((small - 128) / 42, (cols, rows)) * np.float32(strength))
    grid_x = np.arange(cols, dtype=np.float32)[None, :] + fields[0]
    grid_y = np.arange(rows, dtype=np.float32)[:, None] + fields[1]
    for name in ("albedo", "alpha", "groove", "gloss", "height"):
        layer = getattr(canvas, name)
        setattr(canvas, name, cv2.remap(layer, grid_x, grid_y, cv2.INTER_LINEAR))
    mask = canvas.alpha
    canvas.stain(mask, (86, 40, 30), 0.55)
    canvas.roughen("rough", rng, mask, 1.6, 0.03, 0.35)
    canvas.height *= np.float32(0.6)


def cover_up(image: Image, specimen: Specimen, pen: Pen, rng: Rng) -> Image:
    """Return the image with a thumb over the specimen, or glare over it."""
    front = specimen.length_growth - specimen.body_length_mm / specimen.unit_mm
    head = pen.px(np.array([[0.0, front], [0.0, 0.3], [0.0, specimen.length_growth * 0.9]]))
    reach = float(np.hypot(*(head[2] - head[0])))
    if specimen.spoiled == "covered":
        return _thumb(image, head[0] * 0.55 + head[2] * 0.45, reach, rng)
    if specimen.spoiled == "glare":
        return _glare(image, head[0] * 0.6 + head[2] * 0.4, reach, rng)
    return image


def _thumb(image: Image, at: np.ndarray, reach: float, rng: Rng) -> Image:
    size = image.shape[0]
    mask = np.zeros((size, size), np.uint8)
    angle = rng.uniform(0, 2 * np.pi)
    away = np.array([np.cos(angle), np.sin(angle)])
    path = np.stack([at + away * reach * 0.05, at + away * 3 * size])
    wide = max(int(reach * 0.9), int(size * 0.12))
    cv2.polylines(mask, [np.asarray(path, np.int32)], False, 255, wide, cv2.LINE_AA)
    deep = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 3)
    round_off = np.clip(deep / (wide * 0.3), 0, 1) ** 0.6
    tones = ((236, 190, 164), (204, 150, 118), (150, 100, 74), (96, 64, 50), (120, 150, 196), (226, 226, 230))
    tone = np.array(tones[int(rng.integers(len(tones)))], np.float32)
    grain = sample("skin", (size, size), rng).astype(np.float32) - 128
    skin = tone * (0.55 + 0.5 * round_off[..., None] + 0.0012 * grain[..., None])
    cover = cv2.GaussianBlur(mask, (0, 0), size / 260).astype(np.float32)[..., None] / 255
    return np.asarray(np.clip(image * (1 - cover) + skin * cover, 0, 255), np.uint8)


def _glare(image: Image, at: np.ndarray, reach: float, rng: Rng) -> Image:
    """Shining tape over the specimen: a milky strip with a burnt-out patch on plate and mouthparts."""
    size = image.shape[0]
    small = np.zeros((size // 4, size // 4), np.uint8)
    for _ in range(3):
        centre = (at + rng.normal(0, 0.10 * reach, 2)) / 4
        axes = np.array([reach * rng.uniform(0.5, 0.7), reach * rng.uniform(0.32, 0.5)]) / 4
        cv2.ellipse(small, (centre.tolist(), (2 * axes).tolist(), float(rng.uniform(0, 180))), 255, -1, cv2.LINE_AA)
    small = cv2.GaussianBlur(small, (0, 0), max(1.0, reach / 60))
    cover = cv2.resize(small, (size, size), interpolation=cv2.INTER_CUBIC).astype(np.float32)[..., None] / 255
    return np.asarray(np.clip(image * (1 - cover * 0.96) + 252 * cover * 0.96, 0, 255), np.uint8)
