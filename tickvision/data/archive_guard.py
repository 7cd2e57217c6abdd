"""What may come out of a Darwin Core archive: checked before anything is opened, and written below one folder only."""

from __future__ import annotations

import codecs
import errno
import shutil
import stat
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import IO

from tickvision.errors import DataError
from tickvision.images.decode import MAX_BYTES

META = "meta.xml"
MAX_MEMBERS = 1_000_000
MAX_TOTAL = 200 * 2**30
MAX_TABLE = 8 * 2**30
MAX_META = 2**20
MAX_LINE = 4_000_000
RATIO = 200  # text tables shrink to about a twentieth; what shrinks more than this is made to burst
RATIO_FROM = 10 * 2**20
_BLOCK = 2**20
_BAD_NAME = (errno.ENAMETOOLONG, errno.EEXIST, errno.ENOTDIR, errno.EISDIR, errno.EILSEQ, errno.EINVAL)
DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError)  # what reading a stored or deflated member may raise


class Archive:
    """The members of a zip, or the files of a folder, below the place where meta.xml stands."""

    def __init__(self, path: Path) -> None:
        """Raise DataError if the archive cannot be read, holds no meta.xml, or asks for what no honest archive does."""
        self.path = path
        self._zip: zipfile.ZipFile | None = None
        if not path.exists():
            raise DataError(f"{path}: no such archive (data.path).")
        if path.is_dir():
            self.names = frozenset[str]()
            self._prefix = ""
            if not (path / META).is_file():
                raise DataError(f"{path}: no {META} in this folder; it is no Darwin Core archive.")
            return
        try:
            self._zip = zipfile.ZipFile(path)
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
            raise DataError(f"{path}: not readable as a zip file ({error}).") from None
        try:
            check_members(path, self._zip.infolist())
            self.names = frozenset(i.filename for i in self._zip.infolist() if not i.is_dir())
            self._prefix = _prefix(path, self.names)
        except DataError:
            self._zip.close()
            raise

    @property
    def is_zip(self) -> bool:
        """True if media must be taken out before they can be read."""
        return self._zip is not None

    def close(self) -> None:
        """Close the zip file."""
        if self._zip is not None:
            self._zip.close()

    def holds(self, name: str) -> bool:
        """True if the archive itself holds this file (a clean relative name)."""
        if self._zip is not None:
            return self._prefix + name in self.names
        return inside(self.path, name) is not None

    def open(self, name: str) -> IO[bytes]:
        """Open one file of the archive. Raises DataError if it is not there or lies outside."""
        try:
            if self._zip is not None:
                return self._zip.open(self._prefix + name)
            found = inside(self.path, name)
            if found is not None:
                return found.open("rb")
        except (KeyError, OSError, RuntimeError, NotImplementedError, zipfile.BadZipFile) as error:
            raise DataError(f"{self.path}: '{name}' cannot be read ({error}).") from None
        raise DataError(f"{self.path}: {META} names '{name}', which is not in the archive.")

    def head(self) -> bytes:
        """Return meta.xml, cut behind MAX_META. Raises DataError if it is damaged."""
        try:
            with self.open(META) as source:
                return source.read(MAX_META + 1)
        except (*DAMAGED, OSError) as error:
            raise DataError(f"{self.path}: {META} is damaged ({error}).") from None

    def take_out(self, name: str, folder: Path) -> Path:
        """Return where a media file lies on disk; out of a zip it is written below folder, once."""
        if self._zip is None:
            return self.path / name
        info = self._zip.getinfo(self._prefix + name)
        target = folder / name
        if info.file_size > MAX_BYTES:
            raise DataError(f"{self.path}: '{name}' is {info.file_size:,} bytes; at most {MAX_BYTES:,} are read.")
        part = target.with_name(target.name + ".part")
        try:
            if target.is_file() and target.stat().st_size == info.file_size and _checksum(target) == info.CRC:
                return target
            target.parent.mkdir(parents=True, exist_ok=True)
            with self.open(name) as source, part.open("wb") as sink:
                shutil.copyfileobj(source, sink, _BLOCK)
        except DAMAGED as error:
            raise DataError(f"{self.path}: '{name}' is damaged ({error}).") from None
        except OSError as error:
            if error.errno not in _BAD_NAME:
                raise
            raise DataError(f"{self.path}: no file can be named '{name[:200]}' here ({error.strerror}).") from None
        part.replace(target)
        return target


def _checksum(path: Path) -> int:
    """Return the CRC-32 of a file, as a zip keeps it: pictures of one size that are not packed are equally long."""
    found = 0
    with path.open("rb") as handle:
        while block := handle.read(_BLOCK):
            found = zlib.crc32(block, found)
    return found


