"""Pixels that are no numbers, and files that are too large to be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made import scene
from PIL import Image

from tickvision.errors import ImageError
from tickvision.images import decode


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_pixel_that_is_no_number_makes_the_picture_unreadable(tmp_path: Path, value: float) -> None:
    # TIFF 6.0, SampleFormat 3: IEEE floating point data, which holds NaN and infinities
    pixels = np.full((40, 40), 0.5, np.float32)
    Image.fromarray(pixels).save(tmp_path / "fine.tif")
    assert decode.read_photo(tmp_path / "fine.tif").pixels.shape == (40, 40, 3)
    pixels[3, 4] = value
    Image.fromarray(pixels).save(tmp_path / "odd.tif")
    with pytest.raises(ImageError, match=r"unreadable.*pixel values are not finite numbers"):
        decode.read_photo(tmp_path / "odd.tif")


def test_a_file_that_is_too_large_is_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scene().save(tmp_path / "a.png")
    size = (tmp_path / "a.png").stat().st_size
    monkeypatch.setattr(decode, "MAX_BYTES", size)
    assert decode.read_photo(tmp_path / "a.png").width == 64
    monkeypatch.setattr(decode, "MAX_BYTES", size - 1)
    with pytest.raises(ImageError, match=rf"too_large.*{size:,} bytes, at most {size - 1:,} are read"):
        decode.read_photo(tmp_path / "a.png")
