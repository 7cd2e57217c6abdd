"""Photographs."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from doors.small_package import SIDE

MODULES = (
    "tickvision.images", "tickvision.data.gps", "tickvision.data.headers", "tickvision.deployment.reader",
    "PIL.JpegImagePlugin", "PIL.PngImagePlugin", "PIL.TiffImagePlugin", "PIL.WebPImagePlugin",
    "PIL.BmpImagePlugin", "PIL.MpoImagePlugin",
)  # fmt: skip
STATUSES = ("ok", "empty", "too_large", "unreadable", "truncated")
MAX_PIXELS = 4_000_000  # the real limit would make a mutated header cost seconds, and is tested by itself


def attempt(content: bytes, folder: Path) -> str:
    """A photograph: to predict, to check (which must agree), its head, and a copy without its place."""
    from tickvision.data import gps, pictures
    from tickvision.deployment.reader import decode_any
    from tickvision.errors import ImageError
    from tickvision.images import decode, look
    from tickvision.images.prepare import Prepare, to_square

    decode.MAX_PIXELS = MAX_PIXELS
    prepare = Prepare(SIDE)
    path = folder / "p.jpg"
    path.write_bytes(content)
    try:
        photo = decode_any(content, prepare.decode_px)
        status = "ok"
        square = to_square(photo, prepare)
        if square.shape != (SIDE, SIDE, 3) or square.dtype != np.uint8:
            raise AssertionError(f"square {square.shape} {square.dtype}")
        look.difference_hash(square)
        if not np.isfinite(look.measure_quality(square, photo.width, photo.height).row).all():
            raise AssertionError("quality is no number")
    except ImageError as error:
        status = error.status
    if status not in STATUSES:
        raise AssertionError(f"unknown status {status}")
    _, values, _ = pictures.look_at(path, "", prepare)
    if values["status"] != status:
        raise AssertionError(f"predict says {status}, check says {values['status']}")
    gps.write_without_place(path, folder / "copy.jpg")
    return status


def seeds() -> list[bytes]:
    """Small pictures of every kind that is read, with EXIF, XMP, palettes, 16 bits, and one kind that is not."""
    rng = np.random.default_rng(0)
    picture = Image.fromarray(rng.integers(0, 255, (24, 32, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    grey16 = Image.fromarray(rng.integers(0, 65535, (16, 16), dtype=np.uint16))
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><a exif:GPSLatitude="51,30.0N"/></x:xmpmeta>'
    made: list[tuple[Image.Image, str, dict[str, Any]]] = [
        (picture, "JPEG", {"exif": exif, "quality": 60}),
        (picture, "JPEG", {"progressive": True, "quality": 40, "xmp": xmp}),
        (picture.convert("CMYK"), "JPEG", {}),
        (picture.convert("L"), "JPEG", {}),
        (picture, "PNG", {"exif": exif}),
        (picture.convert("RGBA"), "PNG", {}),
        (picture.convert("P"), "PNG", {"transparency": 0}),
        (picture.convert("1"), "PNG", {}),
        (grey16, "PNG", {}),
        (grey16, "TIFF", {}),
        (picture, "TIFF", {"compression": "tiff_lzw", "exif": exif}),
        (picture, "TIFF", {"compression": "jpeg"}),
        (picture.convert("F"), "TIFF", {}),
        (picture, "WEBP", {"exif": exif, "quality": 30}),
        (picture.convert("RGBA"), "WEBP", {"lossless": True}),
        (picture, "BMP", {}),
        (picture.convert("P"), "BMP", {}),
        (picture, "GIF", {}),
    ]
    return [_saved(*one) for one in made]


def _saved(picture: Image.Image, kind: str, options: dict[str, Any]) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()
