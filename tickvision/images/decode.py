"""Read one photograph: its bytes, their hash, its pixels as a person sees them, or an ImageError that says why."""

from __future__ import annotations

import hashlib
import io
import math
import threading
import warnings
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from tickvision.errors import ImageError
from tickvision.images import jpeg

MAX_PIXELS = 200_000_000  # such a photograph takes 2 GB for some seconds; more is refused from its header
LARGE_PIXELS = 40_000_000  # larger ones are decoded one at a time: sixteen threads with such would take 30 GB
MAX_BYTES = 256 * 1024 * 1024
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF")  # no others: Pillow hands EPS to Ghostscript, which runs it
OPTIONAL = ("HEIF",)  # where pillow-heif has registered it
SUFFIXES = frozenset([".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".bmp"])

_ONE_LARGE = threading.Lock()
Box = tuple[float, float, float, float]  # x, y, width, height as fractions of the picture


@dataclass(frozen=True)
class Photo:
    """pixels: (H, W, 3) uint8 RGB, EXIF turn applied. width, height: of the whole picture before any reduction."""

    pixels: NDArray[np.uint8]
    width: int
    height: int
    sha256: str


def read_photo(path: Path, at_least_px: int | None = None, region: Box | None = None) -> Photo:
    """Return the photograph in RGB with its EXIF turn applied, cut to the region if there is one.

    at_least_px: a JPEG may be decoded at 1/2, 1/4 or 1/8 as long as both sides of what is used stay at least this long.
    Raises ImageError with status missing, denied, empty, too_large, unreadable or truncated.
    """
    content = read_bytes(path)
    return decode(content, at_least_px, region)


def read_bytes(path: Path) -> bytes:
    """Return the file's bytes. Raises ImageError with status missing, denied or too_large."""
    try:
        if not path.is_file():
            raise ImageError("missing", "no such file" if not path.exists() else "not a regular file")
        if path.stat().st_size > MAX_BYTES:
            raise ImageError("too_large", f"{path.stat().st_size:,} bytes, at most {MAX_BYTES:,} are read")
        content = path.read_bytes()
    except PermissionError:
        raise ImageError("denied", "no permission to read the file") from None
    except FileNotFoundError:
        raise ImageError("missing", "the file vanished while it was read") from None
    except (OSError, ValueError) as error:
        raise ImageError("unreadable", f"{type(error).__name__}: {error}") from None
    return content


def decode(content: bytes, at_least_px: int | None = None, region: Box | None = None) -> Photo:
    """Return the photograph held in these bytes; see read_photo."""
    if not content:
        raise ImageError("empty", "the file has 0 bytes")
    Image.MAX_IMAGE_PIXELS = None  # our own limit below is checked on the header, before any pixel is decoded
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd EXIF tags are the writer's business
            formats = (*FORMATS, *(f for f in OPTIONAL if f in Image.OPEN))
            with Image.open(io.BytesIO(content), formats=formats) as opened:
                size = _checked_size(opened)
                _reduce(opened, at_least_px, region)
                with _ONE_LARGE if math.prod(opened.size) > LARGE_PIXELS else nullcontext():
                    turn = opened.getexif().get(0x0112, 1)  # Pillow may decode a PNG for this
                    width, height = size[::-1] if turn in (5, 6, 7, 8) else size
                    picture = jpeg.undamaged(opened, content) if opened.format in ("JPEG", "MPO") else opened
                    ImageOps.exif_transpose(picture, in_place=True)
                    pixels = np.asarray(_to_rgb(_crop(picture, region)))
    except ImageError:
        raise
    except UnidentifiedImageError:
        raise ImageError("unreadable", "not a picture in a format that is read (JPEG, PNG, WebP, TIFF, BMP)") from None
    except MemoryError:
        raise ImageError("too_large", "the picture does not fit in memory") from None
    except Exception as error:
        # Pillow's decoders raise OSError, SyntaxError, struct.error, ValueError and more on broken files
        status = "truncated" if "truncated" in str(error).lower() else "unreadable"
        reason = str(error) if isinstance(error, OSError) else f"{type(error).__name__}: {error}"
        raise ImageError(status, reason[:200] or "the file is broken") from None
    return Photo(pixels, width, height, hashlib.sha256(content).hexdigest())


def _checked_size(picture: Image.Image) -> tuple[int, int]:
    width, height = picture.size
    if width * height > MAX_PIXELS:
        raise ImageError("too_large", f"{width} x {height} pixels, at most {MAX_PIXELS:,} in all are decoded")
    if min(width, height) < 8:
        raise ImageError("unreadable", f"{width} x {height} pixels hold no picture")
    return width, height


def _reduce(picture: Image.Image, at_least_px: int | None, region: Box | None) -> None:
    """Let the JPEG decoder skip detail that the resize would throw away anyway (no effect on other formats)."""
    if at_least_px is None or picture.format != "JPEG":
        return
    share = min(region[2], region[3]) if region else 1.0
    short = min(picture.size) * share
    factor = next((f for f in (8, 4, 2) if short / f >= at_least_px), 1)
    if factor > 1:
        picture.draft("RGB", (picture.size[0] // factor, picture.size[1] // factor))


def _crop(picture: Image.Image, region: Box | None) -> Image.Image:
    if region is None:
        return picture
    x, y, w, h = region
    if not (0 <= x < 1 and 0 <= y < 1 and 0 < w <= 1 - x + 1e-6 and 0 < h <= 1 - y + 1e-6):
        raise ImageError("unreadable", f"region {region} does not lie inside the picture (fractions 0 to 1)")
    wide, high = picture.size
    left, top = int(x * wide), int(y * high)
    return picture.crop((left, top, max(left + 1, round((x + w) * wide)), max(top + 1, round((y + h) * high))))


def _to_rgb(picture: Image.Image) -> Image.Image:
    """Return RGB: 16-bit and float grey scaled to 8 bits, transparency laid on white."""
    if picture.mode.startswith(("I", "F")):
        grey = np.asarray(picture, dtype=np.float64)
        if not np.isfinite(grey).all():
            raise ImageError("unreadable", "pixel values are not finite numbers")
        top = 65535.0 if picture.mode.startswith("I") else max(1.0, float(grey.max()))
        return Image.fromarray((np.clip(grey / top, 0, 1) * 255).round().astype(np.uint8)).convert("RGB")
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        layer = picture.convert("RGBA")
        return Image.alpha_composite(Image.new("RGBA", layer.size, "white"), layer).convert("RGB")
    return picture if picture.mode == "RGB" else picture.convert("RGB")
