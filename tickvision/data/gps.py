"""Photographs that carry the place where they were taken: found from the head of the file, no pixel decoded."""

from __future__ import annotations

import warnings
from pathlib import Path

import pandas as pd
from PIL import Image

from tickvision.data.labels import Finding

_GPS = 0x8825  # Exif 2.32, table 4: pointer to the GPS directory
_LATITUDE = 2


def holds_place(path: Path) -> bool:
    """True if the EXIF data of the file hold a latitude; False also for files that cannot be read."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd tags and huge headers are found elsewhere
            with Image.open(path) as picture:
                return _LATITUDE in picture.getexif().get_ifd(_GPS)
    except Exception:  # Pillow raises OSError, SyntaxError, struct.error, ValueError and more on broken files
        return False


def findings(frame: pd.DataFrame) -> list[Finding]:
    """Return a finding for each photograph whose file tells where it was taken."""
    advice = "a home address may be in it: remove the GPS tags before the photograph is shared or shown"
    return [
        Finding(str(photo), "gps", "warning", "the file holds the coordinates of where it was taken", advice)
        for photo, path in zip(frame["photo_id"], frame["path"], strict=True)
        if holds_place(Path(path))
    ]
