"""Read the bytes of one photograph, from a file, a member of a zip archive or a URL, within limits."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from tickvision.errors import DataError, ImageError
from tickvision.images.decode import MAX_BYTES, Box, Photo, decode, read_bytes

if TYPE_CHECKING:
    import zipfile
    from typing import Self

MAX_MEMBERS = 1_000_000
OPEN_ARCHIVES = 4
_HEIF_BRANDS = frozenset([b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"])


class Reader:
    """Reads photographs by name; a few archives stay open between calls. Safe to share between threads."""

    def __init__(self) -> None:
        self._archives: OrderedDict[Path, zipfile.ZipFile] = OrderedDict()
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the archives that are open."""
        for archive in self._archives.values():
            archive.close()
        self._archives.clear()

    def photo(self, name: str, at_least_px: int | None, region: Box | None = None) -> Photo:
        """Return the decoded photograph of that name. Raises ImageError with a status and a reason."""
        return decode_any(self.read(name), at_least_px, region)

    def read(self, name: str) -> bytes:
        """Return the bytes of a file, of "archive.zip/member", or of a URL. Raises ImageError."""
        if "://" in name:
            return _read_remote(name)
        archive, member = split_member(name)
        return self._member(Path(archive), member) if member else read_bytes(Path(name))

    def _member(self, path: Path, name: str) -> bytes:
        try:
            with self._lock:
                # one member at a time: the archives of a few are closed while others are read
                archive = self._archive(path)
                member = archive.getinfo(name)
                if member.file_size > MAX_BYTES:
                    raise ImageError("too_large", f"{member.file_size:,} bytes, at most {MAX_BYTES:,} are read")
                with archive.open(member) as handle:
                    content = handle.read(MAX_BYTES + 1)
        except KeyError:
            raise ImageError("missing", "no such member in the archive") from None
        except DataError as error:
            raise ImageError("unreadable", str(error)) from None
        except ImageError:
            raise
        except Exception as error:  # zipfile raises BadZipFile, RuntimeError, zlib.error and more on broken members
            raise ImageError("unreadable", f"{type(error).__name__}: {error}"[:200]) from None
        return _checked(content)

    def _archive(self, path: Path) -> zipfile.ZipFile:
        if path in self._archives:
            self._archives.move_to_end(path)
            return self._archives[path]
        if len(self._archives) >= OPEN_ARCHIVES:
            self._archives.popitem(last=False)[1].close()
        self._archives[path] = open_archive(path)
        return self._archives[path]


def split_member(name: str) -> tuple[str, str]:
    """Return (archive, member) of "archive.zip/member", (name, "") if no archive lies there."""
    ends = [found.end() for found in re.finditer(r"\.zip(?=/.)", name, re.IGNORECASE)]
    if ends and not Path(name).exists():
        for end in ends:
            if Path(name[:end]).is_file():
                return name[:end], name[end + 1 :]
    return name, ""


def _checked(content: bytes) -> bytes:
    if len(content) > MAX_BYTES:
        raise ImageError("too_large", f"more than {MAX_BYTES:,} bytes")
    return content


def open_archive(path: Path) -> zipfile.ZipFile:
    """Return the opened zip archive. Raises DataError if it is none."""
    import zipfile

    try:
        return zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError) as error:
        raise DataError(f"{path}: cannot be read as a zip archive ({error}).") from None


def remote_filesystem(url: str) -> tuple[Any, str]:
    """Return (fsspec filesystem, path in it). Raises DataError if fsspec or the driver for this kind is missing."""
    try:
        from fsspec.core import url_to_fs
    except ModuleNotFoundError:
        raise DataError(f"{url}: URLs need one more package: pip install 'tickvision[remote]'") from None
    try:
        filesystem, path = url_to_fs(url)
    except (ImportError, ValueError) as error:
        raise DataError(f"{url}: this kind of URL cannot be opened ({error}).") from None
    return filesystem, str(path)


def _read_remote(url: str) -> bytes:
    try:
        filesystem, path = remote_filesystem(url)
        with filesystem.open(path, "rb") as handle:
            content = handle.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise ImageError("missing", "no such file") from None
    except PermissionError:
        raise ImageError("denied", "no permission to read the file") from None
    except Exception as error:  # each kind of storage raises types of its own
        raise ImageError("unreadable", f"{type(error).__name__}: {error}"[:200]) from None
    return _checked(content)


def decode_any(content: bytes, at_least_px: int | None = None, region: Box | None = None) -> Photo:
    """Return the photograph held in these bytes, HEIC included where pillow-heif is installed. Raises ImageError."""
    if content[4:8] == b"ftyp" and content[8:12] in _HEIF_BRANDS:
        try:
            from pillow_heif import register_heif_opener
        except ModuleNotFoundError:
            raise ImageError("unreadable", "a HEIC photograph; to read it: pip install 'tickvision[heic]'") from None
        register_heif_opener()
    return decode(content, at_least_px, region)


def parse_region(text: str) -> Box | None:
    """Return (x, y, width, height) of "x y width height" in fractions, None of a blank. Raises ValueError."""
    if not text.strip():
        return None
    x, y, width, height = (float(part) for part in text.replace(",", " ").split())
    if not (0 <= x < 1 and 0 <= y < 1 and 0 < width <= 1 - x + 1e-6 and 0 < height <= 1 - y + 1e-6):
        raise ValueError(f"'{text}' does not lie inside the picture")
    return x, y, width, height
