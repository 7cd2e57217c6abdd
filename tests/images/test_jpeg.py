"""JPEGs: the pixels are Pillow's own (the reference), and data that libjpeg warns of is no photograph."""

from __future__ import annotations

import io

import numpy as np
import pytest
from made import jpeg, scene
from PIL import Image

from tickvision.errors import ImageError
from tickvision.images.decode import decode

WAYS: list[dict[str, object]] = [
    {"quality": 90}, {"quality": 70, "subsampling": 0}, {"quality": 80, "subsampling": 1}, {"progressive": True},
    {"restart_marker_rows": 1}, {"quality": 95, "optimize": True},
]  # fmt: skip


@pytest.mark.parametrize("options", WAYS, ids=str)
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
@pytest.mark.parametrize(("size", "at_least"), [((101, 67), None), ((803, 517), 100), ((803, 517), 200)])
def test_the_pixels_are_those_of_pillow(
    options: dict[str, object], mode: str, size: tuple[int, int], at_least: int | None
) -> None:
    content = jpeg(scene(size).convert(mode), **options)
    opened = Image.open(io.BytesIO(content))
    if at_least:
        factor = {100: 4, 200: 2}[at_least]
        opened.draft("RGB", (size[0] // factor, size[1] // factor))
    assert np.array_equal(decode(content, at_least).pixels, np.asarray(opened.convert("RGB")))


def test_the_first_picture_of_several_in_one_jpeg_is_read() -> None:
    held = io.BytesIO()  # MPO, CIPA DC-007: as phones write
    scene().save(held, "MPO", save_all=True, append_images=[scene(seed=1)])
    assert np.array_equal(decode(held.getvalue()).pixels, decode(jpeg(scene())).pixels)


def scan(content: bytes) -> int:
    """Where the compressed data begins."""
    return content.index(b"\xff\xda") + 14


@pytest.mark.parametrize("at_least", [None, 40])
@pytest.mark.parametrize(
    ("mode", "options"), [*(("RGB", w) for w in WAYS), ("L", WAYS[0]), ("CMYK", WAYS[0]), ("CMYK", WAYS[3])], ids=str
)
def test_data_that_libjpeg_warns_of_is_no_photograph(
    mode: str, options: dict[str, object], at_least: int | None
) -> None:
    content = jpeg(scene((400, 300)).convert(mode), **options)
    hole = scan(content) + 300
    with pytest.raises(ImageError, match="unreadable: Corrupt JPEG data"):  # words of libjpeg's jerror.h
        decode(content[:hole] + content[hole + 700 :], at_least)


def test_a_file_filled_up_before_its_end_is_read() -> None:
    content = jpeg(scene())
    filled = content[:-2] + bytes(50) + content[-2:]
    assert np.array_equal(decode(filled).pixels, decode(content).pixels)
    with pytest.raises(ImageError, match="extraneous bytes before marker 0xd9"):
        decode(content[:-2] + bytes(range(50)) + content[-2:])


def test_what_libjpeg_only_notes_is_read() -> None:
    content = jpeg(scene())
    adobe = b"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x07"  # colour transform 7: "Unknown Adobe color transform"
    odd = content[:2] + adobe + content[2:].replace(b"JFIF\x00\x01", b"JFIF\x00\x09", 1)
    assert np.array_equal(decode(odd).pixels, decode(content).pixels)


def test_headers_that_disagree_on_the_size_are_refused() -> None:
    content = jpeg(scene())
    frame = content.index(b"\xff\xc0")
    second = content[frame : frame + 19].replace(content[frame + 5 : frame + 9], b"\xff\x00\xff\x00")
    for lie in (content[:frame] + second + content[frame:], content[: frame + 19] + second + content[frame + 19 :]):
        with pytest.raises(ImageError, match=r"broken data stream|65280 x 65280 pixels, at most"):
            decode(lie)
