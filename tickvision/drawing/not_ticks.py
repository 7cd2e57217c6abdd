"""Things that people send in and that are no ticks: spiders, small beetles, seeds, scabs."""

import numpy as np

from tickvision.drawing.anatomy import Colour
from tickvision.drawing.canvas import Canvas, Points, part_of
from tickvision.drawing.specimen import Specimen
from tickvision.drawing.textures import Rng

REACH = {
    "spider": (0.95, 0.62, 1.25),
    "beetle": (0.62, 0.42, 1.12),
    "seed": (0.36, 0.05, 1.05),
    "scab": (0.55, 0.06, 1.06),
}


def reach_of_thing(kind: str) -> Points:
    """Return the corners of the room a thing needs, in body units."""
    half, front, rear = REACH[kind]
    return np.array([[-half, -front], [half, -front], [half, rear], [-half, rear]])


def draw_thing(canvas: Canvas, specimen: Specimen, rng: Rng) -> None:
    """Draw the thing that `specimen.kind` names."""
    makers = {"spider": _spider, "beetle": _beetle, "seed": _seed, "scab": _scab}
    makers[specimen.kind](canvas, specimen, rng)


def _oval(x: float, y: float, wide: float, tall: float, rough: float = 0.0, rng: Rng | None = None) -> Points:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    reach = np.ones(60)
    if rng is not None and rough:
        for k in range(2, 9):
            reach += rough / k * rng.normal() * np.cos(k * angle + rng.uniform(0, 6))
    return np.stack([x + wide * np.cos(angle) * reach, y + tall * np.sin(angle) * reach], 1)


def _tone(specimen: Specimen, tones: tuple[Colour, ...], rng: Rng) -> Colour:
    base = np.array(tones[int(rng.integers(len(tones)))]) * specimen.brightness * np.array(specimen.tint)
    red, green, blue = (int(v) for v in base.clip(0, 255))
    return red, green, blue


def _lump(canvas: Canvas, outline: Points, colour: Colour, tall: float, base: float, gloss: int) -> None:
    mask = canvas.mask([outline])
    canvas.stain(mask, colour)
    part = part_of(mask)
    x, y = canvas.pen.body_positions(part)
    middle, half = (outline.max(0) + outline.min(0)) / 2, (outline.max(0) - outline.min(0)) / 2
    across = ((x - np.float32(middle[0])) / np.float32(half[0])) ** 2
    room = 1 - across - ((y - np.float32(middle[1])) / np.float32(half[1])) ** 2
    dome = np.sqrt(np.maximum(room, 0)) * np.float32(tall * canvas.pen.unit_px)
    canvas.cover(np.asarray(dome + np.float32(base * canvas.pen.unit_px), np.float32), mask, part, gloss)


def _limbs(
    canvas: Canvas,
    roots: list[tuple[float, float, float]],
    length: float,
    width: float,
    bend: float,
    colour: Colour,
    rng: Rng,
) -> None:
    shapes = []
    for x, y, degrees in roots:
        for side in (1, -1):
            angles = np.deg2rad(
                degrees + rng.normal(0, 8) + np.array([18, 4, -16, -26]) * bend * np.sign(degrees + 0.1)
            )
            steps = np.stack([np.cos(angles), -np.sin(angles)], 1) * length * np.array([0.3, 0.26, 0.26, 0.18])[:, None]
            path = (np.concatenate([[[x, y]], np.array([x, y]) + np.cumsum(steps, 0)])) * [side, 1]
            for i in range(4):
                across = (path[i + 1] - path[i])[::-1] * [-1, 1]
                across = across / (np.hypot(*across) + 1e-9) * width * (1 - 0.2 * i) / 2
                shapes.append(
                    np.array(
                        [path[i] + across, path[i + 1] + across * 0.8, path[i + 1] - across * 0.8, path[i] - across]
                    )
                )
                canvas.line(np.stack([path[i + 1] + across, path[i + 1] - across]), 0.01, 140)
    mask = canvas.mask(shapes)
    canvas.stain(mask, colour)
    canvas.solid(mask, max(1.0, 0.5 * width * canvas.pen.unit_px), 0.0)


