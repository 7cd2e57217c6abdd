"""A tick on its canvas, seen from above or from below."""

import cv2
import numpy as np

from tickvision.drawing.anatomy import COMMON_BROWN, Anatomy, Colour, Palette, mixed
from tickvision.drawing.canvas import Canvas, Part, Points, part_of
from tickvision.drawing.legs import Leg, draw_legs
from tickvision.drawing.ornament import ornament_mask
from tickvision.drawing.outline import (
    Body,
    basis_polygon,
    conscutum_polygon,
    festoon_grooves,
    hypostome_polygon,
    palp_polygons,
    scutum_polygon,
)
from tickvision.drawing.specimen import Specimen
from tickvision.drawing.textures import Field, Image, Rng


def toned(specimen: Specimen, colour: Colour, gain: float = 1.0) -> Colour:
    """Return a colour as this individual has it."""
    light = specimen.brightness * gain
    red, green, blue = (int(min(c * light * t, 255)) for c, t in zip(colour, specimen.tint, strict=True))
    return red, green, blue


def darker(colour: Colour, share: float) -> Colour:
    """Return the colour with its light multiplied by share."""
    return mixed((0, 0, 0), colour, share)


def palette(specimen: Specimen) -> Palette:
    """Return the specimen's colours: its species' own, leaning to the common brown of ticks."""
    own, share = specimen.anatomy.colours, specimen.plainness
    pairs = (
        (own.scutum, COMMON_BROWN.scutum),
        (own.body, COMMON_BROWN.body),
        (own.legs, COMMON_BROWN.legs),
        (own.fed, COMMON_BROWN.fed),
    )
    scutum, body, legs, fed = (toned(specimen, mixed(a, b, share)) for a, b in pairs)
    return Palette(scutum, body, legs, fed, toned(specimen, own.pale, 1 / specimen.brightness))


def fed_share(specimen: Specimen) -> float:
    """Return how far the soft back has taken the colour of a full tick, 0 to 1."""
    return float(np.clip((specimen.length_growth - 1.08) / 0.8, 0, 1))


def back_colour(specimen: Specimen) -> Colour:
    """Return the colour of the soft back at this state of feeding."""
    tones = palette(specimen)
    return mixed(tones.body, tones.fed, fed_share(specimen))


def draw_dorsal(canvas: Canvas, specimen: Specimen, body: Body, legs: list[Leg], rng: Rng, headless: bool) -> None:
    """Draw the specimen from above; headless leaves the mouthparts out (lost in removal)."""
    anatomy = specimen.anatomy
    tones = palette(specimen)
    ring = mixed(tones.legs, (236, 214, 178), 0.4 if anatomy.genus == "Amblyomma" else 0.10)
    draw_legs(canvas, legs, darker(tones.legs, 0.72), ring)
    if not headless:
        draw_capitulum(canvas, specimen, mixed(tones.scutum, tones.legs, 0.5))
    mask = canvas.mask([body.polygon(_festoons(specimen))])
    _soft_body(canvas, specimen, body, mask, rng)
    _plate(canvas, specimen, body, rng)


def _festoons(specimen: Specimen) -> int:
    return specimen.anatomy.festoons if specimen.length_growth < 1.5 else 0  # vanish when full


def body_height(canvas: Canvas, specimen: Specimen, body: Body, part: Part) -> Field:
    """Return the dome of the body in px: flat-topped when unfed, a drop when full."""
    x, y = canvas.pen.body_positions(part)
    table = body.half_width(np.linspace(0, body.length, 256)).astype(np.float32)
    rows = np.clip(y * np.float32(255 / body.length), 0, 255).astype(np.uint8)
    half = table[rows]
    room = np.maximum(half * half - x * x, 0) / np.float32((body.width / 2) ** 2)
    root = np.sqrt(room)
    full = fed_share(specimen)
    tall = np.float32(canvas.pen.unit_px * body.width * (0.17 + 0.26 * full))
    dome = root * np.float32(full) + np.sqrt(root) * np.float32(1 - full)
    return np.asarray(dome * tall, np.float32)


