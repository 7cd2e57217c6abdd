"""The pixels of a JPEG with the decoder's warnings heard: Pillow shows what is left of damaged data, and is silent."""

from __future__ import annotations

import re

import numpy as np
import simplejpeg
from PIL import Image

from tickvision.errors import ImageError

# libjpeg warns of these and makes up the rest of the picture (its jerror.h); its other warnings are of odd writers
DAMAGE = re.compile("Corrupt JPEG data(?!: bad ICC)|Inconsistent progression")
LEFT_OVER = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


def undamaged(opened: Image.Image, content: bytes) -> Image.Image:
    """Return the picture of an opened JPEG, at the size that it was drafted to. Raises ImageError if it is damaged.

    content: the bytes it was opened from. The pixels are those of Pillow to the last digit, and come sooner. JPEGs in
    rare forms (their colours sampled in ways that TurboJPEG has no name for) are Pillow's alone, warnings unheard.
    """
    width, height = opened.size
    least = {"min_width": width, "min_height": height}
    is_print = opened.mode == "CMYK"  # Pillow knows which of these are stored inverted
    try:
        if simplejpeg.decode_jpeg_header(content, **least)[:2] != (height, width):
            return opened
        pixels = simplejpeg.decode_jpeg(
            content, "CMYK" if is_print else "RGB", fastdct=False, fastupsample=False, **least
        )
    except ValueError as fault:
        if DAMAGE.search(str(fault)) and not _is_padding(content, str(fault)):
            raise ImageError("unreadable", str(fault)) from None
        return opened  # Pillow reads it, or says what is wrong
    if is_print:
        return opened
    picture = Image.fromarray(np.asarray(pixels))
    picture.info = opened.info  # its turn
    return picture


def _is_padding(content: bytes, said: str) -> bool:
    """Return whether the bytes that were left over at the end are all the same, as some cameras fill up their files."""
    count = LEFT_OVER.search(said)
    end = content.rfind(b"\xff\xd9")
    return count is not None and len(set(content[max(0, end - int(count[1])) : end])) == 1
