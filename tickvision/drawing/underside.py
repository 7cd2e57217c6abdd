"""A tick from below: no scutum and no ornament, but coxae, genital opening, anus and its groove."""

import numpy as np

from tickvision.drawing.anatomy import mixed
from tickvision.drawing.canvas import Canvas, part_of
from tickvision.drawing.legs import ATTACHED_AT, Leg, draw_legs
from tickvision.drawing.outline import Body
from tickvision.drawing.specimen import Specimen
from tickvision.drawing.textures import Rng
from tickvision.drawing.tick import back_colour, body_height, darker, draw_capitulum, palette, toned


def draw_ventral(canvas: Canvas, specimen: Specimen, body: Body, legs: list[Leg], rng: Rng, headless: bool) -> None:
    """Draw the specimen from below."""
    anatomy, tones = specimen.anatomy, palette(specimen)
    mask = canvas.mask([body.polygon(0)])
    colour = mixed(back_colour(specimen), toned(specimen, (188, 150, 112)), 0.35)
    canvas.stain(mask, colour)
    part = part_of(mask)
    canvas.cover(body_height(canvas, specimen, body, part) * np.float32(0.8), mask, part, 80)
    canvas.roughen("wrinkles", rng, mask, 0.8, 0.003, 0.07)
    canvas.roughen("clouds", rng, mask, 1.3, 0.008, 0.12)
    _openings(canvas, specimen, body)
    if not headless:
        draw_capitulum(canvas, specimen, mixed(tones.scutum, tones.legs, 0.5))
    plain = tones.legs
    draw_legs(canvas, legs, darker(plain, 0.6), mixed(plain, (236, 214, 178), 0.25), plain)
    pairs = anatomy.leg_count // 2
    for y in ATTACHED_AT[pairs]:
        at = y * (1 + 0.12 * (specimen.length_growth - 1))
        x = max(0.75 * float(body.half_width(np.array(at))) - 0.06, 0.05)
        for side in (1, -1):
            _coxa(canvas, side * (x - 0.02), at + 0.01, side, plain)


def _coxa(canvas: Canvas, x: float, y: float, side: int, colour: tuple[int, int, int]) -> None:
    plate = np.array([[0.06, -0.04], [0.07, 0.03], [-0.06, 0.05], [-0.075, 0.0], [-0.05, -0.035]]) * [side, 1] + [x, y]
    mask = canvas.mask([plate])
    canvas.stain(mask, colour)
    canvas.step(mask, 0.016, 0.006)
    canvas.line(np.concatenate([plate, plate[:1]]), 0.008, 130)


def _openings(canvas: Canvas, specimen: Specimen, body: Body) -> None:
    """Genital opening of adults, breathing plates, anus and the groove: before it in Ixodes, else behind."""
    anatomy = specimen.anatomy
    length, half = body.length, body.width / 2
    angle = np.linspace(0, 2 * np.pi, 20)
    ring = np.stack([np.cos(angle), np.sin(angle)], 1)
    anus = np.array([0, length * 0.74])
    canvas.line(anus + ring * 0.024, 0.012, 220)
    arch = np.linspace(0, np.pi, 24)
    if anatomy.genus == "Ixodes":  # MANSON, KU-RIC
        bow = np.stack([np.cos(arch) * 0.13, -np.sin(arch) * 0.10], 1)
        legs = np.array([[0.15, length * 0.2]])
        path = np.concatenate([legs, bow, legs * [-1, 1]]) + anus
    else:
        path = np.stack([np.cos(arch) * 0.13, np.sin(arch) * 0.09], 1) + anus + [0, 0.02]
    canvas.line(path, 0.016, 220)
    if anatomy.life_stage == "adult":
        canvas.line(np.array([[-0.05, 0.30], [0, 0.315], [0.05, 0.30]]), 0.018, 240)
    if anatomy.life_stage != "larva":
        at = length * 0.58 if length < 1.5 else length * 0.45
        x = 0.78 * float(body.half_width(np.array(at)))
        for side in (1, -1):
            plate = ring * [0.055, 0.07] + [side * x, at]
            canvas.paint(plate, mixed(palette(specimen).legs, (220, 200, 170), 0.4))
            canvas.line(plate, 0.008, 150)
    if anatomy.covers_back and anatomy.genus == "Rhipicephalus":  # adanal plates: MANSON
        for side in (1, -1):
            plate = np.array([[0.06, -0.10], [0.13, -0.06], [0.12, 0.14], [0.05, 0.08]]) * [side, 1] + anus
            canvas.paint(plate, palette(specimen).scutum)
            canvas.line(np.concatenate([plate, plate[:1]]), 0.008, 140)
    for side in (1, -1):
        groove = np.array([[0.16, 0.34], [0.22, 0.55], [half * 0.62, length * 0.86]]) * [side, 1]
        canvas.line(groove, 0.012, 130)
