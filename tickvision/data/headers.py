"""What the head of a picture file tells, no pixel decoded: colour mode, EXIF turn, and where it was taken."""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from tickvision.data.labels import Finding
from tickvision.images.decode import MAX_PIXELS

GPS = 0x8825  # Exif 2.32, table 4: pointer to the GPS directory
ORIENTATION = 0x0112
_LATITUDE = 2
_XMP_PLACE = re.compile(rb"exif:GPS(?:Latitude|Longitude)(?:\s*=\s*[\"']|>)\s*\d")
PLAIN_MODES = ("RGB", "L")


@dataclass(frozen=True)
class Head:
    """mode: Pillow's name of the colour mode. turn: EXIF orientation, 1 = upright. has_place: holds coordinates.

    All blank, 1 and False for a file that cannot be read, or that says nothing.
    """

    mode: str = ""
    turn: int = 1
    has_place: bool = False


def read_head(path: Path) -> Head:
    """Return what the head of the file tells."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd tags and huge headers are found elsewhere
            with Image.open(path) as picture:
                if math.prod(picture.size) > MAX_PIXELS:
                    return Head()  # to look for EXIF behind the pixels of a PNG, Pillow decodes them
                exif = picture.getexif()
                turn = exif.get(ORIENTATION, 1)
                has_place = _LATITUDE in exif.get_ifd(GPS) or _XMP_PLACE.search(_xmp(picture)) is not None
                return Head(picture.mode, turn if turn in range(1, 9) else 1, has_place)
    except Exception:  # Pillow raises OSError, SyntaxError, struct.error, ValueError and more on broken files
        return Head()


def _xmp(picture: Image.Image) -> bytes:
    held = picture.info.get("xmp") or picture.info.get("XML:com.adobe.xmp") or b""
    return held if isinstance(held, bytes) else str(held).encode()


def head_findings(photo_id: str, mode: str, turn: int, has_place: bool) -> list[Finding]:
    """Return what a person should know of the head of one readable photograph."""
    found = []
    if has_place:
        advice = "a home address may be in it: tickvision check CONFIG --remove-gps writes copies without it"
        found.append(
            Finding(photo_id, "gps", "warning", "the file holds the coordinates of where it was taken", advice)
        )
    if mode and mode not in PLAIN_MODES:
        message = f"colour mode {mode} instead of {' or '.join(PLAIN_MODES)}: its colours were converted"
        found.append(Finding(photo_id, "odd_mode", "note", message, "look whether the colours are right"))
    if turn != 1:
        message = f"stored turned or mirrored (EXIF orientation {turn}); it is shown and learnt upright"
        found.append(Finding(photo_id, "exif_turn", "note", message, "nothing to do"))
    return found
