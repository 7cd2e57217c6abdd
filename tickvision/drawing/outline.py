"""Outlines in body units: x to the right, y from the front of the body (0) to the rear; mouthparts at y < 0."""

import numpy as np
from numpy.typing import NDArray

from tickvision.drawing.anatomy import Anatomy
from tickvision.drawing.canvas import Points
from tickvision.drawing.specimen import Specimen

Curve = NDArray[np.float64]

STEPS = np.linspace(0, 1, 61)

# Half width of the plate along its length (0 front, 1 tip), as a share of the widest.
SCUTA: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "oval": ((0, 0.1, 0.25, 0.5, 0.72, 0.88, 0.96, 1), (0.62, 0.78, 0.92, 1.0, 0.9, 0.62, 0.36, 0.0)),
    "angular": ((0, 0.42, 0.74, 0.97, 1), (0.56, 1.0, 0.60, 0.2, 0.0)),
    "shield": ((0, 0.12, 0.35, 0.6, 0.8, 0.93, 1), (0.74, 0.92, 1.0, 0.92, 0.68, 0.4, 0.0)),
    "triangle": ((0, 0.12, 0.36, 0.6, 0.85, 0.96, 1), (0.60, 0.82, 1.0, 0.80, 0.36, 0.2, 0.0)),
    "round": ((0, 0.12, 0.3, 0.55, 0.78, 0.92, 1), (0.62, 0.82, 0.97, 1.0, 0.8, 0.5, 0.0)),
    "sinuous": ((0, 0.1, 0.4, 0.62, 0.78, 0.92, 1), (0.66, 0.84, 1.0, 0.82, 0.62, 0.42, 0.0)),
}


class Body:
    """Outline of the soft body of one specimen: half width at every y, swollen by feeding."""

    def __init__(self, specimen: Specimen) -> None:
        anatomy = specimen.anatomy
        self.length = specimen.length_growth
        swell = min(max(specimen.length_growth - 1, 0), 1.0)
        self.widest = anatomy.widest_at * (1 - swell) + 0.56 * swell
        self.blunt = anatomy.bluntness * (1 - swell) + 0.47 * swell
        cap = 0.72 * self.length if swell > 0.3 else 9.0
        self.width = min(anatomy.body_width * specimen.slimness * specimen.width_growth, cap)

    def half_width(self, y: Curve) -> Curve:
        """Return the half width at y (0 to length); 0 outside."""
        t = np.clip(np.asarray(y, float) / self.length, 0, 1)
        power = np.log(0.5) / np.log(self.widest)
        return np.asarray(0.5 * self.width * np.sin(np.pi * t**power).clip(0, 1) ** self.blunt)

    def polygon(self, festoons: int) -> Points:
        """Return the outline; with festoons the hind margin is scalloped."""
        t = (1 - np.cos(np.pi * np.linspace(0, 1, 81))) / 2
        y = t * self.length
        half = self.half_width(y)
        right = np.stack([half, y], 1)
        points = np.concatenate([right, (right * [-1, 1])[::-1]])
        if festoons:
            points = _scalloped(points, self.length, festoons)
        return points

    def rim(self, share: float, start: float, stop: float) -> Points:
        """Return an inner line `share` of the half width from start to stop (shares of the length)."""
        t = np.linspace(start, stop, 40)
        centre = self.length * 0.5
        y = centre + (t * self.length - centre) * (share + (1 - share) * 0.4)
        return np.stack([share * self.half_width(t * self.length), y], 1)


def _scalloped(points: Points, length: float, festoons: int) -> Points:
    centre = np.array([0, length * 0.62])
    ray = points - centre
    angle = np.arctan2(ray[:, 0], ray[:, 1])  # 0 at the rear
    reach = 1.08
    wave = np.abs(np.sin((angle / reach + 1) * 0.5 * np.pi * festoons))
    near = np.clip((reach - np.abs(angle)) * 8, 0, 1)
    return np.asarray(centre + ray * (1 - 0.022 * near * (1 - wave))[:, None])


def festoon_grooves(body: Body, festoons: int, depth: float = 0.13) -> list[Points]:
    """Return the short lines between the festoons of the hind margin."""
    centre = np.array([0, body.length * 0.62])
    edges = np.linspace(-1.08, 1.08, festoons + 1)
    grooves = []
    for angle in edges:
        direction = np.array([np.sin(angle), np.cos(angle)])
        far = _reach(body, centre, direction)
        near = centre + direction * (far - depth * (0.85 + 0.15 * np.cos(angle)))
        grooves.append(np.stack([near, centre + direction * far]))
    return grooves


