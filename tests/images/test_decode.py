from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from made import scene
from PIL import Image

from tickvision.errors import ImageError
from tickvision.images.decode import read_photo


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_exif_turn_gives_the_picture_as_it_was_seen(turned: Callable[[int], Path], orientation: int) -> None:
    # EXIF 2.32, tag 0x0112 (JEITA CP-3451), values 1 to 8
    photo = read_photo(turned(orientation))
    assert np.array_equal(photo.pixels, np.asarray(scene()))
    assert (photo.width, photo.height) == (64, 48)


@pytest.mark.parametrize("name", ["grey.png", "cmyk.jpg", "palette_alpha.png", "sixteen_bit.png", "animated.gif",
                                  "png_in_disguise.jpg", "smörgås ♀\u200b.jpg"])  # fmt: skip
def test_odd_modes_and_names_are_read_as_rgb(awkward: dict[str, Path], name: str) -> None:
    photo = read_photo(awkward[name])
    assert photo.pixels.shape == (48, 64, 3)
    assert photo.pixels.dtype == np.uint8
    assert len(photo.sha256) == 64


def test_sixteen_bits_keep_their_brightness(awkward: dict[str, Path]) -> None:
    photo = read_photo(awkward["sixteen_bit.png"])
    grey = np.asarray(scene().convert("L"), np.int16)
    assert np.abs(photo.pixels[:, :, 0].astype(np.int16) - grey).max() <= 1


def test_transparency_is_laid_on_white(tmp_path: Path) -> None:
    Image.new("RGBA", (20, 20), (255, 0, 0, 0)).save(tmp_path / "clear.png")
    assert (read_photo(tmp_path / "clear.png").pixels == 255).all()


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("truncated.jpg", "truncated"),
        ("empty.jpg", "empty"),
        ("text.jpg", "unreadable"),
        ("huge_header.png", "too_large"),
    ],
)
def test_a_bad_file_says_what_is_wrong(awkward: dict[str, Path], name: str, status: str) -> None:
    with pytest.raises(ImageError) as caught:
        read_photo(awkward[name])
    assert caught.value.status == status
    assert caught.value.reason


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    for path, reason in ((tmp_path / "no.jpg", "no such file"), (tmp_path, "not a regular file")):
        with pytest.raises(ImageError, match=reason):
            read_photo(path)


def test_a_reduced_decode_keeps_the_sides_that_are_asked_for(tmp_path: Path) -> None:
    scene((1600, 1200)).save(tmp_path / "large.jpg", quality=95)
    photo = read_photo(tmp_path / "large.jpg", at_least_px=384)
    assert 384 <= min(photo.pixels.shape[:2]) < 1200
    assert (photo.width, photo.height) == (1600, 1200)


def test_a_region_is_cut_in_the_turned_picture(turned: Callable[[int], Path]) -> None:
    photo = read_photo(turned(6), region=(0.0, 0.0, 0.15, 0.2))
    assert (photo.pixels == (250, 0, 0)).all()


def test_a_region_outside_the_picture_is_refused(turned: Callable[[int], Path]) -> None:
    with pytest.raises(ImageError, match="region"):
        read_photo(turned(1), region=(0.9, 0.9, 0.5, 0.5))
