"""JPEG files that say of themselves that they are drawn."""

from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import ExifTags
from PIL import Image as Pillow

from tickvision import whole_files
from tickvision.drawing.textures import Image

DESCRIPTION = "drawn specimen, not a photograph, not for identification"
SOFTWARE = "tickvision drawing"

# Quarter turns, anticlockwise, that undo what a reader does for an EXIF orientation.
_STORED_TURNS = {1: 0, 3: 2, 6: 1, 8: 3}


def encode_jpeg(image: Image, quality: int, orientation: int = 1) -> bytes:
    """Return a JPEG file: EXIF says "drawn"; pixels are stored so that orientation turns them upright."""
    exif = Pillow.Exif()
    exif[ExifTags.Base.ImageDescription] = DESCRIPTION
    exif[ExifTags.Base.Software] = SOFTWARE
    exif[ExifTags.Base.Orientation] = orientation
    stored = np.ascontiguousarray(np.rot90(image, _STORED_TURNS[orientation]))
    buffer = BytesIO()
    Pillow.fromarray(stored).save(buffer, "JPEG", quality=quality, exif=exif)
    return buffer.getvalue()


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, its folder made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    whole_files.write_bytes(path, content)