def _soft_body(canvas: Canvas, specimen: Specimen, body: Body, mask: Image, rng: Rng) -> None:
    anatomy, full = specimen.anatomy, fed_share(specimen)
    canvas.stain(mask, back_colour(specimen))
    part = part_of(mask)
    canvas.cover(body_height(canvas, specimen, body, part), mask, part, int(70 + 70 * full))
    if anatomy.life_stage != "adult" and full < 0.9:
        _gut(canvas, specimen, body, mask, rng)
    canvas.roughen("wrinkles", rng, mask, 0.8, 0.0010 + 0.0014 * full, 0.045)
    canvas.roughen("clouds", rng, mask, 1.2, 0.004 + 0.002 * full, 0.09)
    _back_grooves(canvas, anatomy, body, full)
    if _festoons(specimen):
        for groove in festoon_grooves(body, anatomy.festoons):
            canvas.line(groove, 0.010, int(190 * (1 - full)))


def _gut(canvas: Canvas, specimen: Specimen, body: Body, mask: Image, rng: Rng) -> None:
    """The gut shines through the skin: branches in a nymph, a pair of pouches in a glassy larva."""
    young = specimen.anatomy.life_stage == "larva"
    paths = _pouches(body, rng) if young else _branches(body, rng)
    thick = max(1, round((0.11 if young else 0.055) * canvas.pen.unit_px * rng.uniform(0.85, 1.2)))
    shade = np.zeros(canvas.shape, np.uint8)
    cv2.polylines(shade, [canvas.pen.fixed(path) for path in paths], False, 255, thick, cv2.LINE_AA, 4)
    shade = cv2.blur(shade, (max(3, round(0.05 * canvas.pen.unit_px)),) * 2)
    dark = mixed(palette(specimen).body, (60, 26, 18), 0.62)
    canvas.stain(np.asarray(cv2.min(shade, mask), np.uint8), dark, 0.62)


def _branches(body: Body, rng: Rng) -> list[Points]:
    paths = []
    for side in (1, -1):
        for reach in (0.34, 0.46, 0.58, 0.68):
            x = side * body.width * rng.uniform(0.26, 0.38)
            shares = np.array([[0.04 * side, 0.42], [x * 0.8, reach - 0.03], [x, reach + 0.12]])
            paths.append(shares * [1, body.length])
    return paths


def _pouches(body: Body, rng: Rng) -> list[Points]:
    x = body.width * rng.uniform(0.13, 0.19)
    pouch = np.array([[x * 0.7, 0.60], [x, 0.70], [x * 0.8, 0.80]]) * [1, body.length]
    return [pouch, pouch * [-1, 1]]


def _back_grooves(canvas: Canvas, anatomy: Anatomy, body: Body, full: float) -> None:
    """Marginal and rear grooves of the soft back; deeper when half full, gone in a full drop."""
    depth = int(150 * (1 - 0.55 * full))
    rim = body.rim(0.86, 0.34, 0.97 if anatomy.genus == "Ixodes" else 0.90)
    canvas.line(rim, 0.012, depth)
    canvas.line(rim * [-1, 1], 0.012, depth)
    if anatomy.life_stage == "adult":
        for x, top, bottom in ((0.0, 0.66, 0.86), (0.30, 0.58, 0.80), (-0.30, 0.58, 0.80)):
            half = x * body.width
            canvas.line(np.array([[half * 0.8, top], [half, bottom]]) * [1, body.length], 0.016, depth)


def _plate(canvas: Canvas, specimen: Specimen, body: Body, rng: Rng) -> None:
    """Scutum of a female, nymph or larva (front only), or the conscutum of a male (whole back)."""
    anatomy, tones = specimen.anatomy, palette(specimen)
    if anatomy.covers_back:
        share = 0.90 if anatomy.genus == "Ixodes" else 0.985
        outline = conscutum_polygon(body, share)
        extent = (body.length, body.width)
    else:
        outline = scutum_polygon(anatomy, body, specimen.scutum_factor)
        extent = (anatomy.scutum_length * specimen.scutum_factor, anatomy.scutum_width * specimen.scutum_factor)
    mask = canvas.mask([outline])
    canvas.stain(mask, tones.scutum)
    canvas.step(mask, 0.016, 0.008)
    part = part_of(mask)
    if anatomy.covers_back:
        canvas.gloss[part][mask[part] > 127] = 150
    else:
        canvas.polish(mask, part, 150)
        canvas.line(outline[: len(outline) - 2], 0.008, 140)
    pits = "coarse pits" if anatomy.genus in ("Dermacentor", "Amblyomma") else "pits"
    canvas.roughen(pits, rng, mask, 0.55, 0.0010, 0.05)
    canvas.roughen("clouds", rng, mask, 1.4, 0.0015, 0.09)
    pale = ornament_mask(canvas, anatomy.ornament, body, extent, rng)
    if pale is not None:
        pale = cv2.min(cv2.blur(pale, (3, 3)), mask)
        share = 0.62 if anatomy.ornament == "edge marks" else 0.93
        canvas.stain(np.asarray(pale, np.uint8), tones.pale, share)
    _plate_grooves(canvas, extent)
    if anatomy.eyes:
        _eyes(canvas, specimen, outline, extent)