def check_members(path: Path, members: list[zipfile.ZipInfo]) -> None:
    """Raise DataError for names that climb out, links, locked or repeated members, and what unpacks beyond measure."""
    if len(members) > MAX_MEMBERS:
        raise DataError(f"{path}: {len(members):,} files in the archive; at most {MAX_MEMBERS:,} are read.")
    seen: set[str] = set()
    for info in members:
        fault = _member_fault(info)
        if info.filename in seen:
            fault = "stands twice in the archive"
        if fault:
            raise DataError(f"{path}: '{info.filename[:200]}' {fault}. The archive is not opened.")
        seen.add(info.filename)
    total, packed = sum(i.file_size for i in members), sum(i.compress_size for i in members)
    # members that share their packed bytes count once on disk: the size of the file is the honest measure
    on_disk = path.stat().st_size if path.is_file() else packed
    if total > MAX_TOTAL or (total > RATIO_FROM and total > RATIO * max(on_disk, 1)):
        raise DataError(f"{path}: {on_disk:,} bytes would unpack to {total:,}. The archive is not opened.")


def _member_fault(info: zipfile.ZipInfo) -> str:
    if clean_name(info.filename.rstrip("/")) is None:
        return "is an absolute path or climbs out of the archive"
    if stat.S_ISLNK(info.external_attr >> 16):
        return "is a link"
    if info.flag_bits & 0x1:
        return "is locked with a password"
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "is packed in a way that is not read (only deflate is)"
    if info.file_size > RATIO_FROM and info.file_size > RATIO * max(info.compress_size, 1):
        return f"would unpack from {info.compress_size:,} to {info.file_size:,} bytes"
    return ""


def clean_name(name: str) -> str | None:
    """Return the name as a relative path with forward slashes, None if it is absolute, climbs out, or is a URL."""
    if not name or "\0" in name or "\\" in name or ":" in name or name.startswith("/"):
        return None
    parts = PurePosixPath(name).parts
    return "/".join(parts) if parts and ".." not in parts else None


def inside(folder: Path, name: str) -> Path | None:
    """Return the file of this name if it lies below the folder, also after links are followed; else None."""
    clean = clean_name(name)
    if clean is None:
        return None
    try:
        found = (folder / clean).resolve()
        return folder / clean if found.is_file() and found.is_relative_to(folder.resolve()) else None
    except OSError:
        return None


def _prefix(path: Path, names: frozenset[str]) -> str:
    """Return "" or "folder/" where meta.xml stands."""
    if META in names:
        return ""
    tops = {n.split("/", 1)[0] for n in names if not n.startswith("__MACOSX/")}
    if len(tops) == 1 and f"{next(iter(tops))}/{META}" in names:
        return f"{next(iter(tops))}/"
    raise DataError(f"{path}: no {META} in the archive; a plain table is read with data.source = 'csv'.")


def copy_table(archive: Archive, names: list[str], skip_lines: int, encoding: str, target: Path) -> None:
    """Write the archive's files one after the other into target as UTF-8, trailing blank lines left out.

    skip_lines: header lines that the second and later files leave out. Raises DataError on a wrong encoding, a line
    longer than MAX_LINE or a table above MAX_TABLE.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with target.open("w", encoding="utf-8", newline="") as sink:
            for number, name in enumerate(names):
                with archive.open(name) as source:
                    for _ in range(skip_lines if number else 0):
                        source.readline(MAX_LINE)
                    sink.writelines(_checked(archive.path, name, source, encoding))
    except DAMAGED as error:
        raise DataError(f"{archive.path}: damaged ({error}).") from None


def _checked(path: Path, name: str, source: IO[bytes], encoding: str) -> Iterator[str]:
    decoder = codecs.getincrementaldecoder(encoding)()
    size = run = 0
    held = ""  # line ends that are written only if more text follows
    while block := source.read(_BLOCK):
        try:
            text = decoder.decode(block)
        except UnicodeError:
            raise DataError(f"{path}: '{name}' is not {encoding}, as {META} says.") from None
        text = text.lstrip("\ufeff") if not size else text
        if "\0" in text:
            raise DataError(f"{path}: '{name}' holds a zero byte; it is no table in {encoding}, as {META} says.")
        size += len(block)
        cut = text.rfind("\n")
        run = run + len(text) if cut < 0 else len(text) - cut
        if run > MAX_LINE or size > MAX_TABLE:
            raise DataError(f"{path}: '{name}' holds a line or table that is too long to be one.")
        text = held + text
        held = text[len(text.rstrip("\r\n")) :]
        yield text[: len(text) - len(held)]
    if size:
        yield "\n"