def _spider(canvas: Canvas, specimen: Specimen, rng: Rng) -> None:
    colour = _tone(specimen, ((112, 82, 56), (70, 52, 42), (150, 122, 86), (60, 56, 54)), rng)
    roots = [(0.08, 0.12, 66.0), (0.11, 0.18, 28.0), (0.11, 0.25, -22.0), (0.08, 0.32, -62.0)]
    _limbs(canvas, roots, float(rng.uniform(0.75, 1.05)), 0.055, 1.0, colour, rng)
    _lump(canvas, _oval(0, 0.2, 0.17, 0.2), colour, 0.12, 0.03, 110)
    belly = _oval(0, 0.68, float(rng.uniform(0.2, 0.31)), 0.32)
    light = (min(colour[0] + 34, 255), min(colour[1] + 30, 255), min(colour[2] + 24, 255))
    _lump(canvas, belly, light, 0.22, 0.03, 80)
    mask = canvas.mask([belly])
    for k in range(4):
        y = 0.5 + 0.12 * k
        canvas.colour_line(np.array([[-0.12, y + 0.06], [0, y], [0.12, y + 0.06]]), 0.03, colour)
    canvas.roughen("rough", rng, mask, 0.6, 0.006, 0.16)
    for x in (-0.06, -0.02, 0.02, 0.06):
        canvas.paint(_oval(x, 0.04, 0.016, 0.016), (20, 18, 18))


def _beetle(canvas: Canvas, specimen: Specimen, rng: Rng) -> None:
    colour = _tone(specimen, ((84, 44, 26), (40, 32, 30), (120, 66, 34), (56, 60, 44)), rng)
    limb = (int(colour[0] * 0.8), int(colour[1] * 0.8), int(colour[2] * 0.8))
    _limbs(canvas, [(0.14, 0.25, 34.0), (0.2, 0.42, -14.0), (0.2, 0.6, -44.0)], 0.52, 0.05, 0.8, limb, rng)
    _limbs(canvas, [(0.05, 0.0, 62.0)], 0.42, 0.026, 0.3, limb, rng)
    wide = float(rng.uniform(0.25, 0.36))
    _lump(canvas, _oval(0, 0.04, 0.11, 0.1), limb, 0.08, 0.02, 150)
    _lump(canvas, _oval(0, 0.2, wide * 0.82, 0.15), colour, 0.13, 0.03, 200)
    wings = _oval(0, 0.64, wide, 0.37)
    _lump(canvas, wings, colour, 0.2, 0.04, 210)
    canvas.line(np.array([[0, 0.29], [0, 1.0]]), 0.014, 255)
    for share in (-0.68, -0.36, 0.36, 0.68):
        canvas.line(np.array([[share * wide * 0.9, 0.34], [share * wide, 0.62], [share * wide * 0.7, 0.88]]), 0.01, 110)
    canvas.roughen("pits", rng, canvas.mask([wings]), 0.6, 0.004, 0.05)


def _seed(canvas: Canvas, specimen: Specimen, rng: Rng) -> None:
    colour = _tone(specimen, ((96, 62, 38), (150, 116, 74), (58, 44, 36), (120, 96, 70)), rng)
    wide = float(rng.uniform(0.24, 0.34))
    outline = _oval(0, 0.5, wide, 0.5, 0.03, rng)
    outline[:, 0] *= 1 - 0.25 * (outline[:, 1] - 0.5)
    _lump(canvas, outline, colour, 0.26, 0.0, 120)
    mask = canvas.mask([outline])
    canvas.roughen("wrinkles" if rng.random() < 0.5 else "pits", rng, mask, 0.9, 0.006, 0.14)
    canvas.roughen("clouds", rng, mask, 1.5, 0.01, 0.16)
    canvas.paint(_oval(0, 0.03, 0.05, 0.035), (208, 190, 150))
    canvas.line(np.array([[0.02, 0.08], [0.03, 0.5], [0.0, 0.94]]), 0.012, 120)


def _scab(canvas: Canvas, specimen: Specimen, rng: Rng) -> None:
    colour = _tone(specimen, ((92, 36, 26), (70, 34, 28), (124, 66, 44), (110, 52, 32)), rng)
    outline = _oval(0, 0.5, float(rng.uniform(0.32, 0.48)), 0.49, 0.16, rng)
    _lump(canvas, outline, colour, 0.12, 0.0, 90)
    mask = canvas.mask([outline])
    canvas.roughen("rough", rng, mask, 1.0, 0.02, 0.25)
    canvas.roughen("clouds", rng, mask, 1.4, 0.03, 0.3)
    for _ in range(4):
        start = rng.uniform((-0.25, 0.2), (0.25, 0.8))
        canvas.line(start + np.cumsum(rng.normal(0, 0.06, (6, 2)), 0), 0.014, 170)
