"""Legs: six for a larva, eight after it; segments, joints, pose, and the ones that were lost."""

from dataclasses import dataclass

import numpy as np

from tickvision.drawing.anatomy import Colour
from tickvision.drawing.canvas import Canvas, Points
from tickvision.drawing.outline import Body
from tickvision.drawing.specimen import Specimen
from tickvision.drawing.textures import Rng

SEGMENTS = (0.20, 0.10, 0.25, 0.15, 0.16, 0.14)  # coxa under the body, then trochanter to tarsus
WIDTHS = (0.95, 0.88, 1.08, 1.0, 0.86, 0.66)
DIRECTIONS = {4: (56, 22, -13, -46), 3: (54, -2, -56)}  # degrees forward of straight sideways
ATTACHED_AT = {4: (0.13, 0.22, 0.31, 0.40), 3: (0.15, 0.29, 0.44)}
REACH = {4: (1.0, 0.92, 0.94, 1.1), 3: (1.0, 0.94, 1.06)}


@dataclass(frozen=True)
class Leg:
    """One leg: its joints (7, 2) from the body outwards, in body units, and the width at its root."""

    joints: Points
    width: float


def pose_legs(specimen: Specimen, body: Body, rng: Rng) -> list[Leg]:
    """Return the legs that are still there, in a pose drawn from rng."""
    anatomy = specimen.anatomy
    pairs = anatomy.leg_count // 2
    curl = float(rng.choice((0.0, 0.35, 1.0), p=(0.66, 0.26, 0.08)))
    legs = []
    for index in range(anatomy.leg_count):
        pair, side = divmod(index, 2)
        jitter, bends = rng.normal(0, 7), rng.normal(0, 9, len(SEGMENTS))
        if index in specimen.lost_legs:
            continue
        root_y = ATTACHED_AT[pairs][pair] * (1 + 0.12 * (specimen.length_growth - 1))
        root_x = max(0.75 * float(body.half_width(np.array(root_y))) - 0.06, 0.05)
        front = 1 if DIRECTIONS[pairs][pair] > -5 else -1
        turn = 5.0 * front * (1 + abs(DIRECTIONS[pairs][pair]) / 40) + 26 * curl * front
        angles = np.deg2rad(DIRECTIONS[pairs][pair] + jitter + np.cumsum(bends * 0.7 + turn) - turn)
        lengths = np.array(SEGMENTS) * anatomy.leg_length * REACH[pairs][pair] * (1 - 0.25 * curl)
        steps = np.stack([np.cos(angles), -np.sin(angles)], 1) * lengths[:, None]
        joints = np.concatenate([[[root_x, root_y]], np.array([root_x, root_y]) + np.cumsum(steps, 0)])
        legs.append(Leg(joints * [1 - 2 * side, 1], anatomy.leg_width))
    return legs


def reach_of(legs: list[Leg]) -> Points:
    """Return all joints, to know how much room the drawing needs."""
    return np.concatenate([leg.joints for leg in legs]) if legs else np.zeros((0, 2))


def draw_legs(canvas: Canvas, legs: list[Leg], joint: Colour, ring: Colour, colour: Colour | None = None) -> None:
    """Draw the legs; joint and ring colour the ends of the segments, colour None keeps what lies there.

    All corners are moved to pixels in one go: one call for each would cost more than the drawing.
    """
    if not legs:
        return
    starts = np.stack([leg.joints[:-1] for leg in legs])  # (legs, 6, 2)
    ends = np.stack([leg.joints[1:] for leg in legs])
    along = (ends - starts) / (np.linalg.norm(ends - starts, axis=2, keepdims=True) + 1e-9)
    side = np.stack([-along[..., 1], along[..., 0]], -1)
    half = side * (np.array(WIDTHS)[:, None] * legs[0].width / 2)
    mask = canvas.mask([*_segments(starts, ends, half).reshape(-1, 7, 2)])
    if colour is not None:
        canvas.stain(mask, colour)
    band = ends - along * 0.018
    canvas.colour_lines(_pairs(band + half * 0.8, band - half * 0.8), 0.022, ring)
    canvas.colour_lines(_pairs(ends + half * 0.7, ends - half * 0.7), 0.009, joint)
    canvas.lines(_pairs(ends + half * 0.8, ends - half * 0.8), 0.007, 90)
    canvas.solid(mask, max(1.2, 0.5 * legs[0].width * canvas.pen.unit_px), 0.0)


def _segments(starts: Points, ends: Points, half: Points) -> Points:
    """Return the outline of every segment, (legs, 6, 7, 2): narrow at the root, bulging, the last one with a claw."""
    bulge = starts + (ends - starts) * 0.45
    taper = np.array([0.76, 0.76, 0.76, 0.76, 0.76, 0.30])[:, None]
    tip = ends + (ends - starts) * np.array([0.02, 0.02, 0.02, 0.02, 0.02, 0.22])[:, None]
    one_side = (starts + half * 0.72, bulge + half, ends + half * taper)
    other_side = (ends - half * taper, bulge - half, starts - half * 0.72)
    return np.stack((*one_side, tip, *other_side), axis=2)


def _pairs(a: Points, b: Points) -> Points:
    """Return lines (n, 2, 2) between two lists of points."""
    return np.stack([a, b], axis=2).reshape(-1, 2, 2)
