"""The patch on which a specimen is drawn: colour, outline, height and gloss, then light on it."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tickvision.drawing.anatomy import Colour
from tickvision.drawing.textures import Field, Image, Rng, sample

Points = NDArray[np.float64]
Part = tuple[slice, slice]
SHIFT = 4  # fixed-point bits of OpenCV's drawing calls
ONE = 1 << SHIFT


@dataclass(frozen=True)
class Pen:
    """Turns body units (x to the right, y to the rear, 1 = unfed body length) into pixels of the patch."""

    matrix: NDArray[np.float64]  # 2x2
    offset: NDArray[np.float64]  # 2
    unit_px: float

    def px(self, points: Points) -> Points:
        """Return pixel positions (N, 2) of body positions (N, 2)."""
        return np.asarray(points @ self.matrix.T + self.offset)

    def fixed(self, points: Points) -> NDArray[np.int32]:
        """Return pixel positions in OpenCV's fixed-point form."""
        return np.asarray(np.round(self.px(points) * ONE), dtype=np.int32)

    def shifted(self, origin: NDArray[np.float64]) -> "Pen":
        """Return the pen for a patch whose corner lies at `origin`."""
        return Pen(self.matrix, self.offset - origin, self.unit_px)

    def body_positions(self, part: "Part") -> tuple[Field, Field]:
        """Return the body x and y of every pixel of a window of the patch, float32."""
        inverse = np.linalg.inv(self.matrix)
        cols = np.arange(part[1].start, part[1].stop, dtype=np.float32)[None, :] - np.float32(self.offset[0])
        rows = np.arange(part[0].start, part[0].stop, dtype=np.float32)[:, None] - np.float32(self.offset[1])
        x = np.float32(inverse[0, 0]) * cols + np.float32(inverse[0, 1]) * rows
        y = np.float32(inverse[1, 0]) * cols + np.float32(inverse[1, 1]) * rows
        return x, y


@dataclass(frozen=True)
class Light:
    """One lamp: where it stands (unit vector towards it), its colour (the camera applies it), ring or point."""

    towards: tuple[float, float, float]
    strength: float
    ambient: float
    colour: tuple[float, float, float]
    gloss: float
    is_ring: bool


def part_of(mask: Image) -> Part:
    """Return the smallest window that holds the mask (one pixel if it is empty)."""
    left, top, width, height = cv2.boundingRect(mask)
    return slice(top, top + max(height, 1)), slice(left, left + max(width, 1))


def _plain(shape: tuple[int, ...], colour: Colour) -> Image:
    """Return one colour, (height, width, 3); OpenCV fills ten times as fast as numpy's broadcast."""
    out = np.empty((shape[0], shape[1], 3), np.uint8)
    cv2.rectangle(out, (0, 0), (shape[1], shape[0]), colour, -1)
    return out


