"""The same augmentation as augment.py on whole batches of tensors, for a GPU: same meaning and ranges, own draws.

Written on torch's functions, not on torchvision's v2 classes: those draw once a batch, not once a picture, and from the
global generator, so that a draw would depend on who drew before.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from tickvision.training import augment_specimen
from tickvision.training.augment import Augment, Square
from tickvision.training.draws import uniforms
from tickvision.training.jpeg_blocks import compress

Chain = Callable[[Tensor, int, NDArray[np.intp]], Tensor]
Floats = NDArray[np.float64]
FIELDS = 32  # fields of noise; a draw picks one
DRAWS = 26 + augment_specimen.DRAWS


def make(seed: int, region_known: NDArray[np.bool_] | None = None) -> Chain:
    """Return chain(squares (B, S, S, 3) uint8, epoch, photos (B,)) -> (B, 3, S, S) float32 in 0..1, same device.

    region_known: (N,) by photo, as in augment.make.
    Nothing in it waits for the GPU: numbers go there without blocking, and no shape is searched for a best algorithm.
    """
    noise: dict[int, Tensor] = {}

    def chain(squares: Tensor, epoch: int, photos: NDArray[np.intp]) -> Tensor:
        """Return the squares as this epoch shows these photographs."""
        u = uniforms(seed, epoch, photos, DRAWS)
        size, device = squares.shape[1], squares.device
        if size not in noise:
            own = torch.Generator().manual_seed(seed)
            noise[size] = torch.randn(FIELDS, 3, size, size, generator=own).to(device)
        pictures = squares.permute(0, 3, 1, 2).float()
        known = np.zeros(len(photos), bool) if region_known is None else region_known[photos]
        pictures = _change(pictures, u[:, 26:], known)
        pictures = _turn(pictures, _places(u[:, 0:10]))
        pictures = _light(pictures, *_lights(u[:, 10:18]))
        for chosen, change in (
            (u[:, 18] < 0.15, _blur),
            (u[:, 22] < 0.2, lambda some, v: _noisy(some, v, noise[size])),
            (u[:, 24] < 0.2, _spoil),
        ):
            rows = np.flatnonzero(chosen)
            if len(rows):
                index = torch.from_numpy(rows).to(device, non_blocking=True)
                pictures[index] = change(pictures[index], u[rows])
        return pictures

    return chain


def make_single(seed: int, region_known: NDArray[np.bool_] | None = None) -> Augment:
    """Return the chain as augment.make gives it: one square at a time, in and out as uint8."""
    chain = make(seed, region_known)

    def augment(square: Square, epoch: int, photo: int) -> Square:
        picture = chain(torch.from_numpy(square.copy())[None], epoch, np.array([photo]))[0]
        return np.asarray((picture.permute(1, 2, 0) * 255).round().to(torch.uint8).numpy())

    return augment


def _to(values: NDArray[np.floating], like: Tensor) -> Tensor:
    return torch.from_numpy(values.astype(np.float32)).to(like.device, non_blocking=True)


def _range(u: Floats, low: float, high: float) -> Floats:
    return low + u * (high - low)


def _change(pictures: Tensor, u: Floats, region_known: NDArray[np.bool_]) -> Tensor:
    """Return pictures (values 0..255) as augment_specimen.change gives them."""
    fed = u[:, 1] < augment_specimen.BODY_CHANCE
    placed = region_known & (u[:, 0] < augment_specimen.BACKGROUND_CHANCE)
    outside = _outside(pictures[_index(placed, pictures)]) if placed.any() else None
    if fed.any():
        index = _index(fed, pictures)
        pictures[index] += _fed_shift(pictures[index], u[fed])
    if outside is not None:
        index = _index(placed, pictures)
        pictures[index] += outside * (_behind(pictures, u[placed]) - pictures[index])
    return pictures.clamp_(0, 255)


def _index(chosen: NDArray[np.bool_], like: Tensor) -> Tensor:
    return torch.from_numpy(np.flatnonzero(chosen)).to(like.device, non_blocking=True)


def _fed_shift(pictures: Tensor, u: Floats) -> Tensor:
    """Return (B, 3, S, S) what is added to bodies to move their colour towards that of a fed one."""
    small = functional.avg_pool2d(pictures, augment_specimen.COARSE)
    soft, wide = _specimens(small), augment_specimen.wide_px(small.shape[2])
    for _ in range(2):
        soft = functional.avg_pool2d(soft, wide, 1, wide // 2, count_include_pad=False)
    inner = soft**4
    mean = (small * inner).sum((2, 3), keepdim=True) / inner.sum((2, 3), keepdim=True).clamp_min(1e-3)
    grey = _to(np.tile(augment_specimen.FED, (len(u), 1)), pictures)[:, :, None, None]
    far = _to(augment_specimen.STRONGEST * u[:, 2], pictures)[:, None, None, None]
    return functional.interpolate(soft * far * (grey - mean), pictures.shape[2:], mode="bilinear")


def _outside(pictures: Tensor) -> Tensor:
    """Return (B, 1, S, S): 1 on the background; all 0 where no specimen is found."""
    mask = _specimens(pictures)
    return (1 - mask) * mask.amax((1, 2, 3), keepdim=True).gt(0)


def _behind(like: Tensor, u: Floats) -> Tensor:
    """Return (B, 3, S, S) plain backgrounds."""
    colour, across, down = (_to(v, like) for v in augment_specimen.plain_colour(u))
    place = torch.linspace(-1, 1, like.shape[2], device=like.device)
    slope = across[:, None, None, None] * place + down[:, None, None, None] * place[:, None]
    return (colour[:, :, None, None] + slope).clamp(0, 255)


def _specimens(pictures: Tensor) -> Tensor:
    """Return (B, 1, S, S) in 0..1, 1 on the specimen; all 0 where the rim has no one colour."""
    rim = torch.cat([pictures[:, :, 0], pictures[:, :, -1], pictures[:, :, :, 0], pictures[:, :, :, -1]], 2)
    colour = rim.median(2, keepdim=True).values
    spread = (rim - colour).abs().mean((1, 2))
    distance = (pictures - colour[:, :, :, None]).abs().amax(1, keepdim=True)
    smooth = functional.avg_pool2d(distance, 3, 1, 1, count_include_pad=False)
    near = augment_specimen.NEAR + augment_specimen.SPREADS * spread[:, None, None, None]
    mask = ((smooth - near) / (augment_specimen.FAR - augment_specimen.NEAR)).clamp(0, 1)
    reach = augment_specimen.reach_px(pictures.shape[2])
    mask = functional.max_pool2d(mask, reach, 1, reach // 2)
    mask = -functional.max_pool2d(-mask, reach, 1, reach // 2)
    return mask * (spread <= augment_specimen.PLAIN_RIM)[:, None, None, None]


def _places(u: Floats) -> Floats:
    """Return (B, 2, 3) from a place in the new square to one in the old, both in -1..1: flip, turn, scale, shear."""
    half = np.where(u[:, 0] < 0.5, 0.0, math.pi)
    moved = u[:, 2] < 0.9  # as in augment.py, a tenth is only flipped, along none, one or both sides
    angle = half + np.where(moved, _range(u[:, 3], -math.pi, math.pi), 0.0)
    scale = np.where(moved, _range(u[:, 4], 0.85, 1.2), 1.0)
    shear = [np.where(moved, np.tan(np.radians(_range(u[:, k], -6, 6))), 0.0) for k in (5, 6)]
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.stack([np.stack([cos, -sin], 1), np.stack([sin, cos], 1)], 1)
    slant = np.stack([np.stack([np.ones_like(cos), shear[0]], 1), np.stack([shear[1], np.ones_like(cos)], 1)], 1)
    matrix = turn @ slant / scale[:, None, None]
    matrix[:, :, 0] *= np.where(u[:, 1] < 0.5, -1.0, 1.0)[:, None]
    shift = np.where(moved[:, None], _range(u[:, 7:9], -0.12, 0.12), 0.0)  # 6 % of a side that is 2 long
    return np.concatenate([matrix, shift[:, :, None]], 2)


def _turn(pictures: Tensor, places: Floats) -> Tensor:
    where = _to(places, pictures)
    middle = (torch.arange(pictures.shape[2], device=pictures.device) * 2 + 1) / pictures.shape[2] - 1
    across, down = where[:, :, 0, None] * middle, where[:, :, 1, None] * middle + where[:, :, 2, None]
    grid = (across[:, :, None, :] + down[:, :, :, None]).permute(0, 2, 3, 1)  # affine_grid is ten times slower
    return functional.grid_sample(pictures, grid, "bilinear", "reflection", align_corners=False)


def _lights(u: Floats) -> tuple[Floats, Floats, Floats]:
    """Return colour matrix (B, 3, 3), offset (B, 1) and exponent (B,); one of three kinds, or none for a fifth."""
    kind = np.digitize(u[:, 0], (0.2, 0.2 + 0.8 / 3, 0.2 + 1.6 / 3))
    contrast = np.choose(kind, [1.0, _range(u[:, 1], 0.82, 1.18), _range(u[:, 1], 0.85, 1.15), 1.0])
    bright = np.choose(kind, [0.0, _range(u[:, 2], -0.18, 0.18), 0.0, 0.0])
    gain = np.where(kind == 2, _range(u[:, 2], 0.85, 1.15), 1.0)
    strong = np.where(kind == 2, _range(u[:, 3], 0.85, 1.15), 1.0)
    hue = np.where(kind == 2, _range(u[:, 4], -0.02, 0.02), 0.0) * 2 * math.pi
    gamma = np.where(kind == 3, _range(u[:, 5], 0.75, 1.35), 1.0)
    grey = np.tile(np.array([0.299, 0.587, 0.114]), (3, 1))
    saturation = strong[:, None, None] * np.eye(3) + (1 - strong)[:, None, None] * grey
    matrix = (gain * contrast)[:, None, None] * saturation @ _about_grey(hue)
    middle = np.where(kind == 2, (1 - contrast) / 2, 0.0)
    return matrix, (bright + middle)[:, None], gamma


def _about_grey(angle: Floats) -> Floats:
    """Return (B, 3, 3) turns of colour space about its grey axis (Rodrigues' formula)."""
    cross = np.array([[0, -1, 1], [1, 0, -1], [-1, 1, 0]]) / math.sqrt(3)
    cos, sin = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    return np.asarray(cos * np.eye(3) + sin * cross + (1 - cos) * np.full((3, 3), 1 / 3))


def _light(pictures: Tensor, matrix: Floats, offset: Floats, gamma: Floats) -> Tensor:
    """Return pictures (values 0..255) with their light changed, in 0..1."""
    flat = torch.baddbmm(_to(offset[:, :, None], pictures), _to(matrix / 255, pictures), pictures.flatten(2))
    lit = flat.clamp_(0, 1).view_as(pictures)
    bent = np.flatnonzero(gamma != 1)
    if len(bent):
        index = torch.from_numpy(bent).to(pictures.device, non_blocking=True)
        lit[index] = lit[index] ** _to(gamma[bent], pictures)[:, None, None, None]
    return lit


def _kernels(u: Floats) -> Floats:
    """Return (B, 5, 5) blurs: half of them round, half along a line, 3 or 5 pixels wide."""
    y, x = np.mgrid[-2:3, -2:3]
    half = np.where(u[:, 1] < 0.5, 1, 2)[:, None, None]
    sigma, angle = _range(u[:, 2], 0.5, 3.0)[:, None, None], (u[:, 2] * math.pi)[:, None, None]
    round_ = np.exp(-(x**2 + y**2) / (2 * sigma**2)) * (np.maximum(abs(x), abs(y)) <= half)
    along, across = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    line = (abs(across) < 0.75) * (abs(along) <= half) * (1 - abs(across))
    kernels = np.where(u[:, 0][:, None, None] < 0.5, round_, line)
    return np.asarray(kernels / kernels.sum((1, 2), keepdims=True))


def _blur(pictures: Tensor, u: Floats) -> Tensor:
    weight = _to(_kernels(u[:, 19:22]), pictures).repeat_interleave(3, 0)[:, None]
    wide = functional.pad(pictures, (2, 2, 2, 2), mode="reflect")
    with torch.backends.cudnn.flags(enabled=False):  # it would search anew for every number of pictures
        return functional.conv2d(wide.view(1, -1, *wide.shape[2:]), weight, groups=len(weight)).view_as(pictures)


def _noisy(pictures: Tensor, u: Floats, fields: Tensor) -> Tensor:
    which = torch.from_numpy((u[:, 20] * FIELDS).astype(np.int64)).to(fields.device, non_blocking=True)
    field = fields[which]
    return (pictures + _to(_range(u[:, 23], 0.01, 0.05), pictures)[:, None, None, None] * field).clamp(0, 1)


def _spoil(pictures: Tensor, u: Floats) -> Tensor:
    return compress(pictures, _to(_range(u[:, 25], 40, 95).round(), pictures))
