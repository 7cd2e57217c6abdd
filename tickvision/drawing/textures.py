"""Grey tiles, made once per process, from which skin, cloth, paper, bark and shell take their grain.

Every tile is uint8, TILE_PX square, seamless, mean about 128. Their content is the same in every
process; which part of a tile a photograph shows comes from the photograph's own random stream.
"""

from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Field = NDArray[np.float32]
Rng = np.random.Generator

TILE_PX = 1024


def _seamless(rng: Rng, cells: int) -> Field:
    """Return smooth noise with `cells` bumps along a side."""
    grid = rng.normal(size=(cells, cells)).astype(np.float32)
    step = TILE_PX // cells
    padded = np.pad(grid, 2, mode="wrap")
    large = cv2.resize(padded, None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
    return np.asarray(large[2 * step : 2 * step + TILE_PX, 2 * step : 2 * step + TILE_PX], dtype=np.float32)


def _to_tile(field: NDArray[np.floating]) -> Image:
    spread = field.std() + 1e-6
    return np.asarray(np.clip(128 + 42 * (field - field.mean()) / spread, 0, 255), dtype=np.uint8)


def _wrapped_blur(field: Field, sigma: float) -> Field:
    pad = int(4 * sigma) + 1
    wide = cv2.GaussianBlur(np.pad(field, pad, mode="wrap"), (0, 0), sigma)
    return np.asarray(wide[pad:-pad, pad:-pad], dtype=np.float32)


def _fractal(rng: Rng, first: int, last: int, gain: float) -> Field:
    total, weight, cells = np.zeros((TILE_PX, TILE_PX), np.float32), 1.0, first
    while cells <= last:
        total += weight * _seamless(rng, cells)
        cells, weight = cells * 2, weight * gain
    return total


def _spots(rng: Rng, count: int, low: float, high: float) -> Field:
    """Return round dots of radius low to high, wrapped at the border."""
    field = np.zeros((TILE_PX, TILE_PX), np.uint8)
    for x, y, r in zip(*rng.uniform(0, TILE_PX, (2, count)), rng.uniform(low, high, count), strict=True):
        for dx in (-TILE_PX, 0, TILE_PX) if min(x, TILE_PX - x) < high else (0,):
            for dy in (-TILE_PX, 0, TILE_PX) if min(y, TILE_PX - y) < high else (0,):
                centre = (int((x + dx) * 16), int((y + dy) * 16))
                cv2.circle(field, centre, int(r * 16), 255, -1, cv2.LINE_AA, 4)
    return field.astype(np.float32)


def _lines(rng: Rng, count: int, length: float, bend: float) -> Field:
    field = np.zeros((TILE_PX, TILE_PX), np.uint8)
    for _ in range(count):
        angle, at = rng.uniform(0, 2 * np.pi), rng.uniform(0, TILE_PX, 2)
        turns = angle + np.cumsum(rng.normal(0, bend, 8))
        path = at + np.cumsum(np.stack([np.cos(turns), np.sin(turns)], 1) * length / 8, axis=0)
        for shift in ((0, 0), (TILE_PX, 0), (-TILE_PX, 0), (0, TILE_PX), (0, -TILE_PX)):
            points = ((path + shift) * 16).astype(np.int32)
            cv2.polylines(field, [points], False, int(rng.uniform(90, 255)), 1, cv2.LINE_AA, 4)
    return field.astype(np.float32)


def _cells(rng: Rng, count: int) -> Field:
    """Return the distance to the nearest of `count` points: pebbles with creases between."""
    mask = np.full((TILE_PX * 2, TILE_PX * 2), 255, np.uint8)
    side = int(count**0.5)
    base = np.stack(np.meshgrid(np.arange(side), np.arange(side)), -1).reshape(-1, 2) + 0.5
    points = (base + rng.uniform(-0.46, 0.46, base.shape)) * (TILE_PX / side)
    for shift in ((0, 0), (0, 1), (1, 0), (1, 1)):
        at = (points + np.array(shift) * TILE_PX).astype(int) % (2 * TILE_PX)
        mask[at[:, 1], at[:, 0]] = 0
    far = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    half = TILE_PX // 2
    return np.asarray(far[half : half + TILE_PX, half : half + TILE_PX], dtype=np.float32)


@cache
def tile(name: str) -> Image:
    """Return the named grey tile; raises KeyError for a name that is not drawn."""
    makers: dict[str, Callable[[Rng], Field]] = {
        "clouds": lambda rng: _fractal(rng, 4, 64, 0.6),
        "rough": lambda rng: _fractal(rng, 8, 512, 0.72),
        "grain": lambda rng: _wrapped_blur(rng.normal(size=(TILE_PX, TILE_PX)).astype(np.float32), 0.8),
        "pits": lambda rng: -_wrapped_blur(_spots(rng, 9000, 1.6, 3.6), 1.0),
        "coarse pits": lambda rng: -_wrapped_blur(_spots(rng, 1500, 3.0, 7.0), 1.8),
        "fibres": lambda rng: _wrapped_blur(_lines(rng, 2600, 90, 0.25), 0.7) + 20 * _seamless(rng, 256),
        "wrinkles": _wrinkles,
        "skin": _skin,
        "leaf": lambda rng: np.sqrt(_cells(rng, 5000)) * 12 + 6 * _fractal(rng, 64, 512, 0.8),
        "weave": _weave,
        "scratches": lambda rng: _wrapped_blur(_lines(rng, 260, 420, 0.02), 0.6) + 12 * _seamless(rng, 512),
    }
    order = list(makers)
    return _to_tile(makers[name](np.random.default_rng([77, order.index(name)])))


def _wrinkles(rng: Rng) -> Field:
    """Fine ridges that mostly run one way but break and wander, as on a soft back."""
    bend = _fractal(rng, 8, 64, 0.7)
    rows = np.arange(TILE_PX, dtype=np.float32)[:, None]
    waves = np.sin(rows * (2 * np.pi * 80 / TILE_PX) + 5.0 * bend)
    fade = np.clip(0.5 + 0.5 * np.roll(bend, 211, 1), 0, 1)
    return np.asarray(waves * fade + 0.8 * _fractal(rng, 32, 256, 0.85), dtype=np.float32)


def _skin(rng: Rng) -> Field:
    """Fine lozenges between creases, a few pores, uneven blood beneath."""
    lozenges = np.sqrt(np.minimum(_cells(rng, 9000), 8))
    creases = _wrapped_blur(_lines(rng, 500, 200, 0.10), 1.2)
    return np.asarray(lozenges * 4 - creases * 0.05 + 2.2 * _fractal(rng, 8, 256, 0.75), np.float32)


def _weave(rng: Rng) -> Field:
    """Threads over and under, with uneven thickness."""
    rows, cols = np.mgrid[0:TILE_PX, 0:TILE_PX].astype(np.float32) * np.float32(2 * np.pi * 64 / TILE_PX)
    wobble = 0.22 * _fractal(rng, 16, 64, 0.6)
    warp, weft = np.sin(cols + wobble), np.sin(rows + np.roll(wobble, 300, 0))
    over = np.sin(cols / 2) * np.sin(rows / 2) > 0
    return np.asarray(np.where(over, np.abs(warp), np.abs(weft)) + 0.05 * _fractal(rng, 64, 512, 0.8), np.float32)


@cache
def _doubled(name: str) -> Image:
    """Return the tile two by two: OpenCV cuts from inside an image twice as fast as it wraps."""
    return np.ascontiguousarray(np.tile(tile(name), (2, 2)))


def sample(name: str, shape: tuple[int, int], rng: Rng, zoom: float = 1.0, turn: float | None = None) -> Image:
    """Return a random part of a tile, (height, width) = shape, uint8.

    zoom > 1 shows larger grain. turn is in radians; None leaves it unturned, which is four times as fast.
    """
    height, width = shape
    at = rng.uniform(0, TILE_PX, 2)
    wide, tall = int(np.ceil(width / zoom)), int(np.ceil(height / zoom))
    if turn is None and max(wide, tall) <= TILE_PX:
        cut = _doubled(name)[int(at[1]) : int(at[1]) + tall, int(at[0]) : int(at[0]) + wide]
        return cut if zoom == 1.0 else np.asarray(cv2.resize(cut, (width, height)), np.uint8)
    angle = turn or 0.0
    cos, sin = np.cos(angle) / zoom, np.sin(angle) / zoom
    matrix = np.array([[cos, -sin, at[0]], [sin, cos, at[1]]], np.float64)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(_doubled(name), matrix, (width, height), flags=flags, borderMode=cv2.BORDER_WRAP)
    return np.asarray(out, dtype=np.uint8)