class Canvas:
    """A patch in the making; every drawing call takes body units through the pen."""

    def __init__(self, shape: tuple[int, int], pen: Pen, ground: Colour) -> None:
        self.pen = pen
        self.shape = shape
        self.albedo = _plain(shape, ground)
        self.alpha: Image = np.zeros(shape, np.uint8)
        self.groove: Image = np.zeros(shape, np.uint8)
        self.gloss: Image = np.full(shape, 90, np.uint8)
        self.height: Field = np.zeros(shape, np.float32)

    def mask(self, polygons: list[Points]) -> Image:
        """Return the smooth-edged mask of polygons."""
        out = np.zeros(self.shape, np.uint8)
        corners = self.pen.fixed(np.concatenate(polygons))
        ends = np.cumsum([len(polygon) for polygon in polygons])
        for polygon in np.split(corners, ends[:-1]):
            cv2.fillPoly(out, [polygon], 255, cv2.LINE_AA, SHIFT)
        return out

    def paint(self, polygon: Points, colour: Colour) -> None:
        """Colour a polygon without changing its height."""
        cv2.fillPoly(self.albedo, [self.pen.fixed(polygon)], colour, cv2.LINE_AA, SHIFT)

    def stain(self, mask: Image, colour: Colour, share: float = 1.0) -> None:
        """Mix a colour in where the mask says, at most by `share`."""
        part = part_of(mask)
        ground = np.ascontiguousarray(self.albedo[part])
        weight = mask[part].astype(np.float32) * np.float32(share / 255)
        self.albedo[part] = cv2.blendLinear(ground, _plain(weight.shape, colour), 1 - weight, weight)

    def solid(self, mask: Image, radius_px: float, base_px: float, flat: float = 1.0) -> None:
        """Raise a rounded solid over the mask: a rod or drop of the given radius, standing at base_px."""
        part = part_of(mask)
        deep = cv2.distanceTransform((mask[part] > 127).astype(np.uint8), cv2.DIST_L2, 3)
        inside = np.minimum(deep, np.float32(radius_px))
        rise = np.sqrt(inside * (np.float32(2 * radius_px) - inside)) * np.float32(flat)
        rise[inside > 0] += np.float32(base_px)
        np.maximum(self.height[part], rise, out=self.height[part])
        cv2.max(self.alpha, mask, self.alpha)

    def cover(self, height: Field, mask: Image, part: Part, gloss: int) -> None:
        """Lay a smooth surface over all that lies under the mask; height covers the window `part` only."""
        inside = mask[part] > 127
        np.copyto(self.height[part], height, where=inside)
        self.polish(mask, part, gloss)
        cv2.max(self.alpha, mask, self.alpha)

    def polish(self, mask: Image, part: Part, gloss: int) -> None:
        """Set the gloss under the mask and smooth the grooves away."""
        inside = mask[part] > 127
        self.gloss[part][inside] = gloss
        self.groove[part][inside] = 0

    def step(self, mask: Image, thickness: float, soft: float) -> None:
        """Lift what lies under the mask by a thickness with a soft edge (body units)."""
        part = part_of(mask)
        wide = 2 * int(np.ceil(2 * max(0.8, soft * self.pen.unit_px))) + 1
        edge = cv2.GaussianBlur(
            mask[part], (wide, wide), max(0.8, soft * self.pen.unit_px), borderType=cv2.BORDER_CONSTANT
        )
        self.height[part] += edge.astype(np.float32) * np.float32(thickness * self.pen.unit_px / 255)

    def line(self, points: Points, width: float, depth: int = 255) -> None:
        """Cut a groove along the points; width in body units."""
        self.lines(points[None], width, depth)

    def lines(self, paths: Points, width: float, depth: int = 255) -> None:
        """Cut grooves along paths (n, points, 2)."""
        cv2.polylines(self.groove, self._tracks(paths), False, depth, self._thick(width), cv2.LINE_AA, SHIFT)

    def colour_line(self, points: Points, width: float, colour: Colour) -> None:
        """Draw a coloured line that leaves the height as it is."""
        self.colour_lines(points[None], width, colour)

    def colour_lines(self, paths: Points, width: float, colour: Colour) -> None:
        """Draw coloured lines along paths (n, points, 2)."""
        cv2.polylines(self.albedo, self._tracks(paths), False, colour, self._thick(width), cv2.LINE_AA, SHIFT)

    def _tracks(self, paths: Points) -> list[NDArray[np.int32]]:
        return [*self.pen.fixed(paths.reshape(-1, 2)).reshape(*paths.shape)]

    def _thick(self, width: float) -> int:
        return max(1, round(width * self.pen.unit_px))

    def roughen(self, name: str, rng: Rng, mask: Image, zoom: float, height: float, shade: float) -> None:
        """Press a texture into height (body units) and colour (share of 1) under the mask."""
        part = part_of(mask)
        inside = mask[part]
        turn = float(np.arctan2(self.pen.matrix[1, 0], self.pen.matrix[0, 0]))
        shape = (inside.shape[0], inside.shape[1])
        grain = sample(name, shape, rng, max(zoom * self.pen.unit_px / 320, 0.35), -turn).astype(np.float32)
        grain -= 128
        grain *= inside
        grain *= np.float32(1 / (42 * 255))
        self.height[part] += grain * np.float32(height * self.pen.unit_px)
        if shade:
            gain = 1 + np.float32(shade) * grain
            self.albedo[part] = cv2.multiply(self.albedo[part], cv2.merge([gain, gain, gain]), dtype=cv2.CV_8U)

    def lit(self, light: Light, part: Part) -> Image:
        """Return a window of the patch with light on it, RGB uint8 (not multiplied by alpha)."""
        carve = self.groove[part].astype(np.float32)
        surface = self.height[part] - carve * np.float32(0.008 * self.pen.unit_px / 255)
        wide = 3 if self.pen.unit_px < 330 else 5
        surface = cv2.GaussianBlur(surface, (wide, wide), max(0.55, 0.0035 * self.pen.unit_px))
        east = cv2.Sobel(surface, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
        south = cv2.Sobel(surface, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
        steep = east * east + south * south
        tame = 1 / np.sqrt(1 + steep * np.float32(0.45))  # an edge is a curve, not a cliff
        east, south = east * tame, south * tame
        upright = 1 / np.sqrt(steep * tame * tame + 1)
        shade = self._diffuse(light, east, south, upright)
        shade *= self._hollows(surface)
        shade *= 1 - carve * np.float32(0.38 / 255)
        shine = self._shine(light, east, south, upright) * self.gloss[part]
        out = cv2.multiply(self.albedo[part], cv2.merge([shade, shade, shade]), dtype=cv2.CV_8U)
        bright = np.minimum(shine, 255).astype(np.uint8)
        return np.asarray(cv2.add(out, cv2.merge([bright, bright, bright])), np.uint8)

    def _diffuse(self, light: Light, east: Field, south: Field, upright: Field) -> Field:
        x, y, z = (np.float32(v) for v in light.towards)
        lamp = np.maximum((z - east * x - south * y) * upright, 0)
        sky = np.float32(light.ambient) * (np.float32(0.62) + np.float32(0.38) * upright)
        return np.asarray(lamp * np.float32(light.strength) + sky, np.float32)

    def _hollows(self, surface: Field) -> Field:
        """Return the darkening where the surroundings stand higher, 0.5 to 1."""
        small = cv2.resize(surface, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        around = cv2.GaussianBlur(small, (0, 0), max(0.6, 0.012 * self.pen.unit_px))
        around = cv2.resize(around, (surface.shape[1], surface.shape[0]))
        shade = np.clip(1 - (around - surface) * np.float32(3.5 / self.pen.unit_px), 0.6, 1.06)
        return np.asarray(shade, np.float32)

    def _shine(self, light: Light, east: Field, south: Field, upright: Field) -> Field:
        """Return the highlight, 0 to about 1: a spot, or the circle of a ring lamp."""
        x, y, z = light.towards
        half = np.array([x, y, z + 1], np.float32) / np.float32(np.sqrt(x * x + y * y + (z + 1) ** 2))
        glance = np.maximum((half[2] - east * half[0] - south * half[1]) * upright, 0)
        if light.is_ring:
            return np.asarray(np.float32(light.gloss) * np.exp(-(((upright - 0.93) * 26) ** 2)), np.float32)
        for _ in range(4):
            glance = glance * glance
        return np.asarray(np.float32(light.gloss) * (0.35 * glance + 0.65 * glance * glance), np.float32)