def _plate_grooves(canvas: Canvas, extent: tuple[float, float]) -> None:
    length = min(extent[0], 0.62)
    for side in (1, -1):
        path = np.array([[0.30, 0.10], [0.22, 0.34], [0.27, 0.66]]) * [side * extent[1], length]
        canvas.line(path, 0.014, 130)


def _eyes(canvas: Canvas, specimen: Specimen, outline: Points, extent: tuple[float, float]) -> None:
    """A small shining dome at either edge of the plate; red-rimmed in young Dermacentor (EOL514561)."""
    anatomy = specimen.anatomy
    at = extent[0] * (0.25 if anatomy.covers_back else 0.40)
    near = np.abs(outline[:, 1] - at) < 0.04
    x = float(np.abs(outline[near, 0]).max()) * 0.95 if near.any() else extent[1] * 0.48
    angle = np.linspace(0, 2 * np.pi, 14, endpoint=False)
    ring = np.stack([np.cos(angle), 1.25 * np.sin(angle)], 1)
    red = anatomy.genus == "Dermacentor" and anatomy.life_stage != "adult"
    for side in (1, -1):
        centre = np.array([side * x, at])
        canvas.paint(
            centre + ring * (0.052 if red else 0.034), (136, 34, 22) if red else darker(palette(specimen).scutum, 0.5)
        )
        canvas.paint(centre + ring * 0.020, (226, 206, 158))


def draw_capitulum(canvas: Canvas, specimen: Specimen, colour: Colour) -> None:
    """Draw basis, palps and hypostome; a lost palp stays away."""
    anatomy = specimen.anatomy
    unit = canvas.pen.unit_px
    tube = hypostome_polygon(anatomy, specimen.palp_factor)
    canvas.paint(tube, mixed(colour, (190, 130, 78), 0.4))
    canvas.solid(canvas.mask([tube]), 0.4 * anatomy.palp_width * unit, 0.0)
    palps = [p for i, p in enumerate(palp_polygons(anatomy, specimen.palp_factor)) if i not in specimen.lost_palps]
    for palp in palps:
        canvas.paint(palp, colour)
    if palps:
        canvas.solid(canvas.mask(palps), 0.5 * anatomy.palp_width * unit, 0.012 * unit)
        _palp_joints(canvas, anatomy, palps)
    basis = basis_polygon(anatomy)
    mask = canvas.mask([basis])
    canvas.stain(mask, mixed(colour, (0, 0, 0), 0.12))
    canvas.solid(mask, 0.4 * anatomy.basis_length * unit, 0.02 * unit, 0.8)
    canvas.line(basis[:3], 0.008, 110)
    canvas.line(basis[3:], 0.008, 110)
    if anatomy.life_stage == "adult" and not anatomy.covers_back:
        _porose_areas(canvas, anatomy, colour)


def _palp_joints(canvas: Canvas, anatomy: Anatomy, palps: list[Points]) -> None:
    """The seam between the second and third article; in Haemaphysalis below the side corner."""
    share = {"slender": 0.52, "long": 0.66, "flared": 0.47}.get(anatomy.palps, 0.5)
    for palp in palps:
        low, high = palp[:, 1].max(), palp[:, 1].min()
        y = low + share * (high - low)
        near = palp[np.abs(palp[:, 1] - y) < 0.3 * abs(high - low)]
        canvas.line(np.array([[near[:, 0].min(), y], [near[:, 0].max(), y]]), 0.008, 120)


def _porose_areas(canvas: Canvas, anatomy: Anatomy, colour: Colour) -> None:
    """Two pitted patches on the basis, in adult females only (PW585)."""
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    spot = np.stack([np.cos(angle) * 0.24, np.sin(angle) * 0.26], 1) * [anatomy.basis_width / 2, anatomy.basis_length]
    for side in (1, -1):
        centre = np.array([side * anatomy.basis_width * 0.24, -anatomy.basis_length * 0.42])
        canvas.paint(centre + spot, mixed(colour, (0, 0, 0), 0.35))