def _reach(body: Body, centre: Curve, direction: Curve) -> float:
    steps = np.linspace(0, body.length, 200)
    at = centre + steps[:, None] * direction
    inside = (np.abs(at[:, 0]) < body.half_width(at[:, 1])) & (at[:, 1] < body.length)
    return float(steps[inside][-1]) if inside.any() else 0.0


def scutum_polygon(anatomy: Anatomy, body: Body, scale: float) -> Points:
    """Return the plate of a female, nymph or larva: only over the front of the body."""
    length = anatomy.scutum_length * scale
    y = STEPS * length
    half = 0.5 * anatomy.scutum_width * scale * np.interp(STEPS, *SCUTA[anatomy.scutum])
    if anatomy.scutum != "angular":
        half = np.convolve(np.pad(half, 2, mode="edge"), np.ones(5) / 5, mode="valid")
        half[-1] = 0.0
    half = np.minimum(half, 0.97 * body.half_width(y + 0.02))
    right = np.stack([half, y + 0.004], 1)
    front = np.array([[anatomy.basis_width * 0.42, 0.035], [-anatomy.basis_width * 0.42, 0.035]])
    return np.concatenate([right, (right * [-1, 1])[::-1], front[::-1]])


def conscutum_polygon(body: Body, share: float) -> Points:
    """Return the plate of a male: the whole back, a little inside the margin."""
    outline = body.polygon(0)
    centre = np.array([0, body.length * 0.5])
    return np.asarray(centre + (outline - centre) * [share, 1 - (1 - share) * 0.6])


def basis_polygon(anatomy: Anatomy) -> Points:
    """Return the base plate of the mouthparts; hexagonal in Rhipicephalus (MANSON, CAES)."""
    half, front = anatomy.basis_width / 2, -anatomy.basis_length
    if anatomy.basis == "hexagon":
        right = [(half * 0.56, front), (half, front * 0.52), (half * 0.60, 0.045)]
    elif anatomy.genus == "Ixodes":
        right = [(half * 0.74, front), (half * 1.0, front * 0.30), (half * 0.94, 0.045)]
    else:
        right = [(half * 0.90, front), (half * 1.0, front * 0.72), (half * 1.0, 0.05)]
    points = np.array(right)
    return np.concatenate([points, (points * [-1, 1])[::-1]])


# Outer and inner edge of the right palp along its length: (share of length, outer, inner), in palp widths.
PALPS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "slender": ((0, 0.34, -0.30), (0.3, 0.38, -0.34), (0.6, 0.52, -0.42), (0.86, 0.52, -0.4), (1, 0.14, -0.2)),
    "long": (
        (0, 0.34, -0.34),
        (0.15, 0.44, -0.36),
        (0.62, 0.46, -0.4),
        (0.66, 0.52, -0.42),
        (0.92, 0.44, -0.36),
        (1, 0.1, -0.14),
    ),
    "stout": ((0, 0.40, -0.40), (0.3, 0.62, -0.44), (0.7, 0.58, -0.46), (0.92, 0.34, -0.42), (1, 0.0, -0.2)),
    "flared": (
        (0, 0.36, -0.42),
        (0.18, 0.74, -0.44),
        (0.40, 1.08, -0.46),
        (0.46, 0.66, -0.46),
        (0.8, 0.24, -0.46),
        (1, -0.12, -0.4),
    ),
    "short": ((0, 0.44, -0.44), (0.3, 0.56, -0.46), (0.72, 0.5, -0.46), (0.95, 0.22, -0.4), (1, 0.0, -0.3)),
}


def palp_polygons(anatomy: Anatomy, length_factor: float) -> list[Points]:
    """Return the right and the left palp."""
    length = anatomy.palp_length * length_factor
    rows = np.array(PALPS[anatomy.palps])
    apart = anatomy.basis_width * (0.30 if anatomy.palps in ("slender", "long") else 0.24)
    y = -anatomy.basis_length + 0.012 - rows[:, 0] * (length + 0.012)
    lean = rows[:, 0] * (-0.016 if anatomy.palps in ("slender", "long") else -0.01)
    outer = np.stack([apart + rows[:, 1] * anatomy.palp_width + lean, y], 1)
    inner = np.stack([apart + rows[:, 2] * anatomy.palp_width + lean, y], 1)
    right = np.concatenate([outer, inner[::-1]])
    return [right, right * [-1, 1]]


def hypostome_polygon(anatomy: Anatomy, length_factor: float) -> Points:
    """Return the barbed holdfast between the palps."""
    length = anatomy.palp_length * length_factor * 0.9
    half = anatomy.palp_width * 0.36
    front = -anatomy.basis_length
    right = np.array([(half, front), (half * 1.1, front - length * 0.6), (half * 0.5, front - length)])
    return np.concatenate([right, (right * [-1, 1])[::-1]])
