"""What is measured on a picture besides the network's input: quality, a perceptual hash, and its rim alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

RIM_SHARE = 0.06  # width of the rim that the shortcut probe sees, as a share of the side
RIM_FEATURES = 18
# What a quality gate may look at, in the order of Quality.row; True: more is better.
MEASURES = {"sharpness": True, "dark": False, "bright": False, "short_side_px": True}


@dataclass(frozen=True)
class Quality:
    """sharpness: variance of the Laplacian on grey values at the prepared size. dark, bright: share of clipped pixels.
    short_side_px: of the original picture."""

    sharpness: float
    dark: float
    bright: float
    short_side_px: int

    @property
    def row(self) -> tuple[float, ...]:
        """Return the numbers in the order of MEASURES."""
        return tuple(float(getattr(self, name)) for name in MEASURES)


def best_quality(rows: NDArray[np.floating], specimen: NDArray[np.intp], size: int) -> NDArray[np.float64]:
    """Return (size, 4) each specimen's best value of each measure. rows: (N, 4); specimen: (N,) its number."""
    sign = np.where(list(MEASURES.values()), 1.0, -1.0)
    best = np.full((size, len(sign)), -np.inf)
    np.maximum.at(best, specimen, rows * sign)
    return np.asarray(best * sign)


def measure_quality(square: NDArray[np.uint8], width: int, height: int) -> Quality:
    """Return sharpness and exposure of a prepared square (S, S, 3) uint8."""
    grey = _grey(square)
    laplacian = -4 * grey[1:-1, 1:-1] + grey[:-2, 1:-1] + grey[2:, 1:-1] + grey[1:-1, :-2] + grey[1:-1, 2:]
    return Quality(float(laplacian.var()), float((grey < 8).mean()), float((grey > 247).mean()), min(width, height))


def difference_hash(square: NDArray[np.uint8]) -> int:
    """Return the 64-bit difference hash of (S, S, 3): is each of 8 x 8 cells brighter than its right neighbour."""
    small = np.asarray(Image.fromarray(square).convert("L").resize((9, 8), Image.Resampling.BILINEAR), np.int16)
    bits = (small[:, 1:] > small[:, :-1]).ravel()
    return int(np.packbits(bits).view(">u8")[0])


def rim_features(square: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return (RIM_FEATURES,) mean, spread and quantiles of the rim's colours, where no specimen should be."""
    side = square.shape[0]
    band = max(1, round(side * RIM_SHARE))
    inner = np.ones((side, side), bool)
    inner[band:-band, band:-band] = False
    rim = square[inner].astype(np.float32) / 255
    return np.concatenate([rim.mean(0), rim.std(0), *np.quantile(rim, (0.05, 0.25, 0.75, 0.95), axis=0)]).astype(
        np.float32
    )


def _grey(square: NDArray[np.uint8]) -> NDArray[np.float32]:
    return np.asarray(square.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32))
