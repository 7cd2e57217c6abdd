"""What JPEG loses, as tensor operations that a GPU can do: 8 x 8 cosine blocks, rounded by its tables."""

from __future__ import annotations

import math
from functools import cache

import torch
from torch import Tensor
from torch.nn import functional

# ITU-T T.81 (1992), Annex K, Tables K.1 and K.2.
_LUMA = (
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51,
    87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101,
    72, 92, 95, 98, 112, 100, 103, 99,
)  # fmt: skip
_CHROMA = (
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99,
    99, 99, 99, *[99] * 32,
)  # fmt: skip
# ITU-T T.871 (2011), section 7: RGB to YCbCr.
_TO_YCC = ((0.299, 0.587, 0.114), (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312))


def compress(pictures: Tensor, quality: Tensor) -> Tensor:
    """Return pictures (B, 3, H, W) in 0..1 as JPEG of this quality (B,), 1..100, would give them back (4:2:0)."""
    to_ycc, to_rgb = _constant("ycc", pictures.device), _constant("rgb", pictures.device)
    high, wide = pictures.shape[2:]
    padded = functional.pad(pictures, (0, -wide % 16, 0, -high % 16), mode="replicate")
    ycc = torch.einsum("ij,bjhw->bihw", to_ycc, padded) * 255
    colour = functional.avg_pool2d(ycc[:, 1:], 2)
    luma = _rounded(ycc[:, :1] - 128, "luma", quality) + 128
    colour = functional.interpolate(_rounded(colour, "chroma", quality), scale_factor=2.0, mode="bilinear")
    back = torch.einsum("ij,bjhw->bihw", to_rgb, torch.cat([luma, colour], 1)) / 255
    return back[:, :, :high, :wide].clamp(0, 1)


def _rounded(planes: Tensor, table: str, quality: Tensor) -> Tensor:
    """Round the blocks' cosine coefficients; quality scales the table as the Independent JPEG Group's library does."""
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)
    steps = _constant(table, planes.device)
    steps = ((steps * scale[:, None] + 50) / 100).floor().clamp(1, 255).reshape(-1, 1, 1, 1, 8, 8)
    cosines = _constant("cosines", planes.device)
    b, c, high, wide = planes.shape
    blocks = planes.reshape(b, c, high // 8, 8, wide // 8, 8).transpose(3, 4)
    kept = torch.round((cosines @ blocks @ cosines.T) / steps) * steps
    return (cosines.T @ kept @ cosines).transpose(3, 4).reshape(planes.shape)


@cache
def _constant(name: str, device: torch.device) -> Tensor:
    """Return a table on a device, brought there once."""
    if name == "cosines":
        n = torch.arange(8.0)
        table = torch.cos(math.pi * (2 * n[None] + 1) * n[:, None] / 16) / 2  # orthonormal, type II
        table[0] /= math.sqrt(2)
    elif name == "rgb":
        table = torch.linalg.inv(torch.tensor(_TO_YCC))
    else:
        table = torch.tensor({"ycc": _TO_YCC, "luma": _LUMA, "chroma": _CHROMA}[name], dtype=torch.float32)
    return table.to(device)
