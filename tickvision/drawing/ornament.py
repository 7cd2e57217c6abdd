"""Pale marks on the plate, the same on both sides but for the individual's own unevenness."""

import cv2
import numpy as np

from tickvision.drawing.canvas import Canvas, Points
from tickvision.drawing.outline import Body
from tickvision.drawing.textures import Image, Rng


def ornament_mask(canvas: Canvas, kind: str, body: Body, extent: tuple[float, float], rng: Rng) -> Image | None:
    """Return where the pale enamel lies, or None without ornament.

    extent is (length, width) of the plate in body units.
    """
    makers = {
        "silver marks": _silver_marks,
        "silver lines": _silver_lines,
        "tip spot": _tip_spot,
        "edge marks": _edge_marks,
        "pale patches": _pale_patches,
        "pale network": _pale_network,
    }
    if kind not in makers:
        return None
    mask = np.zeros(canvas.shape, np.uint8)
    shapes = makers[kind](extent, body, rng)
    for points, width in shapes:
        for mirror in (1, -1):
            _draw(canvas, mask, points * [mirror, 1], width)
    return mask


Shapes = list[tuple[Points, float]]  # a filled polygon where the width is 0, else a line


def _draw(canvas: Canvas, mask: Image, points: Points, width: float) -> None:
    fixed = canvas.pen.fixed(points)
    if width:
        thick = max(1, round(width * canvas.pen.unit_px))
        cv2.polylines(mask, [fixed], False, 255, thick, cv2.LINE_AA, 4)
    else:
        cv2.fillPoly(mask, [fixed], 255, cv2.LINE_AA, 4)


def _blob(rng: Rng, x: float, y: float, wide: float, tall: float, rough: float = 0.22) -> tuple[Points, float]:
    angle = np.linspace(0, 2 * np.pi, 18, endpoint=False)
    reach = 1 + rough * np.convolve(rng.normal(0, 1, 20), (0.3, 0.5, 0.3), mode="valid")
    return np.stack([x + wide * np.cos(angle) * reach, y + tall * np.sin(angle) * reach], 1), 0.0


def _wander(rng: Rng, path: list[tuple[float, float]], width: float, jitter: float) -> tuple[Points, float]:
    points = np.array(path)
    steps = np.linspace(0, 1, len(path))
    fine = np.linspace(0, 1, 4 * len(path))
    smooth = np.stack([np.interp(fine, steps, points[:, 0]), np.interp(fine, steps, points[:, 1])], 1)
    return smooth + rng.normal(0, jitter, smooth.shape), width


def _silver_marks(extent: tuple[float, float], body: Body, rng: Rng) -> Shapes:
    """Silver over much of a short plate, brown left free in the middle and along the grooves (EOL514561)."""
    length, width = extent
    shapes = [
        _blob(rng, width * 0.36, length * 0.34, width * 0.10, length * 0.20),
        _blob(rng, width * 0.30, length * 0.66, width * 0.10, length * 0.13),
        _blob(rng, width * 0.08, length * 0.80, width * 0.07, length * 0.10),
        _blob(rng, width * 0.05, length * 0.42, width * 0.035, length * 0.20),
        _blob(rng, width * 0.16, length * 0.16, width * 0.06, length * 0.07),
    ]
    for _ in range(7):
        x, y = rng.uniform((0.04, 0.2), (0.4, 0.8)) * (width, length)
        shapes.append(_blob(rng, float(x), float(y), 0.012, 0.016))
    return shapes


def _silver_lines(extent: tuple[float, float], body: Body, rng: Rng) -> Shapes:
    """Fine silver lines and streaks over the whole back (STOPT, EOL514561)."""
    length, width = extent
    shapes: Shapes = []
    for x in (0.06, 0.17, 0.29):
        top = rng.uniform(0.1, 0.2)
        path = [(x * width * (1 + 0.25 * k), length * (top + 0.17 * k)) for k in range(4)]
        shapes.append(_wander(rng, path, rng.uniform(0.018, 0.026), 0.010))
    edge = [(0.40 * width, 0.2 * length), (0.44 * width, 0.4 * length), (0.45 * width, 0.62 * length)]
    shapes.append(_wander(rng, edge, 0.036, 0.006))
    for _ in range(11):
        x, y = rng.uniform(0.05, 0.4) * width, rng.uniform(0.2, 0.84) * length
        lean = rng.uniform(-0.03, 0.03)
        shapes.append(_wander(rng, [(x, y), (x + lean, y + rng.uniform(0.04, 0.10))], 0.015, 0.006))
    return shapes


def _tip_spot(extent: tuple[float, float], body: Body, rng: Rng) -> Shapes:
    """One conspicuous pale spot at the rear tip of the plate (CAES)."""
    length, width = extent
    size = width * rng.uniform(0.10, 0.125)
    return [_blob(rng, 0.0, length * 0.86, size, size * 1.1, 0.07)]


def _edge_marks(extent: tuple[float, float], body: Body, rng: Rng) -> Shapes:
    """Faint whitish marks at the rear and side edges (CAES)."""
    length, width = extent
    shapes: Shapes = []
    for at in (0.34, 0.52, 0.68, 0.80):
        half = float(body.half_width(np.array(at * length)))
        shapes.append(_blob(rng, half * 0.86, at * length, 0.016, 0.045 * rng.uniform(0.7, 1.2)))
    shapes.append(_wander(rng, [(0.05 * width, 0.86 * length), (0.2 * width, 0.82 * length)], 0.026, 0.006))
    return shapes


def _pale_patches(extent: tuple[float, float], body: Body, rng: Rng) -> Shapes:
    """Bright pale markings over much of the plate (BIOINS)."""
    length, width = extent
    return [
        _blob(rng, width * 0.30, length * 0.34, width * 0.15, length * 0.22, 0.15),
        _blob(rng, width * 0.20, length * 0.66, width * 0.12, length * 0.16, 0.15),
        _blob(rng, width * 0.03, length * 0.86, width * 0.05, length * 0.10, 0.15),
        _wander(rng, [(width * 0.03, length * 0.22), (width * 0.05, length * 0.6)], 0.03, 0.004),
    ]


def _pale_network(extent: tuple[float, float], body: Body, rng: Rng) -> Shapes:
    """A pale web of joined lines over the whole back (BIOINS)."""
    length = extent[0]
    rows, cols = 7, 4
    ys = np.linspace(0.12, 0.84, rows)
    xs = np.linspace(0.04, 0.84, cols)
    knots = {}
    for r, y in enumerate(ys):
        half = float(body.half_width(np.array(y * length)))
        for c, x in enumerate(xs):
            shift = 0.08 if r % 2 else -0.02
            knots[r, c] = ((x + shift) * half + rng.normal(0, 0.010), y * length + rng.normal(0, 0.012))
    shapes: Shapes = []
    for (r, c), here in knots.items():
        for other in ((r + 1, c), (r + 1, c + (1 if r % 2 else -1)), (r, c + 1)):
            if other in knots and rng.random() < (0.9 if other[0] > r else 0.35):
                shapes.append(_wander(rng, [here, knots[other]], rng.uniform(0.018, 0.030), 0.004))
    return shapes
